/* SPDX-License-Identifier: ISC */
#include "saturation/transformer.h"

#include "base/clones.h"

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

/* Half a step's share of what the core's current takes from the flux. */
BM_INLINE BmFrame taken(BmFrame flux, double linear, double cubic)
{
   return flux * (linear + cubic * (flux * flux));
}

BM_INLINE BmFrame per_slope(BmFrame flux, double linear, double cubic)
{
   return 1.0 / ((1.0 + linear) + (3.0 * cubic) * (flux * flux));
}

BM_CLONES void bm_transformer_process(BmTransformer* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   const double h = self->cfg.half_step_s;
   const double per_h = 1.0 / h;
   const double linear = h * self->cfg.corner_rad_s;
   const double cubic = linear * self->coef.bend;
   BmFrame flux = self->mem.flux_s;
   BmFrame before = self->mem.flux_before_s;
   BmFrame rise = flux - before;
   BmFrame last_in = self->mem.in;
   BmFrame last_out = self->mem.out;
   BmFrame lost = taken(flux, linear, cubic);
   /* Newton's step divides by the slope of two frames ago: found while those between are still worked on, and
      the flux moves little beside the knee. */
   BmFrame before_last = per_slope(before, linear, cubic);
   BmFrame last = per_slope(flux, linear, cubic);
   for (uint32_t n = 0; n < n_frames; ++n) {
      /* flux + taken = goal, from where the flux is heading */
      const BmFrame goal = (flux - lost) + h * (last_in + in[n]);
      const BmFrame guess = flux + rise;
      const BmFrame next = guess - (guess + taken(guess, linear, cubic) - goal) * before_last;
      rise = next - flux;
      before = flux;
      flux = next;
      lost = taken(flux, linear, cubic);
      before_last = last;
      last = per_slope(flux, linear, cubic);
      last_in = in[n];
      const BmFrame now = last_in - per_h * lost;
      out[n] = now + self->coef.blunt * (last_out - now);
      last_out = now;
   }
   self->mem.flux_s = flux;
   self->mem.flux_before_s = before;
   self->mem.in = last_in;
   self->mem.out = last_out;
}
