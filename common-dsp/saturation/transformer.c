/* SPDX-License-Identifier: ISC */
#include "saturation/transformer.h"

#include <math.h>
#include <string.h>

static const double two_pi = 6.28318530717958647692;

void bm_transformer_init(BmTransformer* self, double sample_rate_hz)
{
   memset(self, 0, sizeof *self);
   self->cfg.half_step_s = 0.5 / sample_rate_hz;
   self->cfg.corner_rad_s = two_pi * BM_TRANSFORMER_CORNER_HZ;
   self->coef.bend = 1.0 / (BM_TRANSFORMER_KNEE_S * BM_TRANSFORMER_KNEE_S);
   /* (1 - b) + b z^-1 has the one-pole's magnitude at 20 kHz (or 0.4 of a low rate): 1 - 2 b (1 - b) (1 - cos
    * w). */
   const double match_hz = fmin(20000.0, 0.4 * sample_rate_hz);
   const double ratio = match_hz / BM_TRANSFORMER_TOP_HZ;
   const double lost = 1.0 - 1.0 / (1.0 + ratio * ratio);
   const double product = lost / (2.0 * (1.0 - cos(two_pi * match_hz / sample_rate_hz)));
   self->coef.blunt = 0.5 - sqrt(fmax(0.25 - product, 0.0));
}

void bm_transformer_reset(BmTransformer* self)
{
   memset(&self->mem, 0, sizeof self->mem);
}

void bm_transformer_process(BmTransformer* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   const double h = self->cfg.half_step_s;
   const double linear = h * self->cfg.corner_rad_s;
   const double cubic = linear * self->coef.bend;
   BmFrame flux = self->mem.flux_s;
   BmFrame rise = self->mem.rise_s;
   BmFrame last = self->mem.out;
   BmFrame before = self->mem.before;
   /* Newton's step divides by the slope where the frame begins: that can be done while the frame before is
      still worked on, and the flux moves little beside the knee. */
   BmFrame per_slope = 1.0 / (1.0 + linear + 3.0 * cubic * flux * flux);
   for (uint32_t n = 0; n < n_frames; ++n) {
      const BmFrame goal = flux + h * (last + in[n]);
      /* flux (1 + linear + cubic flux^2) = goal, from where the flux is heading */
      const BmFrame guess = flux + rise;
      const BmFrame square = guess * guess;
      const BmFrame was = flux;
      flux = guess - (guess * (1.0 + linear + cubic * square) - goal) * per_slope;
      rise = flux - was;
      per_slope = 1.0 / (1.0 + linear + 3.0 * cubic * flux * flux);
      last = in[n] - self->cfg.corner_rad_s * flux * (1.0 + self->coef.bend * flux * flux);
      out[n] = last + self->coef.blunt * (before - last);
      before = last;
   }
   self->mem.flux_s = flux;
   self->mem.rise_s = rise;
   self->mem.out = last;
   self->mem.before = before;
}
