/* SPDX-License-Identifier: ISC */
#include "analysis/attack_to_sustain.h"

#include "base/clones.h"
#include "base/fft.h"
#include "base/floats.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846

#define TRANSFORM_S 0.02
#define OVERLAP 4
#define LOWEST_BAND_HZ 90.0
#define HIGHEST_BAND_HZ 16000.0
#define FLOOR_POWER 1e-9 /* -90 dBFS */
#define FLOOR_UNDER_LOUDEST 1e-6

/* Peak picking: see the source in the header, section IV. */
#define HOPS_BEFORE 20
#define PEAK_HOPS 6
#define THRESHOLD_DB 2.5
#define MIN_GAP_S 0.04

#define STEPS_PER_S 4000.0
#define SEARCH_BEFORE_S 0.010
#define SEARCH_AFTER_S 0.020
#define MIN_RISE 1.41
#define ATTACK_S 0.010
#define SUSTAIN_FROM_S 0.050
#define SUSTAIN_TO_S 0.250

/* A transform is worked off at every step, or at every second where that would be more often than so many
   frames. */
#define PIECE_FRAMES_LEAST 16

/* Costs in work units, a step of the transform being one (4 ns on one machine); measured. */
#define FRAMES_LAID_PER_UNIT 32
#define UNITS_PER_LAST_STEP 2
#define BINS_SQUARED_PER_UNIT 64
#define UNITS_PER_GATHERED 2 /* BM_FLOATS_STEP bins */
#define UNITS_PER_BAND 2
#define UNITS_FOR_LEVELS 10
#define UNITS_FOR_FLUX 25
#define UNITS_PER_SETTLING 15

enum { IDLE, WINDOW, TRANSFORM, POWERS, BINS, BANDS, LEVELS, FLUX };

/* Of an onset: each of so many steps at a time. */
enum { SETTLED, SUMS, SLOPES, RISES, ATTACK, SUSTAIN };
#define SUMS_AT_ONCE 20
#define SLOPES_AT_ONCE 20
#define RISES_AT_ONCE 15
#define SUSTAIN_AT_ONCE 40

static size_t rounded(size_t bytes)
{
   return (bytes + 63) / 64 * 64;
}

static uint32_t transform_size(double sample_rate_hz)
{
   return 1U << (uint32_t)fmin(fmax(round(log2(TRANSFORM_S * sample_rate_hz)), 6.0), 24.0);
}

/* A ring of a transform and the hop that is heard while that is worked off; its beginning stands once more
   after its end, so that a step is one run of memory, read by eights. */
static uint32_t ring_frames(uint32_t size)
{
   return size + size / OVERLAP;
}

static uint32_t run_frames(double sample_rate_hz)
{
   return (uint32_t)ceil(sample_rate_hz / STEPS_PER_S) + BM_FLOATS_STEP;
}

static size_t heard_bytes(double sample_rate_hz)
{
   return (ring_frames(transform_size(sample_rate_hz)) + run_frames(sample_rate_hz)) * sizeof(float);
}

/* Where an onset is looked for, and how far the sums around it reach. */
#define SLOPE_STEPS BM_ATTACK_SLOPE_STEPS
#define SEARCH_STEPS BM_ATTACK_SEARCH_STEPS /* SEARCH_BEFORE_S + SEARCH_AFTER_S */
#define SUM_STEPS BM_ATTACK_SUM_STEPS

static double step_energy(const BmAttackToSustain* self, int64_t step, double* n_frames)
{
   const uint64_t slot = (uint64_t)step % BM_ATTACK_STEPS;
   const int is_heard = step >= 0 && (uint64_t)step < self->mem.n_steps; /* silence before the stream */
   *n_frames = is_heard ? self->mem.step_count[slot] : self->cfg.step_frames;
   return is_heard ? self->mem.step_energy[slot] : 0.0;
}

static uint32_t smaller(uint32_t a, uint32_t b)
{
   return a < b ? a : b;
}

static void begin_settling(BmAttackToSustain* self, double time_s)
{
   BmAttackSettling* s = &self->mem.settling;
   s->first = (int64_t)((time_s - SEARCH_BEFORE_S) * STEPS_PER_S);
   s->position = 0;
   s->sum_energy[0] = 0.0;
   s->sum_frames[0] = 0.0;
   s->highest = 0.0;
   s->steepest = 0.0;
   s->onset = s->first;
   s->stage = SUMS;
}

