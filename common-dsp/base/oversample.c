/* SPDX-License-Identifier: ISC */
#include "base/oversample.h"

#include "base/clones.h"

#include <math.h>
#include <string.h>

static const double pi = 3.14159265358979323846;

/* Kaiser's rules miss by up to 8 dB for filters this short; designing for 8 dB more meets 100 and 120 dB. */
static const double attenuation_db[] = {[BM_QUALITY_LIVE] = 108.0, [BM_QUALITY_RENDER] = 128.0};

/* Rounding to this leaves -145 dB. */
#define TAP_STEP 0x1p-25

#define SCRATCH (2 * BM_OVERSAMPLE_BLOCK_FRAMES * BM_OVERSAMPLE_MAX_FACTOR + 2 * BM_OVERSAMPLE_MAX_FACTOR + 8)

/* Modified Bessel function of the first kind, order 0: its power series. */
static double bessel_i0(double x)
{
   double sum = 1.0;
   double term = 1.0;
   for (int k = 1; term > 1e-17 * sum; ++k) {
      term *= (0.5 * x / k) * (0.5 * x / k);
      sum += term;
   }
   return sum;
}

/* A half-band filter between rate_hz and 2 rate_hz: it passes pass_hz and stops from rate_hz - pass_hz. */
static void design_halfband(BmHalfbandTaps* self, double rate_hz, double pass_hz, double stop_db)
{
   const double transition_rad = 2.0 * pi * (rate_hz - 2.0 * pass_hz) / (2.0 * rate_hz);
   const double n_taps = (stop_db - 7.95) / (2.285 * transition_rad) + 1.0;
   const uint32_t n_pairs = (uint32_t)ceil((n_taps + 1.0) / 4.0);
   self->n_pairs = n_pairs < BM_HALFBAND_MAX_PAIRS ? n_pairs : BM_HALFBAND_MAX_PAIRS;
   const double beta = 0.1102 * (stop_db - 8.7);
   double tap[BM_HALFBAND_MAX_PAIRS];
   double sum = 0.0;
   for (uint32_t i = 0; i < self->n_pairs; ++i) {
      const double offset = 2.0 * i + 1.0;
      const double x = offset / (2.0 * self->n_pairs);
      tap[i] = sin(0.5 * pi * offset) / (0.5 * pi * offset) * bessel_i0(beta * sqrt(1.0 - x * x));
      sum += tap[i];
   }
   /* Unity at zero frequency makes the stop band at the high rate's half exact as well: the taps are whole
      steps, few enough that single precision holds them, and the largest takes what is missing. */
   double rest = 0.5;
   for (uint32_t i = self->n_pairs; i-- > 1;) {
      const double rounded = TAP_STEP * round(0.5 * tap[i] / sum / TAP_STEP);
      self->tap[i] = (float)rounded;
      rest -= rounded;
   }
   self->tap[0] = (float)rest;
}

/* Four frames, left and right in turn, from anywhere in a window. */
typedef float Frames4 __attribute__((vector_size(32), aligned(4), may_alias));

/* As many of them side by side as keep the adders busy. */
#define N_SIDE_BY_SIDE 4

/* The filter without its centre for `n_fours` times four frames, the first `n_pairs` behind `centre`: frames
   at the same distance from the centre are folded onto one another. */
BM_INLINE void fold(const BmHalfband* self, const float* centre, Frames4* sum, uint32_t n_fours)
{
   for (uint32_t j = 0; j < n_fours; ++j) {
      sum[j] = (Frames4){0.0F};
   }
   /* Every fourth pair, for what one of them reads is what the next one's neighbour does. */
   for (uint32_t first = 0; first < 4; ++first) {
      Frames4 before[N_SIDE_BY_SIDE];
      Frames4 after[N_SIDE_BY_SIDE];
      for (uint32_t j = 1; j < n_fours; ++j) {
         before[j] = *(const Frames4*)(centre - 2 - 2 * (size_t)first + 8 * j);
         after[j - 1] = *(const Frames4*)(centre + 2 * (size_t)first + 8 * (j - 1));
      }
      for (uint32_t i = first; i < self->coef.n_pairs; i += 4) {
         before[0] = *(const Frames4*)(centre - 2 - 2 * (size_t)i);
         after[n_fours - 1] = *(const Frames4*)(centre + 2 * (size_t)i + 8 * (n_fours - 1));
         for (uint32_t j = 0; j < n_fours; ++j) {
            sum[j] += self->coef.tap[i] * (before[j] + after[j]);
         }
         for (uint32_t j = 1; j < n_fours; ++j) {
            before[n_fours - j] = before[n_fours - j - 1];
            after[j - 1] = after[j];
         }
      }
   }
}

/* All of these work on whole fours: what lies behind the last frame is worth nothing. */

