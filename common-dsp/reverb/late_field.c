/* SPDX-License-Identifier: ISC */
#include "reverb/late_field.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846
#define EMPTY 1e-10 /* -200 dBFS */
#define HALF (BM_LATE_LINES / 2)

/* Which lines sound with which sign on the left and on the right: orthogonal, and so are their even and odd
   halves, so both inputs reach both sides alike. Our own. */
static const double left_signs[BM_LATE_LINES] = {1, 1, -1, 1, 1, -1, -1, -1, 1, 1, 1, -1, -1, -1, 1, -1};
static const double right_signs[BM_LATE_LINES] = {1, -1, 1, 1, -1, 1, -1, -1, -1, -1, 1, -1, -1, -1, -1, 1};

/* How often a pair of lines turns to and fro; no two are in step. Our own. */
static const double turn_hz[HALF] = {0.31, 0.37, 0.43, 0.53, 0.59, 0.67, 0.71, 0.83};

static uint32_t capacity_frames(double sample_rate_hz, double longest_s)
{
   return (uint32_t)ceil(sample_rate_hz * longest_s) + BM_LATE_CHUNK_FRAMES;
}

static void put_section(BmLateSections* sections, uint32_t line, const BmDecaySection* section)
{
   sections->b0[line] = section->b0;
   sections->b1[line] = section->b1;
   sections->b2[line] = section->b2;
   sections->a1[line] = section->a1;
   sections->a2[line] = section->a2;
}

static void aim(BmLateLanes step, const BmLateLanes next, const BmLateLanes now, double n_frames)
{
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      step[i] = (next[i] - now[i]) / n_frames;
   }
}

static void aim_sections(BmLateSections* step, const BmLateSections* next, const BmLateSections* now,
                         double n_frames)
{
   aim(step->b0, next->b0, now->b0, n_frames);
   aim(step->b1, next->b1, now->b1, n_frames);
   aim(step->b2, next->b2, now->b2, n_frames);
   aim(step->a1, next->a1, now->a1, n_frames);
   aim(step->a2, next->a2, now->a2, n_frames);
}

static void move(BmLateLanes now, const BmLateLanes step)
{
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      now[i] += step[i];
   }
}

static void move_sections(BmLateSections* now, const BmLateSections* step)
{
   move(now->b0, step->b0);
   move(now->b1, step->b1);
   move(now->b2, step->b2);
   move(now->a1, step->a1);
   move(now->a2, step->a2);
}

static void filter(const BmLateSections* section, BmLateLanes s1, BmLateLanes s2, BmLateLanes x)
{
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      const double y = section->b0[i] * x[i] + s1[i];
      s1[i] = section->b1[i] * x[i] - section->a1[i] * y + s2[i];
      s2[i] = section->b2[i] * x[i] - section->a2[i] * y;
      x[i] = y;
   }
}

/* Hadamard's matrix of order 16 over 4: each line feeds every line alike, and no energy is made or lost. */
static void spread(BmLateLanes x)
{
   for (uint32_t stride = 1; stride < BM_LATE_LINES; stride *= 2) {
      for (uint32_t i = 0; i < BM_LATE_LINES; i += 2 * stride) {
         for (uint32_t j = i; j < i + stride; ++j) {
            const double a = x[j];
            const double b = x[j + stride];
            x[j] = a + b;
            x[j + stride] = a - b;
         }
      }
   }
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      x[i] *= 0.25;
   }
}

static void turn_pairs(BmLateField* self, BmLateLanes x)
{
   for (uint32_t i = 0; i < HALF; ++i) {
      const double c = self->coef.turn_cos[i];
      const double s = self->coef.turn_sin[i];
      const double a = x[i];
      const double b = x[i + HALF];
      x[i] = c * a - s * b;
      x[i + HALF] = s * a + c * b;
   }
   move(self->coef.turn_cos, self->coef.turn_cos_step);
   move(self->coef.turn_sin, self->coef.turn_sin_step);
}

static void bank_init(BmLateBank* self, double* lines, uint32_t capacity)
{
   self->lines = lines;
   self->capacity_frames = capacity;
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      self->delay_frames[i] = BM_LATE_CHUNK_FRAMES;
      self->next_delay_frames[i] = BM_LATE_CHUNK_FRAMES;
   }
}

static void bank_reset(BmLateBank* self)
{
   memset(self->lines, 0, sizeof(double) * BM_LATE_LINES * self->capacity_frames);
   self->write_index = 0;
}