static void add_up_steps(BmAttackToSustain* self)
{
   BmAttackSettling* s = &self->mem.settling;
   const uint32_t end = smaller(s->position + SUMS_AT_ONCE, SUM_STEPS);
   for (uint32_t i = s->position; i < end; ++i) {
      double n_frames;
      s->sum_energy[i + 1] = s->sum_energy[i] + step_energy(self, s->first - SLOPE_STEPS + i, &n_frames);
      s->sum_frames[i + 1] = s->sum_frames[i] + n_frames;
   }
   s->position = end;
   if (end == SUM_STEPS) {
      s->stage = SLOPES;
      s->position = 0;
   }
}

/* Mean square of the slope from each step on. */
static void add_up_slopes(BmAttackToSustain* self)
{
   BmAttackSettling* s = &self->mem.settling;
   const uint32_t end = smaller(s->position + SLOPES_AT_ONCE, SUM_STEPS - SLOPE_STEPS);
   for (uint32_t i = s->position; i < end; ++i) {
      const double energy = s->sum_energy[i + SLOPE_STEPS] - s->sum_energy[i];
      const double n_frames = s->sum_frames[i + SLOPE_STEPS] - s->sum_frames[i];
      s->slope_power[i] = energy / (n_frames * self->cfg.n_channels);
   }
   for (uint32_t i = s->position > SLOPE_STEPS ? s->position : SLOPE_STEPS; i < end; ++i) {
      s->highest = s->slope_power[i] > s->highest ? s->slope_power[i] : s->highest;
   }
   s->position = end;
   if (end == SUM_STEPS - SLOPE_STEPS) {
      s->stage = RISES;
      s->position = 0;
   }
}

static void find_steepest(BmAttackToSustain* self)
{
   BmAttackSettling* s = &self->mem.settling;
   const double* before = s->slope_power; /* of the slope that ends where the one after begins */
   const double* after = before + SLOPE_STEPS;
   const double quiet = 1e-3 * s->highest + 1e-15;
   const uint32_t end = smaller(s->position + RISES_AT_ONCE, SEARCH_STEPS);
   for (uint32_t i = s->position; i < end; ++i) {
      const double rise = (after[i] + quiet) / (before[i] + quiet);
      if (rise > s->steepest) {
         s->steepest = rise;
         s->onset = s->first + i;
      }
   }
   s->position = end;
   if (end < SEARCH_STEPS) {
      return;
   }
   const double onset_s = (double)s->onset / STEPS_PER_S;
   const bool counts =
      s->onset >= 0 && s->steepest >= MIN_RISE && onset_s >= self->mem.last_onset_s + MIN_GAP_S;
   if (counts) {
      self->mem.last_onset_s = onset_s;
   }
   s->stage = counts ? ATTACK : SETTLED;
}

/* Energy and frames from step `first` to before `end`, all of which are kept, come to those before. */
static void add_power(BmAttackToSustain* self, int64_t first, int64_t end)
{
   BmAttackSettling* s = &self->mem.settling;
   for (int64_t step = first; step < end; ++step) {
      const uint64_t slot = (uint64_t)step % BM_ATTACK_STEPS;
      s->energy[slot % 4] += self->mem.step_energy[slot]; /* so that none waits for another */
      s->n_frames += self->mem.step_count[slot];
   }
}

static double taken_power(BmAttackToSustain* self)
{
   BmAttackSettling* s = &self->mem.settling;
   const double sum = (s->energy[0] + s->energy[1]) + (s->energy[2] + s->energy[3]);
   const double power = s->n_frames > 0 ? sum / ((double)s->n_frames * self->cfg.n_channels) : 0.0;
   memset(s->energy, 0, sizeof s->energy);
   s->n_frames = 0;
   return power;
}

static void hear_attack(BmAttackToSustain* self)
{
   BmAttackSettling* s = &self->mem.settling;
   add_power(self, s->onset, s->onset + (int64_t)(ATTACK_S * STEPS_PER_S));
   s->attack_power = taken_power(self);
   s->stage = SUSTAIN;
   s->position = (uint32_t)(SUSTAIN_FROM_S * STEPS_PER_S);
}