BM_INLINE void filter(const BmHalfband* self, const float* window, Frames4* sum, uint32_t n_fours)
{
   const float* centre = window + 2 * (size_t)self->coef.n_pairs;
   uint32_t i = 0;
   for (; i + N_SIDE_BY_SIDE <= n_fours; i += N_SIDE_BY_SIDE) {
      Frames4 side_by_side[N_SIDE_BY_SIDE];
      fold(self, centre + 8 * (size_t)i, side_by_side, N_SIDE_BY_SIDE);
      for (uint32_t j = 0; j < N_SIDE_BY_SIDE; ++j) {
         sum[i + j] = side_by_side[j];
      }
   }
   for (; i < n_fours; ++i) {
      Frames4 one[1];
      fold(self, centre + 8 * (size_t)i, one, 1);
      sum[i] = one[0];
   }
}

/* Where the newest frames go. */
BM_INLINE float* end_of_window(const BmHalfband* self, float* window)
{
   return window + 2 * (2 * (size_t)self->coef.n_pairs - 1);
}

/* What has been filtered falls out of the window's front. */
BM_INLINE void move_on(float* window, uint32_t n_kept, uint32_t n_frames)
{
   const Frames4* from = (const Frames4*)(window + 2 * (size_t)n_frames);
   for (uint32_t i = 0; i < (n_kept + 3) / 4; ++i) {
      ((Frames4*)window)[i] = from[i];
   }
}

/* What lies at the window's end [n_frames], to twice as many. */
BM_INLINE void halfband_up(BmHalfband* self, float* out, uint32_t n_frames)
{
   const uint32_t n_pairs = self->coef.n_pairs;
   const uint32_t n_fours = (n_frames + 3) / 4;
   Frames4 sum[BM_HALFBAND_PIECE_FRAMES / 4];
   filter(self, self->mem.up, sum, n_fours);
   const Frames4* centre = (const Frames4*)(self->mem.up + 2 * (size_t)n_pairs);
   for (uint32_t i = 0; i < n_fours; ++i) {
      Frames4* to = (Frames4*)out + 2 * (size_t)i;
      to[0] = __builtin_shufflevector(sum[i], centre[i], 0, 1, 8, 9, 2, 3, 10, 11);
      to[1] = __builtin_shufflevector(sum[i], centre[i], 4, 5, 12, 13, 6, 7, 14, 15);
   }
   move_on(self->mem.up, 2 * n_pairs - 1, n_frames);
}

/* [n_frames] from twice as many; `out` may be `in`. */
BM_INLINE void halfband_down(BmHalfband* self, const float* in, float* out, uint32_t n_frames)
{
   const uint32_t n_pairs = self->coef.n_pairs;
   const uint32_t n_fours = (n_frames + 3) / 4;
   Frames4 sum[BM_HALFBAND_PIECE_FRAMES / 4];
   Frames4* even = (Frames4*)end_of_window(self, self->mem.down);
   Frames4* odd = (Frames4*)(self->mem.down_odd + 2 * (size_t)n_pairs);
   for (uint32_t i = 0; i < n_fours; ++i) {
      const Frames4* from = (const Frames4*)in + 2 * (size_t)i;
      even[i] = __builtin_shufflevector(from[0], from[1], 0, 1, 4, 5, 8, 9, 12, 13);
      odd[i] = __builtin_shufflevector(from[0], from[1], 2, 3, 6, 7, 10, 11, 14, 15);
   }
   filter(self, self->mem.down, sum, n_fours);
   const Frames4* centre = (const Frames4*)self->mem.down_odd;
   for (uint32_t i = 0; i < n_fours; ++i) {
      ((Frames4*)out)[i] = 0.5F * (sum[i] + centre[i]);
   }
   move_on(self->mem.down, 2 * n_pairs - 1, n_frames);
   move_on(self->mem.down_odd, n_pairs, n_frames);
}

BmStatus bm_oversample_design(BmOversampleDesign* self, double sample_rate_hz, uint32_t factor,
                              BmQuality quality, uint32_t inner_delay_frames)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (factor == 0 || factor > BM_OVERSAMPLE_MAX_FACTOR || (factor & (factor - 1)) != 0) {
      return BM_BAD_ARGUMENT;
   }
   memset(self, 0, sizeof *self);
   self->cfg.factor = factor;
   const double pass_hz = fmin(fmax(20000.0, 0.3 * sample_rate_hz), 20000.0 / 44100.0 * sample_rate_hz);
   uint32_t delay_frames = inner_delay_frames; /* at the high rate */
   for (uint32_t step = factor; step > 1; step /= 2) {
      BmHalfbandTaps* stage = &self->stage[self->cfg.n_stages];
      design_halfband(stage, sample_rate_hz * (double)(1u << self->cfg.n_stages), pass_hz,
                      attenuation_db[quality]);
      delay_frames += (4 * stage->n_pairs - 2) * step / 2;
      ++self->cfg.n_stages;
   }
   self->cfg.pad_frames = (factor - delay_frames % factor) % factor;
   self->cfg.latency_frames = (delay_frames + self->cfg.pad_frames) / factor;
   return BM_OK;
}

