/* SPDX-License-Identifier: ISC */
#include "saturation/hysteresis.h"

#include "base/clones.h"
#include "saturation/langevin.h"

#include <math.h>
#include <string.h>

/* A lag that decays this much in a step is gone. */
#define LARGEST_RATE 16.0

static const double reversibility = BM_HYSTERESIS_REVERSIBILITY;

/* The mean of exp(-x t) over 0 <= t <= 1, that is (1 - exp(-x)) / x, for x >= 0: exact at 0, relative error
   below 6e-7 up to LARGEST_RATE (rational, by iterated weighted least squares as in langevin.h). */
BM_INLINE BmFrame decay_mean(BmFrame x)
{
   const BmFrame num =
      1.0 + x * (0.13683500159531997 +
                 x * (0.03965866229779877 + x * (0.0040960336247892835 + x * 0.00040971466196696284)));
   const BmFrame den =
      1.0 + x * (0.6368468392115225 +
                 x * (0.1913402793850051 +
                      x * (0.03545855678125128 + x * (0.004261103634868346 + x * 0.00040708469159978053))));
   return num / den;
}

void bm_hysteresis_init(BmHysteresis* self, double step_rate_hz)
{
   memset(self, 0, sizeof *self);
   self->cfg.step_s = 1.0 / step_rate_hz;
   bm_hysteresis_set_bias(self, 0.0);
}

/* How fast the bias relaxes the lag. This and the spread below: fits to the model integrated with a carrier
   of 400 swings a cycle of the signal, bias 5 to 60 kA/m. */
static double relaxation_per_s(double bias_a_m)
{
   const double swing = bias_a_m / BM_HYSTERESIS_PINNING_A_M;
   return swing * (1.85 + 1.87 * swing) * BM_HYSTERESIS_BIAS_HZ;
}

void bm_hysteresis_set_bias(BmHysteresis* self, double bias_a_m)
{
   const double spread = bias_a_m / BM_HYSTERESIS_SHAPE_A_M;
   self->coef.inverse_shape_m_a = 1.0 / (BM_HYSTERESIS_SHAPE_A_M * (1.0 + 0.0665 * spread * spread));
   self->coef.relaxation = fmin(relaxation_per_s(bias_a_m) * self->cfg.step_s, LARGEST_RATE);
   self->coef.relaxation_mean = decay_mean(bm_frame_both(self->coef.relaxation))[0];
}

void bm_hysteresis_reset(BmHysteresis* self)
{
   memset(&self->mem, 0, sizeof self->mem);
}

BmFrame bm_hysteresis_anhysteretic_a_m(const BmHysteresis* self, BmFrame field_a_m)
{
   BmFrame m = {0.0, 0.0};
   for (int i = 0; i < 8; ++i) { /* each round leaves less than 1 % of the error */
      m = BM_HYSTERESIS_SATURATION_A_M *
          bm_langevin((field_a_m + BM_HYSTERESIS_COUPLING * m) * self->coef.inverse_shape_m_a);
   }
   return m;
}

double bm_hysteresis_response(double bias_a_m, double step_rate_hz, double frequency_hz)
{
   /* 1 - (1 - c) m (1 - q) / (1 - e q), q = exp(-j w): the step below, with e = exp(-rate) and m its mean. */
   const double rate = fmin(relaxation_per_s(bias_a_m) / step_rate_hz, LARGEST_RATE);
   const double mean = -expm1(-rate) / rate;
   const double w = 6.28318530717958647692 * frequency_hz / step_rate_hz;
   const double a = (1.0 - reversibility) * mean;
   const double e = exp(-rate);
   const double num_re = 1.0 - a - (e - a) * cos(w);
   const double num_im = (e - a) * sin(w);
   return sqrt((num_re * num_re + num_im * num_im) / (1.0 - 2.0 * e * cos(w) + e * e));
}

void bm_hysteresis_settle(BmHysteresis* self, BmFrame field_a_m)
{
   const BmFrame m = bm_hysteresis_anhysteretic_a_m(self, field_a_m);
   self->mem.field_a_m = field_a_m;
   for (int i = 0; i < 3; ++i) {
      self->mem.anhysteretic_a_m[i] = m;
      self->mem.lag_a_m[i] = bm_frame_both(0.0);
   }
}