static void hear_sustain(BmAttackToSustain* self)
{
   BmAttackSettling* s = &self->mem.settling;
   const uint32_t last = (uint32_t)(SUSTAIN_TO_S * STEPS_PER_S);
   const uint32_t end = smaller(s->position + SUSTAIN_AT_ONCE, last);
   add_power(self, s->onset + s->position, s->onset + end);
   s->position = end;
   if (end < last) {
      return;
   }
   const double sustain_power = taken_power(self);
   if (s->attack_power > 0.0 && sustain_power > 0.0) {
      self->mem.sum_db += 10.0 * log10(s->attack_power / sustain_power);
      ++self->mem.n_onsets;
   }
   s->stage = SETTLED;
}

/* Go on settling the instant of an onset and counting it with its two powers. */
static void settle(BmAttackToSustain* self)
{
   const double heard_s = (double)self->mem.n_steps / STEPS_PER_S;
   switch (self->mem.settling.stage) {
   case SUMS:
      add_up_steps(self);
      break;
   case SLOPES:
      add_up_slopes(self);
      break;
   case RISES:
      find_steepest(self);
      break;
   case ATTACK:
      hear_attack(self);
      break;
   case SUSTAIN:
      hear_sustain(self);
      break;
   default:
      if (self->mem.n_waiting > 0 && self->mem.waiting_s[0] + SEARCH_AFTER_S + SUSTAIN_TO_S <= heard_s) {
         begin_settling(self, self->mem.waiting_s[0]);
         --self->mem.n_waiting;
         memmove(self->mem.waiting_s, self->mem.waiting_s + 1, self->mem.n_waiting * sizeof(double));
      }
      return;
   }
   self->mem.spent_units += UNITS_PER_SETTLING;
}

/* Whether `value` stands over the median of all by the threshold: over more than half of them, that is. */
static bool is_over_median(const BmAttackToSustain* self, double value)
{
   uint32_t n_under = 0;
   for (uint32_t hop = 0; hop < BM_ATTACK_FLUX_HOPS; ++hop) {
      n_under += self->mem.flux_db[hop] + THRESHOLD_DB < value;
   }
   return n_under > BM_ATTACK_FLUX_HOPS / 2;
}

static void pick_peak(BmAttackToSustain* self)
{
   const double centre = self->mem.flux_db[HOPS_BEFORE];
   for (uint32_t hop = HOPS_BEFORE - PEAK_HOPS; hop <= HOPS_BEFORE + PEAK_HOPS; ++hop) {
      if (self->mem.flux_db[hop] > centre || (self->mem.flux_db[hop] == centre && hop < HOPS_BEFORE)) {
         return;
      }
   }
   if (is_over_median(self, centre) && self->mem.n_waiting < BM_ATTACK_WAITING_MAX) {
      self->mem.waiting_s[self->mem.n_waiting++] = self->mem.flux_time_s[HOPS_BEFORE];
   }
}

/* Levels of all bands; those that are none read the floor. */
static void band_levels(float band_power[BM_ATTACK_BANDS_MAX], float floor_power)
{
   for (uint32_t band = 0; band < BM_ATTACK_BANDS_MAX; band += BM_FLOATS_STEP) {
      BmFloats* level = (BmFloats*)(band_power + band);
      const BmFloats power = *level + floor_power;
      bm_floats_log2(&power, level);
      *level *= 3.01029996f;
   }
}

static void take_levels(BmAttackToSustain* self)
{
   float* band_power = self->mem.band_power;
   double loudest = self->mem.loudest_power;
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      loudest = (double)band_power[band] > loudest ? (double)band_power[band] : loudest;
   }
   self->mem.loudest_power = loudest;
   band_levels(band_power, (float)fmax(FLOOR_POWER, FLOOR_UNDER_LOUDEST * loudest));
   self->mem.stage = FLUX;
}

static void take_flux(BmAttackToSustain* self)
{
   double flux_db = 0.0;
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      const double level_db = (double)self->mem.band_power[band];
      const double rise_db = level_db - self->mem.band_db[1][band];
      flux_db += self->cfg.band_weight[band] * (rise_db > 0.0 ? rise_db : 0.0);
      self->mem.band_db[1][band] = self->mem.band_db[0][band];
      self->mem.band_db[0][band] = level_db;
   }
   memmove(self->mem.flux_db, self->mem.flux_db + 1, (BM_ATTACK_FLUX_HOPS - 1) * sizeof(double));
   memmove(self->mem.flux_time_s, self->mem.flux_time_s + 1, (BM_ATTACK_FLUX_HOPS - 1) * sizeof(double));
   self->mem.flux_db[BM_ATTACK_FLUX_HOPS - 1] = flux_db;
   self->mem.flux_time_s[BM_ATTACK_FLUX_HOPS - 1] = self->mem.transform_time_s;
   pick_peak(self);
   self->mem.stage = IDLE;
}