static void bank_set(BmLateBank* self, const uint32_t* delay_frames)
{
   memcpy(self->delay_frames, delay_frames, sizeof self->delay_frames);
   memcpy(self->next_delay_frames, delay_frames, sizeof self->next_delay_frames);
}

static uint32_t bank_back(const BmLateBank* self, uint32_t delay_frames)
{
   const uint32_t now = self->write_index;
   return now >= delay_frames ? now - delay_frames : now + self->capacity_frames - delay_frames;
}

static uint32_t bank_next(const BmLateBank* self, uint32_t index)
{
   return index + 1 < self->capacity_frames ? index + 1 : 0;
}

static void bank_read(const BmLateBank* self, const double* shares, BmLateLanes* rows, uint32_t n_frames)
{
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      const double* line = self->lines + (size_t)i * self->capacity_frames;
      uint32_t at = bank_back(self, self->delay_frames[i]);
      for (uint32_t n = 0; n < n_frames; ++n, at = bank_next(self, at)) {
         rows[n][i] = line[at];
      }
      if (shares) {
         at = bank_back(self, self->next_delay_frames[i]);
         for (uint32_t n = 0; n < n_frames; ++n, at = bank_next(self, at)) {
            rows[n][i] += shares[n] * (line[at] - rows[n][i]);
         }
      }
   }
}

/* Returns how many frames at the end of the chunk were zero in every line. */
static uint32_t bank_write(BmLateBank* self, BmLateLanes* rows, uint32_t n_frames)
{
   uint32_t n_busy = 0;
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      double* line = self->lines + (size_t)i * self->capacity_frames;
      uint32_t at = self->write_index;
      for (uint32_t n = 0; n < n_frames; ++n, at = bank_next(self, at)) {
         line[at] = rows[n][i];
         if (rows[n][i] != 0.0 && n >= n_busy) {
            n_busy = n + 1;
         }
      }
   }
   return n_frames - n_busy;
}

static void bank_advance(BmLateBank* self, uint32_t n_frames)
{
   self->write_index = (self->write_index + n_frames) % self->capacity_frames;
}

size_t bm_late_field_bytes(double sample_rate_hz, BmLateReach reach)
{
   return sizeof(double) * BM_LATE_LINES *
          ((size_t)capacity_frames(sample_rate_hz, reach.loop_s) +
           capacity_frames(sample_rate_hz, reach.scatter_s));
}

BmStatus bm_late_field_init(BmLateField* self, void* memory, double sample_rate_hz, BmLateReach reach)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (!memory || !(reach.loop_s > 0.0 && reach.scatter_s > 0.0)) {
      return BM_BAD_ARGUMENT;
   }
   memset(self, 0, sizeof *self);
   self->cfg.rate_hz = sample_rate_hz;
   const uint32_t loop_frames = capacity_frames(sample_rate_hz, reach.loop_s);
   double* lines = memory;
   bank_init(&self->loop, lines, loop_frames);
   bank_init(&self->scatter, lines + (size_t)BM_LATE_LINES * loop_frames,
             capacity_frames(sample_rate_hz, reach.scatter_s));
   bm_late_field_reset(self);
   return BM_OK;
}

void bm_late_field_reset(BmLateField* self)
{
   bank_reset(&self->loop);
   bank_reset(&self->scatter);
   memset(&self->mem, 0, sizeof self->mem);
   self->coef.is_designed = false;
   self->coef.moves = false;
}

uint32_t bm_late_field_reach_frames(const BmLateField* self)
{
   return self->loop.capacity_frames + self->scatter.capacity_frames;
}

void bm_late_field_forget(BmLateField* self)
{
   memset(self->mem.low_1, 0, sizeof self->mem.low_1);
   memset(self->mem.low_2, 0, sizeof self->mem.low_2);
   memset(self->mem.high_1, 0, sizeof self->mem.high_1);
   memset(self->mem.high_2, 0, sizeof self->mem.high_2);
}

void bm_late_field_set_delays(BmLateField* self, const BmLateDelays* delays)
{
   bank_set(&self->loop, delays->loop_frames);
   bank_set(&self->scatter, delays->scatter_frames);
}

void bm_late_field_fade_delays(BmLateField* self, const BmLateDelays* delays)
{
   memcpy(self->loop.next_delay_frames, delays->loop_frames, sizeof self->loop.next_delay_frames);
   memcpy(self->scatter.next_delay_frames, delays->scatter_frames, sizeof self->scatter.next_delay_frames);
}

