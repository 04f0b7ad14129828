/* SPDX-License-Identifier: ISC */
#include "reverb/decay.h"

#include <math.h>

#define PI 3.14159265358979323846
#define SQRT2 1.41421356237309504880
#define LOW_HZ 230.0
#define MATCH_NORM 0.4 /* of the rate: the bilinear transform squeezes what is above */

/* Audio EQ Cookbook shelves of Q 1/sqrt(2), by the bilinear transform; `a` is the square root of the gain,
   `k` = tan(pi corner / rate). |H|^2 = a^2 (1 + a^2 X) / (a^2 + X) for the high one, X = (f / corner)^4. */
static BmDecaySection high_shelf(double a, double k)
{
   const double slope = SQRT2 * sqrt(a) * k;
   const double a0 = 1.0 + slope + a * k * k;
   return (BmDecaySection){a * (a + slope + k * k) / a0, 2.0 * a * (k * k - a) / a0,
                           a * (a - slope + k * k) / a0, 2.0 * (a * k * k - 1.0) / a0,
                           (1.0 - slope + a * k * k) / a0};
}

static BmDecaySection low_shelf(double a, double k)
{
   const double slope = SQRT2 * sqrt(a) * k;
   const double a0 = a + slope + k * k;
   return (BmDecaySection){a * (1.0 + slope + a * k * k) / a0, 2.0 * a * (a * k * k - 1.0) / a0,
                           a * (1.0 - slope + a * k * k) / a0, 2.0 * (k * k - a) / a0,
                           (a - slope + k * k) / a0};
}

double bm_decay_time_s(const BmDecay* decay, double frequency_hz)
{
   const double y = pow(LOW_HZ / frequency_hz, 4.0);
   const double x = 0.5 * pow(frequency_hz / decay->damping_hz, 4.0);
   return decay->decay_s / (1.0 + (1.0 / decay->low_ratio - 1.0) / (1.0 + 1.0 / y) + 3.0 / (1.0 + 1.0 / x));
}

BmAbsorption bm_absorption(const BmDecay* decay, double path_s, double sample_rate_hz)
{
   const double loss_neper = 3.0 * 2.30258509299404568402 * path_s / decay->decay_s;
   const double middle = exp(-loss_neper);

   BmAbsorption absorption;
   absorption.low =
      low_shelf(exp(-0.5 * loss_neper * (1.0 / decay->low_ratio - 1.0)), tan(PI * LOW_HZ / sample_rate_hz));
   absorption.low.b0 *= middle;
   absorption.low.b1 *= middle;
   absorption.low.b2 *= middle;

   /* At the damping frequency the shelf shall lose as much again as the middle: |H| = g with a gain of g^3
      has the solution X = g / (1 + g^2). */
   const double match_hz = fmin(decay->damping_hz, MATCH_NORM * sample_rate_hz);
   const double x = pow(match_hz / decay->damping_hz, 4.0) * middle / (1.0 + middle * middle);
   absorption.high = high_shelf(exp(-1.5 * loss_neper), tan(PI * match_hz / sample_rate_hz) / sqrt(sqrt(x)));
   return absorption;
}