/* Left as the real part, right as the imaginary. */
BM_CLONES static void lay_window(BmAttackToSustain* self, uint32_t first, uint32_t end, const float* left,
                                 const float* right)
{
   for (uint32_t n = first; n < end; n += BM_FLOATS_STEP) {
      const BmFloats window = *(const BmFloats*)(self->window + n);
      *(BmFloats*)(self->re + n) = *(const BmFloats*)(left + n - first) * window;
      *(BmFloats*)(self->im + n) = *(const BmFloats*)(right + n - first) * window;
   }
}

/* The ring's end falls between eights. */
static uint32_t lay(BmAttackToSustain* self, uint32_t units)
{
   const uint32_t first = self->mem.position;
   const uint32_t end = smaller(first + units * FRAMES_LAID_PER_UNIT, self->cfg.size_frames);
   const uint32_t at = (self->mem.oldest + first) % self->cfg.ring_frames;
   const uint32_t turn = smaller(end, first + self->cfg.ring_frames - at);
   lay_window(self, first, turn, self->heard[0] + at, self->heard[1] + at);
   lay_window(self, turn, end, self->heard[0], self->heard[1]);
   self->mem.position = end;
   if (end == self->cfg.size_frames) {
      self->mem.transform = (BmFftProgress){0};
      self->mem.stage = TRANSFORM;
      self->mem.position = 0;
   }
   return (end - first + FRAMES_LAID_PER_UNIT - 1) / FRAMES_LAID_PER_UNIT;
}

static uint32_t transform(BmAttackToSustain* self, uint32_t units)
{
   const uint32_t size = self->cfg.size_frames;
   const uint32_t step_units = bm_fft_is_in_last_pass(size, &self->mem.transform) ? UNITS_PER_LAST_STEP : 1;
   const uint32_t n_steps = (units + step_units - 1) / step_units;
   if (bm_fft_work(self->fft_table, size, &self->mem.transform, n_steps, self->re, self->im)) {
      self->mem.stage = POWERS;
      self->mem.position = 0;
   }
   return n_steps * step_units;
}

/* Powers of all bins where they lie, over the real parts. */
BM_CLONES static void square_bins(BmAttackToSustain* self, uint32_t first, uint32_t end)
{
   for (uint32_t n = first; n < end; n += BM_FLOATS_STEP) {
      const BmFloats re = *(const BmFloats*)(self->re + n);
      const BmFloats im = *(const BmFloats*)(self->im + n);
      *(BmFloats*)(self->re + n) = re * re + im * im;
   }
}

static uint32_t square(BmAttackToSustain* self, uint32_t units)
{
   const uint32_t first = self->mem.position;
   const uint32_t end = smaller(first + units * BINS_SQUARED_PER_UNIT, self->cfg.size_frames);
   square_bins(self, first, end);
   self->mem.position = end;
   if (end == self->cfg.size_frames) {
      self->mem.stage = BINS;
      self->mem.position = self->cfg.band_edge[0] / BM_FLOATS_STEP * BM_FLOATS_STEP;
   }
   return (end - first) / BINS_SQUARED_PER_UNIT;
}

/* Of bin and mirror together, in order, over the imaginary parts, which are done with. */
BM_CLONES static void gather_bins(BmAttackToSustain* self, uint32_t first, uint32_t end)
{
   for (uint32_t k = first; k < end; k += BM_FLOATS_STEP) {
      BmFloats power;
      for (uint32_t lane = 0; lane < BM_FLOATS_STEP; ++lane) {
         power[lane] = self->re[self->place[0][k + lane]] + self->re[self->place[1][k + lane]];
      }
      *(BmFloats*)(self->im + k) = power;
   }
}

