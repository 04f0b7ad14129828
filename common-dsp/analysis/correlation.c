/* SPDX-License-Identifier: ISC */
#include "analysis/correlation.h"

#include "base/decibel.h"

#include <math.h>

/* A mean square under this (-150 dBFS) is silence: a ratio of rounding errors would be shown otherwise. */
#define SILENT_POWER 1e-15

BmStatus bm_correlation_init(BmCorrelation* self, double sample_rate_hz, double window_s)
{
   const BmStatus status = bm_k_weighting_init(&self->weighting, sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (!(window_s >= 0.0)) {
      return BM_BAD_ARGUMENT;
   }
   self->cfg.sample_rate_hz = sample_rate_hz;
   self->cfg.window_s = window_s;
   self->coef.forget = window_s > 0.0 ? -expm1(-1.0 / (window_s * sample_rate_hz)) : 0.0;
   bm_correlation_reset(self);
   return BM_OK;
}

void bm_correlation_reset(BmCorrelation* self)
{
   const BmFrame nothing = {0.0, 0.0};
   bm_k_weighting_reset(&self->weighting);
   self->mem.squares = nothing;
   self->mem.cross = nothing;
   self->mem.weighted_squares = nothing;
}

void bm_correlation_process(BmCorrelation* self, const BmFrame* in, uint32_t n_frames)
{
   const double forget = self->coef.forget;
   const double keep = 1.0 - forget;
   const double add = forget > 0.0 ? forget : 1.0;
   for (uint32_t n = 0; n < n_frames; ++n) {
      const BmFrame x = in[n];
      const BmFrame w = bm_k_weighting_step(&self->weighting, x);
      self->mem.squares = keep * self->mem.squares + add * (x * x);
      self->mem.weighted_squares = keep * self->mem.weighted_squares + add * (w * w);
      self->mem.cross = keep * self->mem.cross + add * bm_frame(x[0] * x[1], w[0] * w[1]);
   }
}

double bm_correlation_norm(const BmCorrelation* self)
{
   const double left = self->mem.squares[0];
   const double right = self->mem.squares[1];
   if (!(left > SILENT_POWER && right > SILENT_POWER)) {
      return 0.0;
   }
   const double r = self->mem.cross[0] / sqrt(left) / sqrt(right);
   return fmax(-1.0, fmin(1.0, r));
}

double bm_correlation_mono_change_lu(const BmCorrelation* self)
{
   const double both = self->mem.weighted_squares[0] + self->mem.weighted_squares[1];
   if (!(both > SILENT_POWER)) {
      return 0.0;
   }
   return bm_db_from_power((both + 2.0 * self->mem.cross[1]) / (2.0 * both));
}

double bm_correlation_side_to_mid_db(const BmCorrelation* self)
{
   const double both = self->mem.squares[0] + self->mem.squares[1];
   if (!(both > SILENT_POWER)) {
      return 0.0;
   }
   const double side = both - 2.0 * self->mem.cross[0];
   const double mid = both + 2.0 * self->mem.cross[0];
   return mid > 0.0 ? fmin(bm_db_from_power(side / mid), -BM_SILENCE_DB) : -BM_SILENCE_DB;
}
