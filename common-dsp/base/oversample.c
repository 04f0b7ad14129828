/* SPDX-License-Identifier: ISC */
#include "base/oversample.h"

#include "base/fir.h"

#include <math.h>
#include <string.h>

static const double pi = 3.14159265358979323846;

/* Kaiser's rules miss by up to 8 dB for filters this short; designing for 8 dB more meets 100 and 120 dB. */
static const double attenuation_db[] = {[BM_QUALITY_LIVE] = 108.0, [BM_QUALITY_RENDER] = 128.0};

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
static void halfband_init(BmHalfband* self, double rate_hz, double pass_hz, double stop_db)
{
   const double transition_rad = 2.0 * pi * (rate_hz - 2.0 * pass_hz) / (2.0 * rate_hz);
   const double n_taps = (stop_db - 7.95) / (2.285 * transition_rad) + 1.0;
   const uint32_t n_pairs = (uint32_t)ceil((n_taps + 1.0) / 4.0);
   self->cfg.n_pairs = n_pairs < BM_HALFBAND_MAX_PAIRS ? n_pairs : BM_HALFBAND_MAX_PAIRS;
   const double beta = 0.1102 * (stop_db - 8.7);
   double tap[BM_HALFBAND_MAX_PAIRS];
   double sum = 0.0;
   for (uint32_t i = 0; i < self->cfg.n_pairs; ++i) {
      const double offset = 2.0 * (self->cfg.n_pairs - i) - 1.0;
      const double x = offset / (2.0 * self->cfg.n_pairs);
      tap[i] = sin(0.5 * pi * offset) / (0.5 * pi * offset) * bessel_i0(beta * sqrt(1.0 - x * x));
      sum += tap[i];
   }
   /* Unity at zero frequency makes the stop band at the high rate's half exact as well. Zeros in front fill
      the window up to a multiple of the sums that run side by side. */
   self->cfg.n_window = (2 * self->cfg.n_pairs + BM_FIR_STEP - 1) / BM_FIR_STEP * BM_FIR_STEP;
   BmFrame* first = &self->coef.tap[self->cfg.n_window - 2 * self->cfg.n_pairs];
   for (uint32_t i = 0; i < self->cfg.n_pairs; ++i) {
      first[i] = bm_frame_both(0.5 * tap[i] / sum);
      first[2 * self->cfg.n_pairs - 1 - i] = first[i];
   }
}

/* Both ways work on pieces: a piece is laid behind what is remembered, and the end of both is kept. */

/* `in` may be the second half of `out`: what is read lies at or behind what is written. */
BM_INLINE void halfband_up(BmHalfband* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   const uint32_t n_window = self->cfg.n_window;
   BmFrame* const window = self->mem.up;
   BmFrame* const piece = window + n_window - 1;
   const uint32_t centre = n_window - self->cfg.n_pairs;
   while (n_frames) {
      const uint32_t n_piece = n_frames < BM_HALFBAND_PIECE_FRAMES ? n_frames : BM_HALFBAND_PIECE_FRAMES;
      for (uint32_t n = 0; n < n_piece; ++n) {
         piece[n] = in[n];
      }
      for (uint32_t n = 0; n < n_piece; ++n) {
         out[2 * n] = bm_fir_sum(self->coef.tap, window + n, n_window);
         out[2 * n + 1] = window[n + centre];
      }
      memmove(window, window + n_piece, (n_window - 1) * sizeof *window);
      in += n_piece;
      out += 2 * n_piece;
      n_frames -= n_piece;
   }
}

/* `out` may be `in`. */
BM_INLINE void halfband_down(BmHalfband* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   const uint32_t n_window = self->cfg.n_window;
   const uint32_t n_pairs = self->cfg.n_pairs;
   BmFrame* const window = self->mem.down;
   BmFrame* const piece = window + n_window - 1;
   BmFrame* const odd = self->mem.down_odd;
   while (n_frames) {
      const uint32_t n_piece = n_frames < BM_HALFBAND_PIECE_FRAMES ? n_frames : BM_HALFBAND_PIECE_FRAMES;
      for (uint32_t n = 0; n < n_piece; ++n) {
         piece[n] = in[2 * n];
         odd[n_pairs + n] = in[2 * n + 1];
      }
      for (uint32_t n = 0; n < n_piece; ++n) {
         out[n] = 0.5 * (bm_fir_sum(self->coef.tap, window + n, n_window) + odd[n]);
      }
      memmove(window, window + n_piece, (n_window - 1) * sizeof *window);
      memmove(odd, odd + n_piece, n_pairs * sizeof *odd);
      in += 2 * n_piece;
      out += n_piece;
      n_frames -= n_piece;
   }
}

BmStatus bm_oversample_init(BmOversample* self, double sample_rate_hz, uint32_t factor, BmQuality quality,
                            uint32_t inner_delay_frames)
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
      BmHalfband* stage = &self->stage[self->cfg.n_stages];
      halfband_init(stage, sample_rate_hz * (double)(1u << self->cfg.n_stages), pass_hz,
                    attenuation_db[quality]);
      delay_frames += (4 * stage->cfg.n_pairs - 2) * step / 2;
      ++self->cfg.n_stages;
   }
   self->cfg.pad_frames = (factor - delay_frames % factor) % factor;
   self->cfg.latency_frames = (delay_frames + self->cfg.pad_frames) / factor;
   return BM_OK;
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

BM_CLONES void bm_oversample_up(BmOversample* self, const BmFrame* in, BmFrame* high, uint32_t n_frames)
{
   /* Each stage writes to the end of `high`, twice as long as the one before, over what it has read. */
   BmFrame* const end = high + (size_t)n_frames * self->cfg.factor;
   const BmFrame* from = in;
   uint32_t n = n_frames;
   for (uint32_t i = 0; i < self->cfg.n_stages; ++i) {
      BmFrame* to = end - 2 * (size_t)n;
      halfband_up(&self->stage[i], from, to, n);
      from = to;
      n *= 2;
   }
   if (self->cfg.n_stages == 0) {
      memcpy(high, in, n_frames * sizeof *high);
   }
}

BM_CLONES void bm_oversample_down(BmOversample* self, BmFrame* high, BmFrame* out, uint32_t n_frames)
{
   const uint32_t n_high = n_frames * self->cfg.factor;
   if (self->cfg.pad_frames) {
      for (uint32_t n = 0; n < n_high; ++n) {
         const BmFrame newest = high[n];
         high[n] = self->mem.pad[self->mem.pad_index];
         self->mem.pad[self->mem.pad_index] = newest;
         self->mem.pad_index = self->mem.pad_index + 1 < self->cfg.pad_frames ? self->mem.pad_index + 1 : 0;
      }
   }
   uint32_t n = n_high;
   for (uint32_t i = self->cfg.n_stages; i-- > 0;) {
      n /= 2;
      halfband_down(&self->stage[i], high, i ? high : out, n);
   }
   if (self->cfg.n_stages == 0) {
      memcpy(out, high, n_frames * sizeof *out);
   }
}