static uint32_t gather(BmAttackToSustain* self, uint32_t units)
{
   const uint32_t first = self->mem.position;
   const uint32_t last = self->cfg.band_edge[self->cfg.n_bands];
   const uint32_t end = smaller(first + (units / UNITS_PER_GATHERED + 1) * BM_FLOATS_STEP, last);
   gather_bins(self, first, end);
   self->mem.position = end;
   if (end == last) {
      self->mem.stage = BANDS;
      self->mem.position = 0;
      memset(self->mem.band_power, 0, sizeof self->mem.band_power);
   }
   return (end - first + BM_FLOATS_STEP - 1) / BM_FLOATS_STEP * UNITS_PER_GATHERED;
}

/* Sums between the bands' edges; by eight lanes, so that none waits for another. */
BM_CLONES static void add_up_bands(const float* power, const uint32_t* edge, uint32_t n_bands, float* sums)
{
   for (uint32_t band = 0; band < n_bands; ++band) {
      BmFloats lanes = {0.0f};
      uint32_t k = edge[band];
      for (; k + BM_FLOATS_STEP <= edge[band + 1]; k += BM_FLOATS_STEP) {
         lanes += *(const BmFloats*)(power + k);
      }
      float sum = 0.0f;
      for (; k < edge[band + 1]; ++k) {
         sum += power[k];
      }
      sums[band] = ((lanes[0] + lanes[1]) + (lanes[2] + lanes[3])) +
                   ((lanes[4] + lanes[5]) + (lanes[6] + lanes[7])) + sum;
   }
}

static uint32_t add_up(BmAttackToSustain* self, uint32_t units)
{
   const uint32_t first = self->mem.position;
   const uint32_t end = smaller(first + units / UNITS_PER_BAND + 1, self->cfg.n_bands);
   float* band_power = self->mem.band_power;
   add_up_bands(self->im, self->cfg.band_edge + first, end - first, band_power + first);
   /* Parseval; 3/8 is the mean square of the window, and half the sum of a bin and its mirror is both
    * channels'. */
   const double size = self->cfg.size_frames;
   const double scale = 1.0 / (size * size * 0.375 * self->cfg.n_channels);
   for (uint32_t band = first; band < end; ++band) {
      band_power[band] = (float)(scale * (double)band_power[band]);
   }
   self->mem.position = end;
   if (end == self->cfg.n_bands) {
      self->mem.stage = LEVELS;
   }
   return (end - first) * UNITS_PER_BAND;
}

/* What all stages take. */
static uint32_t units_a_hop(const BmAttackToSustain* self)
{
   const uint32_t size = self->cfg.size_frames;
   return size / FRAMES_LAID_PER_UNIT + bm_fft_steps(size) +
          bm_fft_pass_steps(size) * (UNITS_PER_LAST_STEP - 1) + size / BINS_SQUARED_PER_UNIT +
          (self->cfg.band_edge[self->cfg.n_bands] / BM_FLOATS_STEP + 1) * UNITS_PER_GATHERED +
          self->cfg.n_bands * UNITS_PER_BAND + UNITS_FOR_LEVELS + UNITS_FOR_FLUX;
}

static uint32_t work_on(BmAttackToSustain* self, uint32_t units)
{
   switch (self->mem.stage) {
   case WINDOW:
      return lay(self, units);
   case TRANSFORM:
      return transform(self, units);
   case POWERS:
      return square(self, units);
   case BINS:
      return gather(self, units);
   case BANDS:
      return add_up(self, units);
   case LEVELS:
      take_levels(self);
      return UNITS_FOR_LEVELS;
   default:
      take_flux(self);
      return UNITS_FOR_FLUX;
   }
}

/* A piece of what the last hop left to be done: what one before took too much, this one has less. */
static void work(BmAttackToSustain* self)
{
   const int32_t given = self->mem.units_given + (int32_t)self->cfg.piece_units;
   int32_t left = given;
   while (self->mem.stage != IDLE && left > 0) {
      left -= (int32_t)work_on(self, (uint32_t)left);
   }
   self->mem.spent_units += (uint64_t)(given - left);
   self->mem.units_given = self->mem.stage == IDLE ? 0 : left;
}

