/* SPDX-License-Identifier: ISC */
#include "saturation/loss_filter.h"

#include "base/fir.h"

#include <math.h>
#include <string.h>

static const double pi = 3.14159265358979323846;

/* Frequency sampling, type I: the inverse cosine transform of the magnitudes, windowed. */
static void design(BmLossFilter* self, const double* magnitude_lin)
{
   const uint32_t n_taps = self->cfg.n_taps;
   const uint32_t last = 2 * n_taps; /* index of half the rate */
   for (uint32_t i = 0; i < n_taps; ++i) {
      double sum = 0.5 * (magnitude_lin[0] + (i % 2 ? -1.0 : 1.0) * magnitude_lin[last]);
      uint32_t turn = 0;
      for (uint32_t m = 1; m < last; ++m) {
         turn += i;
         turn = turn < 2 * last ? turn : turn - 2 * last;
         sum += magnitude_lin[m] * self->coef.cosine[turn];
      }
      self->coef.target[n_taps - i] = bm_frame_both(sum / last * self->coef.window[i]);
      self->coef.target[n_taps + i] = self->coef.target[n_taps - i];
   }
}

void bm_loss_filter_init(BmLossFilter* self, uint32_t n_taps)
{
   memset(self, 0, sizeof *self);
   self->cfg.n_taps = n_taps;
   for (uint32_t i = 0; i < 4 * n_taps; ++i) {
      self->coef.cosine[i] = cos(2.0 * pi * i / (4 * n_taps));
   }
   /* A raised cosine on a pedestal: enough to tame the corners at both ends of the band without blunting
    * them. */
   for (uint32_t i = 0; i < n_taps; ++i) {
      self->coef.window[i] = 0.9 + 0.1 * cos(pi * i / n_taps);
   }
}

uint32_t bm_loss_filter_n_points(const BmLossFilter* self)
{
   return 2 * self->cfg.n_taps + 1;
}

void bm_loss_filter_set(BmLossFilter* self, const double* magnitude_lin)
{
   design(self, magnitude_lin);
   memcpy(self->coef.tap, self->coef.target, sizeof self->coef.tap);
   self->mem.glide_left_frames = 0;
}

void bm_loss_filter_glide(BmLossFilter* self, const double* magnitude_lin)
{
   design(self, magnitude_lin);
   for (uint32_t i = 0; i < 2 * self->cfg.n_taps; ++i) {
      self->coef.rise[i] = (self->coef.target[i] - self->coef.tap[i]) / BM_LOSS_FILTER_GLIDE_FRAMES;
   }
   self->mem.glide_left_frames = BM_LOSS_FILTER_GLIDE_FRAMES;
}

void bm_loss_filter_reset(BmLossFilter* self)
{
   memcpy(self->coef.tap, self->coef.target, sizeof self->coef.tap);
   memset(&self->mem, 0, sizeof self->mem);
}

uint32_t bm_loss_filter_latency_frames(const BmLossFilter* self)
{
   return self->cfg.n_taps - 1;
}

static void move(BmLossFilter* self)
{
   --self->mem.glide_left_frames;
   for (uint32_t i = 0; i < 2 * self->cfg.n_taps; ++i) {
      self->coef.tap[i] =
         self->mem.glide_left_frames ? self->coef.tap[i] + self->coef.rise[i] : self->coef.target[i];
   }
}

BM_CLONES void bm_loss_filter_process(BmLossFilter* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   const uint32_t n_window = 2 * self->cfg.n_taps;
   BmFrame* const window = self->mem.window;
   BmFrame* const piece = window + n_window - 1;
   while (n_frames) {
      const uint32_t n_piece =
         n_frames < BM_LOSS_FILTER_PIECE_FRAMES ? n_frames : BM_LOSS_FILTER_PIECE_FRAMES;
      for (uint32_t n = 0; n < n_piece; ++n) {
         piece[n] = in[n];
      }
      for (uint32_t n = 0; n < n_piece; ++n) {
         if (self->mem.glide_left_frames) {
            move(self);
         }
         out[n] = bm_fir_sum(self->coef.tap, window + n, n_window);
      }
      memmove(window, window + n_piece, (n_window - 1) * sizeof *window);
      in += n_piece;
      out += n_piece;
      n_frames -= n_piece;
   }
}
