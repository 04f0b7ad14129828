/* SPDX-License-Identifier: ISC */
#include "base/fractional_delay.h"

#include "base/clones.h"

#include <math.h>
#include <stdint.h>

#define PI 3.14159265358979323846
#define KAISER_BETA 7.0
#define BESSEL_TERMS 21 /* the next is 1e-17 of their sum */

/* Modified Bessel function of the first kind, order 0, of KAISER_BETA sqrt(x), by its power series. */
BM_CLONES static void bessel_i0(const double* x, double* y)
{
   for (uint32_t i = 0; i < BM_FRACTIONAL_TAPS; ++i) {
      y[i] = 1.0;
   }
   for (uint32_t k = BESSEL_TERMS; k > 0; --k) {
      const double factor = 0.25 * KAISER_BETA * KAISER_BETA / ((double)k * (double)k);
      for (uint32_t i = 0; i < BM_FRACTIONAL_TAPS; ++i) {
         y[i] = 1.0 + y[i] * (x[i] * factor);
      }
   }
}

void bm_fractional_delay_design(double fraction, double* weights)
{
   double arguments[BM_FRACTIONAL_TAPS];
   double windows[BM_FRACTIONAL_TAPS];
   for (uint32_t k = 0; k < BM_FRACTIONAL_TAPS; ++k) {
      /* NOLINTNEXTLINE(bugprone-integer-division): an even number halved */
      const double u = 2.0 * ((double)k - BM_FRACTIONAL_LATENCY_FRAMES - fraction) / BM_FRACTIONAL_TAPS;
      const double rest = 1.0 - u * u;
      arguments[k] = rest > 0.0 ? rest : 0.0;
   }
   bessel_i0(arguments, windows);
   const double sine = sin(PI * fraction);
   double sum = 0.0;
   for (uint32_t k = 0; k < BM_FRACTIONAL_TAPS; ++k) {
      /* NOLINTNEXTLINE(bugprone-integer-division): an even number halved */
      const double t = (double)k - BM_FRACTIONAL_LATENCY_FRAMES - fraction;
      /* sin(pi t) = +-sin(pi fraction), which keeps the zeros of a whole delay exact */
      weights[k] = t == 0.0 ? windows[k] : windows[k] * ((k & 1) ? -sine : sine) / (PI * t);
      sum += weights[k];
   }
   for (uint32_t k = 0; k < BM_FRACTIONAL_TAPS; ++k) {
      weights[k] /= sum;
   }
}
