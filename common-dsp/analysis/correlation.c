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
   const double period_s = BM_CORRELATION_PERIOD_FRAMES / sample_rate_hz;
   self->coef.keep = window_s > 0.0 ? exp(-period_s / window_s) : 1.0;
   self->coef.add = window_s > 0.0 ? (1.0 - self->coef.keep) / BM_CORRELATION_PERIOD_FRAMES : 1.0;
   bm_control_clock_init(&self->mem.clock, BM_CORRELATION_PERIOD_FRAMES);
   bm_correlation_reset(self);
   return BM_OK;
}

void bm_correlation_reset(BmCorrelation* self)
{
   const BmFrame nothing = {0.0, 0.0};
   bm_k_weighting_reset(&self->weighting);
   bm_control_clock_reset(&self->mem.clock);
   self->mem.means = (BmPairPowers){nothing, nothing, nothing};
   self->mem.sums = self->mem.means;
}

static BmPairPowers powers(const BmCorrelation* self, double keep)
{
   const BmPairPowers* means = &self->mem.means;
   const BmPairPowers* sums = &self->mem.sums;
   const double add = self->coef.add;
   return (BmPairPowers){
      .squares = keep * means->squares + add * sums->squares,
      .cross = keep * means->cross + add * sums->cross,
      .weighted_squares = keep * means->weighted_squares + add * sums->weighted_squares,
   };
}

static void finish_period(BmCorrelation* self)
{
   const BmFrame nothing = {0.0, 0.0};
   self->mem.means = powers(self, self->coef.keep);
   self->mem.sums = (BmPairPowers){nothing, nothing, nothing};
}

void bm_correlation_process(BmCorrelation* self, const BmFrame* in, uint32_t n_frames)
{
   while (n_frames > 0) {
      const uint32_t n = bm_control_clock_next(&self->mem.clock, n_frames);
      bm_k_weighting_add_up(&self->weighting, in, n, &self->mem.sums);
      bm_control_clock_advance(&self->mem.clock, n);
      if (bm_control_clock_is_due(&self->mem.clock)) { /* the next one begins: this one is full */
         finish_period(self);
      }
      in += n;
      n_frames -= n;
   }
}

void bm_correlation_take(BmCorrelation* self, const BmPairPowers* sums, bool ends)
{
   self->mem.sums = *sums;
   if (ends) {
      finish_period(self);
   }
}

BmFrame bm_correlation_energies(const BmCorrelation* self)
{
   return powers(self, 1.0).squares;
}

double bm_correlation_norm(const BmCorrelation* self)
{
   const BmPairPowers heard = powers(self, 1.0);
   const double left = heard.squares[0];
   const double right = heard.squares[1];
   if (!(left > SILENT_POWER && right > SILENT_POWER)) {
      return 0.0;
   }
   const double r = heard.cross[0] / sqrt(left) / sqrt(right);
   return fmax(-1.0, fmin(1.0, r));
}

double bm_correlation_mono_change_lu(const BmCorrelation* self)
{
   const BmPairPowers heard = powers(self, 1.0);
   const double both = heard.weighted_squares[0] + heard.weighted_squares[1];
   if (!(both > SILENT_POWER)) {
      return 0.0;
   }
   return bm_db_from_power((both + 2.0 * heard.cross[1]) / (2.0 * both));
}

double bm_correlation_side_to_mid_db(const BmCorrelation* self)
{
   const BmPairPowers heard = powers(self, 1.0);
   const double both = heard.squares[0] + heard.squares[1];
   if (!(both > SILENT_POWER)) {
      return 0.0;
   }
   const double side = both - 2.0 * heard.cross[0];
   const double mid = both + 2.0 * heard.cross[0];
   return mid > 0.0 ? fmin(bm_db_from_power(side / mid), -BM_SILENCE_DB) : -BM_SILENCE_DB;
}
