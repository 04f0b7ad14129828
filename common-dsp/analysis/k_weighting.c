/* SPDX-License-Identifier: ISC */
#include "analysis/k_weighting.h"

#include "base/clones.h"

#include <math.h>

#define PI 3.14159265358979323846

/* Prototypes behind the tables of BS.1770-4; see the header. */
#define SHELF_HZ 1681.974450955533
#define SHELF_DB 3.999843853973347
#define SHELF_Q 0.7071752369554196
#define SHELF_BAND_EXPONENT 0.4996667741545416
#define LOW_CUT_HZ 38.13547087602444
#define LOW_CUT_Q 0.5003270373238773

BmStatus bm_k_weighting_init(BmKWeighting* self, double sample_rate_hz)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   const double high = pow(10.0, SHELF_DB / 20.0);
   const double band = pow(high, SHELF_BAND_EXPONENT);
   double k = tan(PI * SHELF_HZ / sample_rate_hz);
   double a0 = 1.0 + k / SHELF_Q + k * k;
   self->coef.shelf_b0 = (high + band * k / SHELF_Q + k * k) / a0;
   self->coef.shelf_b1 = 2.0 * (k * k - high) / a0;
   self->coef.shelf_b2 = (high - band * k / SHELF_Q + k * k) / a0;
   self->coef.shelf_a1 = 2.0 * (k * k - 1.0) / a0;
   self->coef.shelf_a2 = (1.0 - k / SHELF_Q + k * k) / a0;

   k = tan(PI * LOW_CUT_HZ / sample_rate_hz);
   a0 = 1.0 + k / LOW_CUT_Q + k * k;
   self->coef.low_cut_a1 = 2.0 * (k * k - 1.0) / a0;
   self->coef.low_cut_a2 = (1.0 - k / LOW_CUT_Q + k * k) / a0;
   self->coef.shelf_in_1 = self->coef.shelf_b1 - self->coef.shelf_a1 * self->coef.shelf_b0;
   self->coef.shelf_in_2 = self->coef.shelf_b2 - self->coef.shelf_a2 * self->coef.shelf_b0;
   self->coef.low_cut_in_1 = -2.0 - self->coef.low_cut_a1;
   self->coef.low_cut_in_2 = 1.0 - self->coef.low_cut_a2;
   bm_k_weighting_reset(self);
   return BM_OK;
}

/* The sums ride along while each step of the filter waits for the one before. */
BM_CLONES void bm_k_weighting_add_up(BmKWeighting* self, const BmFrame* in, uint32_t n_frames,
                                     BmPairPowers* sums)
{
   BmKWeighting here = *self;
   BmPairPowers powers = *sums;
   for (uint32_t n = 0; n < n_frames; ++n) {
      const BmFrame x = in[n];
      const BmFrame w = bm_k_weighting_step(&here, x);
      powers.squares += x * x;
      powers.weighted_squares += w * w;
      powers.cross += bm_frame(x[0], w[0]) * bm_frame(x[1], w[1]);
   }
   self->mem = here.mem;
   *sums = powers;
}

void bm_k_weighting_reset(BmKWeighting* self)
{
   const BmFrame silence = {0.0, 0.0};
   self->mem.shelf_1 = silence;
   self->mem.shelf_2 = silence;
   self->mem.low_cut_1 = silence;
   self->mem.low_cut_2 = silence;
}
