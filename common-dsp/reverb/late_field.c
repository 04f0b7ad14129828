/* SPDX-License-Identifier: ISC */
#include "reverb/late_field.h"

#include "base/clones.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846
#define EMPTY 1e-10F /* -200 dBFS */
#define HALF (BM_LATE_LINES / 2)

/* Which lines sound with which sign on the left and on the right: orthogonal, and so are their even and odd
   halves, so both inputs reach both sides alike. Our own. */
static const float left_signs[BM_LATE_LINES] = {1, 1, -1, 1, 1, -1, -1, -1, 1, 1, 1, -1, -1, -1, 1, -1};
static const float right_signs[BM_LATE_LINES] = {1, -1, 1, 1, -1, 1, -1, -1, -1, -1, 1, -1, -1, -1, -1, 1};

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

/* Four lines of four frames, or the other way round. */
typedef float Four __attribute__((vector_size(16), may_alias));
typedef double FourDoubles __attribute__((vector_size(32), may_alias));

BM_INLINE void turn_over(Four* x)
{
   const Four a = __builtin_shufflevector(x[0], x[1], 0, 4, 1, 5);
   const Four b = __builtin_shufflevector(x[0], x[1], 2, 6, 3, 7);
   const Four c = __builtin_shufflevector(x[2], x[3], 0, 4, 1, 5);
   const Four d = __builtin_shufflevector(x[2], x[3], 2, 6, 3, 7);
   x[0] = __builtin_shufflevector(a, c, 0, 1, 4, 5);
   x[1] = __builtin_shufflevector(a, c, 2, 3, 6, 7);
   x[2] = __builtin_shufflevector(b, d, 0, 1, 4, 5);
   x[3] = __builtin_shufflevector(b, d, 2, 3, 6, 7);
}

BM_INLINE void rows_of(BmLateBlock x, BmLateLanes* rows)
{
   for (uint32_t i = 0; i < BM_LATE_LINES; i += 4) {
      for (uint32_t n = 0; n < BM_LATE_CHUNK_FRAMES; n += 4) {
         Four four[4];
         for (uint32_t k = 0; k < 4; ++k) {
            four[k] = *(const Four*)&x[i + k][n];
         }
         turn_over(four);
         for (uint32_t k = 0; k < 4; ++k) {
            *(FourDoubles*)&rows[n + k][i] = __builtin_convertvector(four[k], FourDoubles);
         }
      }
   }
}

BM_INLINE void lines_of(BmLateLanes* rows, BmLateBlock x)
{
   for (uint32_t i = 0; i < BM_LATE_LINES; i += 4) {
      for (uint32_t n = 0; n < BM_LATE_CHUNK_FRAMES; n += 4) {
         Four four[4];
         for (uint32_t k = 0; k < 4; ++k) {
            four[k] = __builtin_convertvector(*(const FourDoubles*)&rows[n + k][i], Four);
         }
         turn_over(four);
         for (uint32_t k = 0; k < 4; ++k) {
            *(Four*)&x[i + k][n] = four[k];
         }
      }
   }
}

typedef struct {
   FourDoubles b0, b1, b2, a1, a2, s1, s2;
} FourSections;

/* Eight lines at a time: as many as keep the processor busy while each waits for itself. `step`, unless NULL,
   moves the sections after each frame. */
