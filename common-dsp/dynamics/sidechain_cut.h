/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_SIDECHAIN_CUT_H
#define BM_DYNAMICS_SIDECHAIN_CUT_H

#include "base/clones.h"
#include "base/frame.h"
#include "base/glide.h"

#include <math.h>

/**
   The low cut before a detector, so that an instrument's boom does not drive the gain: a Butterworth
   high-pass of 12 dB/octave.

   A state-variable filter by the trapezoidal rule with its delay-free loop solved (Zavalishin, "The Art of VA
   Filter Design", chapter 4; from memory), so that its corner may move while it runs. The step is written as
   one matrix, so that a frame waits for one product of the frame before.
*/
typedef struct {
   struct {
      double to_rad; /* pi / rate */
      double frequency_max_hz;
   } cfg;
   struct {
      double in_to_high, band_to_high, low_to_high;
      double in_to_band, band_to_band, low_to_band;
      double in_to_low, band_to_low, low_to_low;
   } coef;
   struct {
      BmFrame band, low;
   } mem;
   BmGlide log_frequency;
} BmSidechainCut;

#define BM_SIDECHAIN_CUT_GLIDE_MS 20.0

static inline void bm_sidechain_cut_design(BmSidechainCut* self)
{
   const double frequency_hz = fmin(exp(self->log_frequency.value), self->cfg.frequency_max_hz);
   const double g = tan(self->cfg.to_rad * frequency_hz);
   const double damping = g + 1.41421356237309504880;
   const double direct = 1.0 / (1.0 + g * damping);
   /* high = direct (in - damping band - low), band += 2 g high, low += 2 g (band + g high) */
   self->coef.in_to_high = direct;
   self->coef.band_to_high = -direct * damping;
   self->coef.low_to_high = -direct;
   self->coef.in_to_band = 2.0 * g * direct;
   self->coef.band_to_band = 1.0 - 2.0 * g * direct * damping;
   self->coef.low_to_band = -2.0 * g * direct;
   self->coef.in_to_low = 2.0 * g * g * direct;
   self->coef.band_to_low = 2.0 * g * (1.0 - g * direct * damping);
   self->coef.low_to_low = 1.0 - 2.0 * g * g * direct;
}

static inline void bm_sidechain_cut_reset(BmSidechainCut* self)
{
   bm_glide_reset(&self->log_frequency);
   bm_sidechain_cut_design(self);
   self->mem.band = bm_frame_both(0.0);
   self->mem.low = bm_frame_both(0.0);
}

/** Set up for `sample_rate_hz` frames a second, of which the corner moves at `control_rate_hz`. */
static inline void bm_sidechain_cut_init(BmSidechainCut* self, double sample_rate_hz, double control_rate_hz)
{
   self->cfg.to_rad = 3.14159265358979323846 / sample_rate_hz;
   self->cfg.frequency_max_hz = 0.4 * sample_rate_hz;
   bm_glide_init(&self->log_frequency, BM_SIDECHAIN_CUT_GLIDE_MS, control_rate_hz);
   bm_sidechain_cut_reset(self);
}

/** Move the corner to `frequency_hz` > 0; it glides by octaves. */
static inline void bm_sidechain_cut_set(BmSidechainCut* self, double frequency_hz)
{
   const bool at_once = self->log_frequency.snap;
   bm_glide_set(&self->log_frequency, log(frequency_hz));
   if (at_once) {
      bm_sidechain_cut_design(self);
   }
}

/** Move the corner by one control period. */
static inline void bm_sidechain_cut_glide(BmSidechainCut* self)
{
   if (!bm_glide_is_still(&self->log_frequency)) {
      bm_glide_step(&self->log_frequency);
      bm_sidechain_cut_design(self);
   }
}

/** Filter one frame. */
BM_INLINE BmFrame bm_sidechain_cut_step(BmSidechainCut* self, BmFrame in)
{
   const BmFrame band = self->mem.band;
   const BmFrame low = self->mem.low;
   self->mem.band =
      self->coef.band_to_band * band + (self->coef.low_to_band * low + self->coef.in_to_band * in);
   self->mem.low = self->coef.low_to_low * low + (self->coef.band_to_low * band + self->coef.in_to_low * in);
   return self->coef.in_to_high * in + (self->coef.band_to_high * band + self->coef.low_to_high * low);
}

#endif