void bm_oversample_begin(BmOversample* self, const BmOversampleDesign* design)
{
   self->cfg = design->cfg;
   for (uint32_t i = 0; i < design->cfg.n_stages; ++i) {
      self->stage[i].coef = design->stage[i];
   }
   bm_oversample_reset(self);
}

BmStatus bm_oversample_init(BmOversample* self, double sample_rate_hz, uint32_t factor, BmQuality quality,
                            uint32_t inner_delay_frames)
{
   BmOversampleDesign design;
   const BmStatus status = bm_oversample_design(&design, sample_rate_hz, factor, quality, inner_delay_frames);
   if (status == BM_OK) {
      bm_oversample_begin(self, &design);
   }
   return status;
}

uint32_t bm_oversample_factor(double sample_rate_hz, uint32_t factor_at_48k)
{
   uint32_t factor = factor_at_48k;
   for (double rate_hz = 68000.0; factor > 1 && sample_rate_hz > rate_hz; rate_hz *= 2.0) {
      factor /= 2;
   }
   return factor;
}

void bm_oversample_reset(BmOversample* self)
{
   for (uint32_t i = 0; i < self->cfg.n_stages; ++i) {
      memset(&self->stage[i].mem, 0, sizeof self->stage[i].mem);
   }
   memset(&self->mem, 0, sizeof self->mem);
}

uint32_t bm_oversample_latency_frames(const BmOversample* self)
{
   return self->cfg.latency_frames;
}

/* Two frames in single precision. */
typedef float Frames2 __attribute__((vector_size(16), aligned(4), may_alias));

BM_INLINE void to_single(const BmFrame* in, float* out, uint32_t n_frames)
{
   uint32_t n = 0;
   for (; n + 2 <= n_frames; n += 2) {
      *(Frames2*)(out + 2 * (size_t)n) = __builtin_convertvector(*(const BmFramePair*)(in + n), Frames2);
   }
   if (n < n_frames) {
      out[2 * n] = (float)in[n][0];
      out[2 * n + 1] = (float)in[n][1];
   }
}

BM_INLINE void to_double(const float* in, BmFrame* out, uint32_t n_frames)
{
   uint32_t n = 0;
   for (; n + 2 <= n_frames; n += 2) {
      *(BmFramePair*)(out + n) = __builtin_convertvector(*(const Frames2*)(in + 2 * (size_t)n), BmFramePair);
   }
   if (n < n_frames) {
      out[n] = bm_frame((double)in[2 * n], (double)in[2 * n + 1]);
   }
}

BM_CLONES void bm_oversample_up(BmOversample* self, const BmFrame* in, BmFrame* high, uint32_t n_frames)
{
   if (self->cfg.n_stages == 0) {
      memcpy(high, in, n_frames * sizeof *high);
      return;
   }
   float scratch[SCRATCH];
   while (n_frames) {
      const uint32_t n_block = n_frames < BM_OVERSAMPLE_BLOCK_FRAMES ? n_frames : BM_OVERSAMPLE_BLOCK_FRAMES;
      uint32_t n = n_block;
      BmHalfband* stage = self->stage;
      BmHalfband* const last = stage + self->cfg.n_stages - 1;
      to_single(in, end_of_window(stage, stage->mem.up), n);
      for (; stage <= last; ++stage) {
         halfband_up(stage, stage < last ? end_of_window(stage + 1, stage[1].mem.up) : scratch, n);
         n *= 2;
      }
      to_double(scratch, high, n);
      in += n_block;
      high += n;
      n_frames -= n_block;
   }
}

BM_CLONES void bm_oversample_down(BmOversample* self, BmFrame* high, BmFrame* out, uint32_t n_frames)
{
   if (self->cfg.n_stages == 0) {
      memcpy(out, high, n_frames * sizeof *out);
      return;
   }
   float scratch[SCRATCH];
   const uint32_t n_padding = 2 * self->cfg.pad_frames;
   while (n_frames) {
      const uint32_t n_block = n_frames < BM_OVERSAMPLE_BLOCK_FRAMES ? n_frames : BM_OVERSAMPLE_BLOCK_FRAMES;
      uint32_t n = n_block * self->cfg.factor;
      memcpy(scratch, self->mem.pad, n_padding * sizeof *scratch);
      to_single(high, scratch + n_padding, n);
      memcpy(self->mem.pad, scratch + 2 * (size_t)n, n_padding * sizeof *scratch);
      high += n;
      for (uint32_t i = self->cfg.n_stages; i-- > 0;) {
         n /= 2;
         halfband_down(&self->stage[i], scratch, scratch, n);
      }
      to_double(scratch, out, n);
      out += n_block;
      n_frames -= n_block;
   }
}