BM_INLINE void filter_eight(BmLateSections* section, const BmLateSections* step, double* s1, double* s2,
                            BmLateLanes* rows, uint32_t first, uint32_t n_frames)
{
   FourSections four[2];
   for (uint32_t k = 0; k < 2; ++k) {
      const uint32_t i = first + 4 * k;
      four[k].b0 = *(const FourDoubles*)&section->b0[i];
      four[k].b1 = *(const FourDoubles*)&section->b1[i];
      four[k].b2 = *(const FourDoubles*)&section->b2[i];
      four[k].a1 = *(const FourDoubles*)&section->a1[i];
      four[k].a2 = *(const FourDoubles*)&section->a2[i];
      four[k].s1 = *(const FourDoubles*)&s1[i];
      four[k].s2 = *(const FourDoubles*)&s2[i];
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      for (uint32_t k = 0; k < 2; ++k) {
         FourSections* now = &four[k];
         const uint32_t i = first + 4 * k;
         FourDoubles* row = (FourDoubles*)&rows[n][i];
         const FourDoubles x = *row;
         const FourDoubles y = now->b0 * x + now->s1;
         now->s1 = now->b1 * x - now->a1 * y + now->s2;
         now->s2 = now->b2 * x - now->a2 * y;
         *row = y;
         if (step) {
            now->b0 += *(const FourDoubles*)&step->b0[i];
            now->b1 += *(const FourDoubles*)&step->b1[i];
            now->b2 += *(const FourDoubles*)&step->b2[i];
            now->a1 += *(const FourDoubles*)&step->a1[i];
            now->a2 += *(const FourDoubles*)&step->a2[i];
         }
      }
   }
   for (uint32_t k = 0; k < 2; ++k) {
      const uint32_t i = first + 4 * k;
      *(FourDoubles*)&s1[i] = four[k].s1;
      *(FourDoubles*)&s2[i] = four[k].s2;
      if (step) {
         *(FourDoubles*)&section->b0[i] = four[k].b0;
         *(FourDoubles*)&section->b1[i] = four[k].b1;
         *(FourDoubles*)&section->b2[i] = four[k].b2;
         *(FourDoubles*)&section->a1[i] = four[k].a1;
         *(FourDoubles*)&section->a2[i] = four[k].a2;
      }
   }
}

/* What each line absorbs. */
BM_CLONES static void absorb(BmLateField* self, BmLateBlock x, uint32_t n_frames)
{
   BmLateLanes rows[BM_LATE_CHUNK_FRAMES];
   rows_of(x, rows);
   for (uint32_t first = 0; first < BM_LATE_LINES; first += 8) {
      if (self->coef.moves) {
         filter_eight(&self->coef.low, &self->coef.low_step, self->mem.low_1, self->mem.low_2, rows, first,
                      n_frames);
         filter_eight(&self->coef.high, &self->coef.high_step, self->mem.high_1, self->mem.high_2, rows,
                      first, n_frames);
      } else {
         filter_eight(&self->coef.low, NULL, self->mem.low_1, self->mem.low_2, rows, first, n_frames);
         filter_eight(&self->coef.high, NULL, self->mem.high_1, self->mem.high_2, rows, first, n_frames);
      }
   }
   lines_of(rows, x);
}

/* Hadamard's matrix of order 16 over 4: each line feeds every line alike, and no energy is made or lost. */
BM_INLINE void spread(BmLateBlock x)
{
   for (uint32_t stride = 1; stride < BM_LATE_LINES; stride *= 2) {
      const float gain = stride == 1 ? 0.25F : 1.0F;
      for (uint32_t i = 0; i < BM_LATE_LINES; i += 2 * stride) {
         for (uint32_t j = i; j < i + stride; ++j) {
            for (uint32_t n = 0; n < BM_LATE_CHUNK_FRAMES; ++n) {
               const float a = gain * x[j][n];
               const float b = gain * x[j + stride][n];
               x[j][n] = a + b;
               x[j + stride][n] = a - b;
            }
         }
      }
   }
}

BM_CLONES static void spread_input(BmLateBlock x)
{
   spread(x);
}

BM_INLINE void turn_pairs(const BmLateField* self, BmLateBlock x)
{
   for (uint32_t i = 0; i < HALF; ++i) {
      const float now = (float)self->mem.frames_since_control;
      for (uint32_t n = 0; n < BM_LATE_CHUNK_FRAMES; ++n) {
         const float c = self->coef.turn_cos[i] + self->coef.turn_cos_step[i] * (now + (float)(n + 1));
         const float s = self->coef.turn_sin[i] + self->coef.turn_sin_step[i] * (now + (float)(n + 1));
         const float a = x[i][n];
         const float b = x[i + HALF][n];
         x[i][n] = c * a - s * b;
         x[i + HALF][n] = s * a + c * b;
      }
   }
}