/* Its first piece before the next frame overwrites what the window no longer needs. */
static void finish_hop(BmAttackToSustain* self)
{
   self->mem.transform_time_s =
      ((double)self->mem.n_frames - 0.5 * self->cfg.size_frames) / self->cfg.rate_hz;
   self->mem.oldest = (self->mem.write_index + self->cfg.hop_frames) % self->cfg.ring_frames;
   self->mem.position = 0;
   self->mem.stage = WINDOW;
   self->mem.pending_frames = 0;
   work(self);
}

/* Of n_frames and up to seven more, which do not count. */
BM_CLONES static double energy_of(const float* left, const float* right, uint32_t n_frames)
{
   const BmFloatsBits lane = {0, 1, 2, 3, 4, 5, 6, 7};
   BmFloats sum = {0.0f};
   for (uint32_t i = 0; i < n_frames; i += BM_FLOATS_STEP) {
      const BmFloats l = *(const BmFloats*)(left + i);
      const BmFloats r = *(const BmFloats*)(right + i);
      const BmFloatsBits counts = lane < (int32_t)(n_frames - i);
      sum += (BmFloats)(counts & (BmFloatsBits)(l * l + r * r));
   }
   return (double)(((sum[0] + sum[1]) + (sum[2] + sum[3])) + ((sum[4] + sum[5]) + (sum[6] + sum[7])));
}

static void finish_step(BmAttackToSustain* self)
{
   const uint64_t slot = self->mem.n_steps % BM_ATTACK_STEPS;
   const uint32_t n_frames = (uint32_t)(self->mem.step_end - self->mem.step_begin);
   const uint32_t ago = (uint32_t)(self->mem.n_frames - self->mem.step_begin);
   const uint32_t first = (self->mem.write_index + self->cfg.ring_frames - ago) % self->cfg.ring_frames;
   self->mem.step_energy[slot] = energy_of(self->heard[0] + first, self->heard[1] + first, n_frames);
   self->mem.step_count[slot] = n_frames;
   ++self->mem.n_steps;
   self->mem.step_begin = self->mem.step_end;
   self->mem.step_end = (uint64_t)ceil((double)(self->mem.n_steps + 1) * self->cfg.step_frames);
   if (self->mem.n_steps % self->cfg.piece_steps == 0) {
      work(self);
   }
   settle(self);
}

size_t bm_attack_to_sustain_bytes(double sample_rate_hz)
{
   const uint32_t size = transform_size(sample_rate_hz);
   return rounded(BM_FFT_TABLE_FLOATS(size) * sizeof(float)) + 2 * rounded(size / 2 * sizeof(uint32_t)) +
          3 * rounded(size * sizeof(float)) + 2 * rounded(heard_bytes(sample_rate_hz));
}

static void* take(char** at, size_t bytes)
{
   void* taken = *at;
   *at += rounded(bytes);
   return taken;
}