static void design(BmLateField* self, const BmDecay* decay, double share)
{
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      const double delay_frames =
         self->loop.delay_frames[i] +
         share * ((double)self->loop.next_delay_frames[i] - self->loop.delay_frames[i]);
      const BmAbsorption absorption =
         bm_absorption(decay, delay_frames / self->cfg.rate_hz, self->cfg.rate_hz);
      put_section(&self->coef.low_next, i, &absorption.low);
      put_section(&self->coef.high_next, i, &absorption.high);
   }
}

static void control_turn(BmLateField* self, double turn, uint32_t n_frames)
{
   const bool starts = !self->coef.is_designed;
   self->coef.turns = turn > 0.0 || self->coef.turn > 0.0;
   self->coef.turn = turn;
   for (uint32_t i = 0; i < HALF; ++i) {
      const double phase = self->mem.turn_phase[i] + turn_hz[i] * n_frames / self->cfg.rate_hz;
      self->mem.turn_phase[i] = phase < 1.0 ? phase : phase - 1.0;
      const double angle = 0.25 * PI * turn * sin(2.0 * PI * self->mem.turn_phase[i]);
      const double c = cos(angle);
      const double s = sin(angle);
      if (starts) {
         self->coef.turn_cos[i] = 1.0;
         self->coef.turn_sin[i] = 0.0;
      }
      self->coef.turn_cos_step[i] = (c - self->coef.turn_cos[i]) / n_frames;
      self->coef.turn_sin_step[i] = (s - self->coef.turn_sin[i]) / n_frames;
   }
}

void bm_late_field_control(BmLateField* self, const BmDecay* decay, double turn, double share,
                           uint32_t n_frames)
{
   control_turn(self, turn, n_frames);
   if (self->coef.moves) { /* arrive without a rounding error */
      self->coef.low = self->coef.low_next;
      self->coef.high = self->coef.high_next;
   }
   const BmDecay* last = &self->coef.decay;
   const bool is_new = decay->decay_s != last->decay_s || decay->low_ratio != last->low_ratio ||
                       decay->damping_hz != last->damping_hz || share != self->coef.share;
   self->coef.moves = self->coef.is_designed && is_new;
   if (is_new || !self->coef.is_designed) {
      self->coef.decay = *decay;
      self->coef.share = share;
      design(self, decay, share);
      aim_sections(&self->coef.low_step, &self->coef.low_next, &self->coef.low, n_frames);
      aim_sections(&self->coef.high_step, &self->coef.high_next, &self->coef.high, n_frames);
   }
   if (!self->coef.is_designed) {
      self->coef.low = self->coef.low_next;
      self->coef.high = self->coef.high_next;
      self->coef.is_designed = true;
   }
}

uint32_t bm_late_field_process(BmLateField* self, BmLateLanes* in, const double* shares, BmFrame* out,
                               uint32_t n_frames)
{
   BmLateLanes rows[BM_LATE_CHUNK_FRAMES];
   for (uint32_t n = 0; n < n_frames; ++n) {
      spread(in[n]);
   }
   bank_write(&self->scatter, in, n_frames);
   bank_read(&self->scatter, shares, in, n_frames);
   bank_advance(&self->scatter, n_frames);
   bank_read(&self->loop, shares, rows, n_frames);

   for (uint32_t n = 0; n < n_frames; ++n) {
      double* x = rows[n];
      filter(&self->coef.low, self->mem.low_1, self->mem.low_2, x);
      filter(&self->coef.high, self->mem.high_1, self->mem.high_2, x);
      if (self->coef.moves) {
         move_sections(&self->coef.low, &self->coef.low_step);
         move_sections(&self->coef.high, &self->coef.high_step);
      }
      BmFrame sum = {0.0, 0.0};
      for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
         sum += bm_frame(left_signs[i], right_signs[i]) * x[i];
      }
      out[n] = 0.25 * sum;
      spread(x);
      spread(in[n]);
      if (self->coef.turns) {
         turn_pairs(self, x);
      }
      for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
         const double fed = x[i] + in[n][i];
         x[i] = fabs(fed) < EMPTY ? 0.0 : fed;
      }
   }

   const uint32_t n_empty = bank_write(&self->loop, rows, n_frames);
   bank_advance(&self->loop, n_frames);
   return n_empty;
}
