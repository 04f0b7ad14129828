/* SPDX-License-Identifier: ISC */
#include "analysis/true_peak.h"

#include "base/decibel.h"

#include <math.h>
#include <string.h>

#define HISTORY_FRAMES (BM_FRACTIONAL_TAPS - 1)

void bm_true_peak_init(BmTruePeak* self)
{
   for (uint32_t point = 0; point < 3; ++point) {
      double newest_first[BM_FRACTIONAL_TAPS];
      bm_fractional_delay_design(0.25 * (point + 1), newest_first);
      for (uint32_t k = 0; k < BM_FRACTIONAL_TAPS; ++k) {
         self->coef.weights[point][k] = newest_first[BM_FRACTIONAL_TAPS - 1 - k];
      }
   }
   bm_true_peak_reset(self);
}

void bm_true_peak_reset(BmTruePeak* self)
{
   memset(&self->mem, 0, sizeof self->mem);
}

static void hear_chunk(BmTruePeak* self, uint32_t n_frames)
{
   for (uint32_t n = 0; n < n_frames; ++n) {
      const BmFrame* x = self->mem.frames + n;
      BmFrame quarter = {0.0, 0.0};
      BmFrame half = {0.0, 0.0};
      BmFrame three_quarters = {0.0, 0.0};
      for (uint32_t k = 0; k < BM_FRACTIONAL_TAPS; ++k) {
         quarter += self->coef.weights[0][k] * x[k];
         half += self->coef.weights[1][k] * x[k];
         three_quarters += self->coef.weights[2][k] * x[k];
      }
      const BmFrame between =
         bm_frame_max(bm_frame_max(bm_frame_abs(quarter), bm_frame_abs(half)), bm_frame_abs(three_quarters));
      const BmFrame at = bm_frame_abs(x[BM_FRACTIONAL_TAPS - 1]);
      self->mem.highest = bm_frame_max(self->mem.highest, bm_frame_max(between, at));
   }
}

void bm_true_peak_process(BmTruePeak* self, const BmFrame* in, uint32_t n_frames)
{
   while (n_frames > 0) {
      const uint32_t n = n_frames < BM_TRUE_PEAK_CHUNK_FRAMES ? n_frames : BM_TRUE_PEAK_CHUNK_FRAMES;
      memcpy(self->mem.frames + HISTORY_FRAMES, in, n * sizeof *in);
      hear_chunk(self, n);
      memmove(self->mem.frames, self->mem.frames + n, HISTORY_FRAMES * sizeof *in);
      in += n;
      n_frames -= n;
   }
}

double bm_true_peak_db(const BmTruePeak* self)
{
   return bm_db_from_gain(fmax(self->mem.highest[0], self->mem.highest[1]));
}
