/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_LOG2_H
#define BM_DYNAMICS_LOG2_H

#include "base/clones.h"

#include <stdint.h>
#include <string.h>

/**
   Levels as powers of two: what gain computers run on. One unit is 20 log10(2) = 6.0206 dB.

   Without a branch or a call, so that a compiler makes vector code of a loop over them; polynomials in halves
   and quarters that do not wait for one another.
*/
#define BM_DB_PER_LOG2 6.02059991327962390427

BM_INLINE uint64_t bm_bits_of(double x)
{
   uint64_t bits;
   memcpy(&bits, &x, sizeof bits);
   return bits;
}

BM_INLINE double bm_double_of(uint64_t bits)
{
   double x;
   memcpy(&x, &bits, sizeof x);
   return x;
}

/**
   Base-2 logarithm of normal numbers > 0, within 3e-9 (2e-8 dB).

   The mantissa, brought to sqrt(1/2) .. sqrt(2), by the series of the inverse hyperbolic tangent:
   ln m = 2 (s + s^3/3 + s^5/5 + ...), s = (m - 1)/(m + 1).
*/
BM_INLINE double bm_log2(double x)
{
   const uint64_t one_over_sqrt2 = 0x3FE6A09E667F3BCDU;
   const uint64_t one = 0x3FF0000000000000U;
   const uint64_t exponent_mask = 0x7FF0000000000000U;
   const uint64_t two_to_52 = 0x4330000000000000U;
   const uint64_t shifted = bm_bits_of(x) + (one - one_over_sqrt2);
   const double exponent = bm_double_of((shifted >> 52) | two_to_52) - (4503599627370496.0 + 1023.0);
   const double m = bm_double_of(bm_bits_of(x) - (shifted & exponent_mask) + one);
   const double s = (m - 1.0) / (m + 1.0);
   const double q = s * s;
   const double series =
      (1.0 + q * (1.0 / 3.0)) + (q * q) * ((1.0 / 5.0 + q * (1.0 / 7.0)) + (q * q) * (1.0 / 9.0));
   return exponent + 2.88539008177792681472 * s * series; /* 2 / ln 2 */
}

/**
   Two to the power of x, for |x| <= 1000, within 8e-9 of the result (7e-8 dB).

   2^x = 2^k e^(f ln 2), k whole and |f| <= 1/2, by the series of the exponential to the seventh power.
*/
BM_INLINE double bm_exp2(double x)
{
   const double round = 6755399441055744.0; /* 1.5 * 2^52: its last bits count whole numbers */
   const double shifted = x + round;
   const double f = 0.69314718055994530942 * (x - (shifted - round));
   const double f2 = f * f;
   const double low = (1.0 + f) + f2 * (1.0 / 2.0 + f * (1.0 / 6.0));
   const double high = (1.0 / 24.0 + f * (1.0 / 120.0)) + f2 * (1.0 / 720.0 + f * (1.0 / 5040.0));
   const double series = low + (f2 * f2) * high;
   return bm_double_of(bm_bits_of(series) + (bm_bits_of(shifted) << 52));
}

/** The same in single precision, for |x| <= 100, within 4e-7 of the result (4e-6 dB). */
BM_INLINE float bm_exp2_single(float x)
{
   const float round = 12582912.0F; /* 1.5 * 2^23 */
   const float shifted = x + round;
   const float f = 0.69314718F * (x - (shifted - round));
   const float f2 = f * f;
   const float low = (1.0F + f) + f2 * (1.0F / 2.0F + f * (1.0F / 6.0F));
   const float high = (1.0F / 24.0F + f * (1.0F / 120.0F)) + f2 * (1.0F / 720.0F);
   const float series = low + (f2 * f2) * high;
   uint32_t scale;
   uint32_t bits;
   memcpy(&scale, &shifted, sizeof scale);
   memcpy(&bits, &series, sizeof bits);
   bits += scale << 23;
   float result;
   memcpy(&result, &bits, sizeof result);
   return result;
}

#endif
