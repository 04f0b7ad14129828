/* SPDX-License-Identifier: ISC */
#include "base/fractional_delay.h"

#include <math.h>
#include <stdint.h>

#define PI 3.14159265358979323846
#define KAISER_BETA 7.0

/* Modified Bessel function of the first kind, order 0, by its power series. */
static double bessel_i0(double x)
{
   const double quarter_square = 0.25 * x * x;
   double sum = 1.0;
   double term = 1.0;
   for (double k = 1.0; term > 1e-17 * sum; k += 1.0) {
      term *= quarter_square / (k * k);
      sum += term;
   }
   return sum;
}

void bm_fractional_delay_design(double fraction, double* weights)
{
   double sum = 0.0;
   for (uint32_t k = 0; k < BM_FRACTIONAL_TAPS; ++k) {
      /* NOLINTNEXTLINE(bugprone-integer-division): an even number halved */
      const double t = (double)k - BM_FRACTIONAL_LATENCY_FRAMES - fraction;
      const double u = 2.0 * t / BM_FRACTIONAL_TAPS;
      const double window = bessel_i0(KAISER_BETA * sqrt(fmax(0.0, 1.0 - u * u)));
      /* sin(pi t) = +-sin(pi fraction), which keeps the zeros of a whole delay exact */
      const double sine = (k & 1) ? -sin(PI * fraction) : sin(PI * fraction);
      weights[k] = t == 0.0 ? window : window * sine / (PI * t);
      sum += weights[k];
   }
   for (uint32_t k = 0; k < BM_FRACTIONAL_TAPS; ++k) {
      weights[k] /= sum;
   }
}