/* Let the room sound, and feed the lines with each other and with `in`. Returns how many of n_frames are not
   followed by silence. */
BM_CLONES static uint32_t sound_and_feed(const BmLateField* self, BmLateBlock x,
                                         const float (*in)[BM_LATE_CHUNK_FRAMES], BmFrame* out,
                                         uint32_t n_frames)
{
   float left[BM_LATE_CHUNK_FRAMES] = {0};
   float right[BM_LATE_CHUNK_FRAMES] = {0};
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      for (uint32_t n = 0; n < BM_LATE_CHUNK_FRAMES; ++n) {
         left[n] += left_signs[i] * x[i][n];
         right[n] += right_signs[i] * x[i][n];
         x[i][n] += in[i][n];
      }
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      out[n] = 0.25 * bm_frame((double)left[n], (double)right[n]);
   }
   spread(x);
   if (self->coef.turns) {
      turn_pairs(self, x);
   }
   float loudest[BM_LATE_CHUNK_FRAMES] = {0};
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      for (uint32_t n = 0; n < BM_LATE_CHUNK_FRAMES; ++n) {
         const float magnitude = fabsf(x[i][n]);
         x[i][n] = magnitude < EMPTY ? 0.0F : x[i][n];
         loudest[n] = loudest[n] > magnitude ? loudest[n] : magnitude;
      }
   }
   uint32_t n_busy = n_frames;
   while (n_busy > 0 && loudest[n_busy - 1] < EMPTY) {
      --n_busy;
   }
   return n_busy;
}

static void bank_init(BmLateBank* self, float* lines, uint32_t capacity)
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
   memset(self->lines, 0, sizeof *self->lines * BM_LATE_LINES * self->capacity_frames);
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

static void read_line(const BmLateBank* self, const float* line, uint32_t delay_frames, float* x,
                      uint32_t n_frames)
{
   const uint32_t at = bank_back(self, delay_frames);
   const uint32_t left = self->capacity_frames - at;
   const uint32_t first = n_frames < left ? n_frames : left;
   memcpy(x, line + at, first * sizeof *x);
   memcpy(x + first, line, (n_frames - first) * sizeof *x);
}

static void bank_read(const BmLateBank* self, const float* shares, BmLateBlock x, uint32_t n_frames)
{
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      const float* line = self->lines + (size_t)i * self->capacity_frames;
      read_line(self, line, self->delay_frames[i], x[i], n_frames);
      if (shares) {
         float next[BM_LATE_CHUNK_FRAMES];
         read_line(self, line, self->next_delay_frames[i], next, n_frames);
         for (uint32_t n = 0; n < n_frames; ++n) {
            x[i][n] += shares[n] * (next[n] - x[i][n]);
         }
      }
   }
}

static void bank_write(BmLateBank* self, BmLateBlock x, uint32_t n_frames)
{
   const uint32_t left = self->capacity_frames - self->write_index;
   const uint32_t first = n_frames < left ? n_frames : left;
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      float* line = self->lines + (size_t)i * self->capacity_frames;
      memcpy(line + self->write_index, x[i], first * sizeof *line);
      memcpy(line, x[i] + first, (n_frames - first) * sizeof *line);
   }
}

static void bank_advance(BmLateBank* self, uint32_t n_frames)
{
   self->write_index = (self->write_index + n_frames) % self->capacity_frames;
}

size_t bm_late_field_bytes(double sample_rate_hz, BmLateReach reach)
{
   return sizeof(float) * BM_LATE_LINES *
          ((size_t)capacity_frames(sample_rate_hz, reach.loop_s) +
           capacity_frames(sample_rate_hz, reach.scatter_s));
}