BM_CLONES void bm_hysteresis_process(BmHysteresis* self, const BmFrame* field_a_m, BmFrame* out_a_m,
                                     uint32_t n_frames)
{
   const BmFrame zero = {0.0, 0.0};
   const BmFrame largest = bm_frame_both(LARGEST_RATE);
   const double per_pinning = 1.0 / BM_HYSTERESIS_PINNING_A_M;
   const double relaxation = self->coef.relaxation;
   const double kept = 1.0 - relaxation * self->coef.relaxation_mean;
   const double relaxation_mean = self->coef.relaxation_mean;
   BmFrame field = self->mem.field_a_m;
   BmFrame man = self->mem.anhysteretic_a_m[0];
   BmFrame man1 = self->mem.anhysteretic_a_m[1];
   BmFrame man2 = self->mem.anhysteretic_a_m[2];
   BmFrame lag = self->mem.lag_a_m[0];
   BmFrame lag1 = self->mem.lag_a_m[1];
   BmFrame lag2 = self->mem.lag_a_m[2];
   for (uint32_t n = 0; n < n_frames; ++n) {
      /* alpha M is 1 % of the field that M answers, so M and the lag may be extrapolated where they stand
         beside alpha. From two steps back, which lets this step's curve and rate be found before the last
         step's lag is known. */
      const BmFrame ahead = 3.0 * lag1 - 2.0 * lag2;
      const BmFrame m = 3.0 * man1 - 2.0 * man2 - (1.0 - reversibility) * ahead;
      const BmFrame inner = field_a_m[n] + BM_HYSTERESIS_COUPLING * m;
      const BmFrame next = BM_HYSTERESIS_SATURATION_A_M * bm_langevin(inner * self->coef.inverse_shape_m_a);
      const BmFrame drawn = next - man;
      const BmFrame moved = field_a_m[n] - field;
      const BmFrame movement = bm_frame_abs(moved);
      const BmFrame sign = bm_frame_select(moved < zero, bm_frame_both(-1.0), bm_frame_both(1.0));
      const BmFrame pull = BM_HYSTERESIS_COUPLING * sign * ahead;
      const BmFrame freed = bm_frame_min(movement * per_pinning * (1.0 + pull * per_pinning), largest);
      const BmFrame rate = bm_frame_min(relaxation + freed, largest);
      const BmFrame mean = decay_mean(rate);

      /* Over a step the lag z obeys dz = drawn dt - rate z dt: exact for any length of step. The movement of
         the field adds to the rate only while z has its sign. A z of the other sign first relaxes to zero,
         and what is left of the step from there counts: with x its share of the rate, exp's mean over x is 1
         / (1 + x/2 + x^2/12) to third order. */
      const BmFrame moving = lag * (1.0 - rate * mean) + drawn * mean;
      const BmFrame relaxed = lag * kept + drawn * relaxation_mean;
      const BmFrame path = relaxed - lag;
      const BmFrame x = freed * relaxed;
      const BmFrame whole = path * path;
      const BmFrame scale = whole + 0.5 * path * x + (1.0 / 12.0) * x * x;
      const BmFrameMask crosses = sign * relaxed > zero;
      const BmFrame crossed = relaxed * whole / bm_frame_select(crosses, scale, bm_frame_both(1.0));
      const BmFrame pinned = bm_frame_select(crosses, crossed, relaxed);
      lag2 = lag1;
      lag1 = lag;
      lag = bm_frame_select(sign * lag < zero, pinned, moving);
      man2 = man1;
      man1 = man;
      man = next;
      field = field_a_m[n];
      out_a_m[n] = man - (1.0 - reversibility) * lag;
   }
   self->mem.field_a_m = field;
   self->mem.anhysteretic_a_m[0] = man;
   self->mem.anhysteretic_a_m[1] = man1;
   self->mem.anhysteretic_a_m[2] = man2;
   self->mem.lag_a_m[0] = lag;
   self->mem.lag_a_m[1] = lag1;
   self->mem.lag_a_m[2] = lag2;
}