BmStatus bm_attack_to_sustain_init(BmAttackToSustain* self, void* memory, double sample_rate_hz,
                                   uint32_t n_channels)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (!memory || n_channels < 1 || n_channels > 2) {
      return BM_BAD_ARGUMENT;
   }
   const uint32_t size = transform_size(sample_rate_hz);
   self->cfg.rate_hz = sample_rate_hz;
   self->cfg.n_channels = n_channels;
   self->cfg.size_frames = size;
   self->cfg.hop_frames = size / OVERLAP;
   self->cfg.step_frames = sample_rate_hz / STEPS_PER_S;
   self->cfg.ring_frames = ring_frames(size);
   self->cfg.run_frames = run_frames(sample_rate_hz);
   char* at = memory;
   self->fft_table = take(&at, BM_FFT_TABLE_FLOATS(size) * sizeof(float));
   self->place[0] = take(&at, size / 2 * sizeof(uint32_t));
   self->place[1] = take(&at, size / 2 * sizeof(uint32_t));
   self->window = take(&at, size * sizeof(float));
   self->heard[0] = take(&at, heard_bytes(sample_rate_hz));
   self->heard[1] = take(&at, heard_bytes(sample_rate_hz));
   self->re = take(&at, size * sizeof(float));
   self->im = take(&at, size * sizeof(float));
   bm_fft_init(self->fft_table, size);
   for (uint32_t k = 0; k < size / 2; ++k) {
      self->place[0][k] = bm_fft_place(size, k);
      self->place[1][k] = bm_fft_place(size, (size - k) % size);
   }
   for (uint32_t n = 0; n < size; ++n) {
      self->window[n] = (float)(0.5 - 0.5 * cos(2.0 * PI * n / size));
   }
   /* Third octaves, each at least one bin. A band of few bins flutters: it counts by the root of its bins. */
   const double bin_hz = sample_rate_hz / size;
   double edge_hz = LOWEST_BAND_HZ;
   double sum = 0.0;
   self->cfg.n_bands = 0;
   self->cfg.band_edge[0] = (uint32_t)fmax(1.0, round(edge_hz / bin_hz));
   while (self->cfg.n_bands < BM_ATTACK_BANDS_MAX && edge_hz < fmin(HIGHEST_BAND_HZ, 0.45 * sample_rate_hz)) {
      edge_hz *= cbrt(2.0);
      const uint32_t bin = (uint32_t)round(edge_hz / bin_hz);
      const uint32_t last = self->cfg.band_edge[self->cfg.n_bands];
      if (bin > last && bin < size / 2) {
         const double weight = sqrt(fmin(bin - last, 8.0));
         self->cfg.band_weight[self->cfg.n_bands] = weight;
         sum += weight;
         self->cfg.band_edge[++self->cfg.n_bands] = bin;
      }
   }
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      self->cfg.band_weight[band] /= sum;
   }
   self->cfg.piece_steps = self->cfg.step_frames < PIECE_FRAMES_LEAST ? 2 : 1;
   const double piece_frames = self->cfg.piece_steps * self->cfg.step_frames;
   const uint32_t n_pieces = (uint32_t)(self->cfg.hop_frames / piece_frames);
   self->cfg.piece_units = (units_a_hop(self) + n_pieces - 1) / n_pieces;
   bm_attack_to_sustain_reset(self);
   return BM_OK;
}

void bm_attack_to_sustain_reset(BmAttackToSustain* self)
{
   memset(&self->mem, 0, sizeof self->mem);
   memset(self->heard[0], 0, heard_bytes(self->cfg.rate_hz));
   memset(self->heard[1], 0, heard_bytes(self->cfg.rate_hz));
   for (uint32_t band = 0; band < self->cfg.n_bands; ++band) {
      self->mem.band_db[0][band] = 10.0 * log10(FLOOR_POWER);
      self->mem.band_db[1][band] = 10.0 * log10(FLOOR_POWER);
   }
   self->mem.last_onset_s = -1.0;
   self->mem.step_end = (uint64_t)ceil(self->cfg.step_frames);
}

/* No more than is left of a hop, and so of the ring. */
BM_CLONES static void hear(BmAttackToSustain* self, const BmFrame* in, uint32_t n_frames)
{
   const uint32_t at = self->mem.write_index;
   float* left = self->heard[0] + at;
   float* right = self->heard[1] + at;
   const float is_pair = self->cfg.n_channels == 2 ? 1.0f : 0.0f;
   for (uint32_t n = 0; n < n_frames; ++n) {
      left[n] = (float)in[n][0];
      right[n] = is_pair * (float)in[n][1];
   }
   if (at < self->cfg.run_frames) {
      const size_t n_again = smaller(n_frames, self->cfg.run_frames - at) * sizeof *left;
      memcpy(left + self->cfg.ring_frames, left, n_again);
      memcpy(right + self->cfg.ring_frames, right, n_again);
   }
   self->mem.write_index = at + n_frames < self->cfg.ring_frames ? at + n_frames : 0;
   self->mem.n_frames += n_frames;
   self->mem.pending_frames += n_frames;
}

void bm_attack_to_sustain_process(BmAttackToSustain* self, const BmFrame* in, uint32_t n_frames)
{
   while (n_frames > 0) {
      const uint32_t n = smaller(n_frames, self->cfg.hop_frames - self->mem.pending_frames);
      hear(self, in, n);
      while (self->mem.step_end <= self->mem.n_frames) {
         finish_step(self);
      }
      if (self->mem.pending_frames == self->cfg.hop_frames) {
         finish_hop(self);
      }
      in += n;
      n_frames -= n;
   }
}

double bm_attack_to_sustain_db(const BmAttackToSustain* self)
{
   return self->mem.n_onsets > 0 ? self->mem.sum_db / self->mem.n_onsets : 0.0;
}

uint32_t bm_attack_to_sustain_onsets(const BmAttackToSustain* self)
{
   return self->mem.n_onsets;
}