BmStatus bm_late_field_init(BmLateField* self, void* memory, double sample_rate_hz, BmLateReach reach,
                            uint32_t control_frames)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (!memory || !(reach.loop_s > 0.0 && reach.scatter_s > 0.0) || control_frames == 0) {
      return BM_BAD_ARGUMENT;
   }
   memset(self, 0, sizeof *self);
   self->cfg.rate_hz = sample_rate_hz;
   self->cfg.control_frames = control_frames;
   for (uint32_t i = 0; i < HALF; ++i) {
      const double angle = 2.0 * PI * turn_hz[i] * control_frames / sample_rate_hz;
      self->coef.swing_cos[i] = cos(angle);
      self->coef.swing_sin[i] = sin(angle);
   }
   const uint32_t loop_frames = capacity_frames(sample_rate_hz, reach.loop_s);
   float* lines = memory;
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
   for (uint32_t i = 0; i < HALF; ++i) {
      self->mem.swing_cos[i] = 1.0;
   }
   self->coef.is_designed = false;
   self->coef.turn = 0.0;
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

/* sin(x) by Taylor's series; within 2e-9 for an eighth of a circle. */
static double sine(double x)
{
   const double y = x * x;
   return x * (1.0 - y / 6.0 * (1.0 - y / 20.0 * (1.0 - y / 42.0 * (1.0 - y / 72.0))));
}

/* The pairs swing like pendulums: each is a point on a circle, moved on by one multiplication. */
static void control_turn(BmLateField* self, double turn)
{
   const float n_frames = (float)self->cfg.control_frames;
   if (!self->coef.is_designed) {
      for (uint32_t i = 0; i < HALF; ++i) {
         self->coef.turn_cos_next[i] = 1.0F;
         self->coef.turn_sin_next[i] = 0.0F;
      }
   }
   self->coef.turns = turn > 0.0 || self->coef.turn > 0.0;
   self->coef.turn = turn;
   self->mem.frames_since_control = 0;
   for (uint32_t i = 0; i < HALF; ++i) {
      const double c =
         self->mem.swing_cos[i] * self->coef.swing_cos[i] - self->mem.swing_sin[i] * self->coef.swing_sin[i];
      const double s =
         self->mem.swing_sin[i] * self->coef.swing_cos[i] + self->mem.swing_cos[i] * self->coef.swing_sin[i];
      const double to_circle = 1.5 - 0.5 * (c * c + s * s);
      self->mem.swing_cos[i] = c * to_circle;
      self->mem.swing_sin[i] = s * to_circle;
      const double turned_sin = sine(0.25 * PI * turn * self->mem.swing_sin[i]);
      self->coef.turn_cos[i] = self->coef.turn_cos_next[i];
      self->coef.turn_sin[i] = self->coef.turn_sin_next[i];
      self->coef.turn_cos_next[i] = (float)sqrt(1.0 - turned_sin * turned_sin);
      self->coef.turn_sin_next[i] = (float)turned_sin;
      self->coef.turn_cos_step[i] = (self->coef.turn_cos_next[i] - self->coef.turn_cos[i]) / n_frames;
      self->coef.turn_sin_step[i] = (self->coef.turn_sin_next[i] - self->coef.turn_sin[i]) / n_frames;
   }
}

void bm_late_field_control(BmLateField* self, const BmDecay* decay, double turn, double share)
{
   const double n_frames = self->cfg.control_frames;
   control_turn(self, turn);
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

void bm_late_field_wait(BmLateField* self, uint32_t n_frames)
{
   self->mem.frames_since_control += n_frames;
}

uint32_t bm_late_field_process(BmLateField* self, BmLateBlock in, const float* shares, BmFrame* out,
                               uint32_t n_frames)
{
   BmLateBlock x;
   if (n_frames < BM_LATE_CHUNK_FRAMES) { /* what is beyond is worked on and dropped */
      memset(x, 0, sizeof x);
   }
   spread_input(in);
   bank_write(&self->scatter, in, n_frames);
   bank_read(&self->scatter, shares, in, n_frames);
   bank_advance(&self->scatter, n_frames);

   bank_read(&self->loop, shares, x, n_frames);
   absorb(self, x, n_frames);
   const uint32_t n_busy = sound_and_feed(self, x, (const float(*)[BM_LATE_CHUNK_FRAMES])in, out, n_frames);
   bank_write(&self->loop, x, n_frames);
   bank_advance(&self->loop, n_frames);
   self->mem.frames_since_control += n_frames;
   return n_frames - n_busy;
}
