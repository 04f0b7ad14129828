/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_LOG2_FRAME_H
#define BM_DYNAMICS_LOG2_FRAME_H

#include "base/frame.h"

#include <stdint.h>

/**
   Levels as powers of two, both lanes at once and without a branch: what gain computers run on.

   One unit is 20 log10(2) = 6.0206 dB.
*/
#define BM_DB_PER_LOG2 6.02059991327962390427

typedef uint64_t BmFrameBits __attribute__((vector_size(16)));

/**
   Base-2 logarithm of normal numbers > 0, within 3e-9 (2e-8 dB).

   The mantissa, brought to sqrt(1/2) .. sqrt(2), by the series of the inverse hyperbolic tangent:
   ln m = 2 (s + s^3/3 + s^5/5 + ...), s = (m - 1)/(m + 1).
*/
static inline BmFrame bm_frame_log2(BmFrame x)
{
   const BmFrameBits one_over_sqrt2 = {0x3FE6A09E667F3BCDU, 0x3FE6A09E667F3BCDU};
   const BmFrameBits one = {0x3FF0000000000000U, 0x3FF0000000000000U};
   const BmFrameBits exponent_mask = {0x7FF0000000000000U, 0x7FF0000000000000U};
   const BmFrameBits two_to_52 = {0x4330000000000000U, 0x4330000000000000U};
   const BmFrameBits shifted = (BmFrameBits)x + (one - one_over_sqrt2);
   const BmFrame exponent = (BmFrame)((shifted >> 52) | two_to_52) - (4503599627370496.0 + 1023.0);
   const BmFrame m = (BmFrame)((BmFrameBits)x - (shifted & exponent_mask) + one);
   const BmFrame s = (m - 1.0) / (m + 1.0);
   const BmFrame q = s * s;
   const BmFrame series = 1.0 + q * (1.0 / 3.0 + q * (1.0 / 5.0 + q * (1.0 / 7.0 + q * (1.0 / 9.0))));
   return exponent + 2.88539008177792681472 * s * series; /* 2 / ln 2 */
}

/**
   Two to the power of x, for |x| <= 1000, within 8e-9 of the result (7e-8 dB).

   2^x = 2^k e^(f ln 2), k whole and |f| <= 1/2, by the series of the exponential to the seventh power.
*/
static inline BmFrame bm_frame_exp2(BmFrame x)
{
   const double round = 6755399441055744.0; /* 1.5 * 2^52: its last bits count whole numbers */
   const BmFrame shifted = x + round;
   const BmFrame f = 0.69314718055994530942 * (x - (shifted - round));
   const BmFrame series =
      1.0 +
      f * (1.0 + f * (1.0 / 2.0 +
                      f * (1.0 / 6.0 +
                           f * (1.0 / 24.0 + f * (1.0 / 120.0 + f * (1.0 / 720.0 + f * (1.0 / 5040.0)))))));
   return (BmFrame)((BmFrameBits)series + ((BmFrameBits)shifted << 52));
}

#endif
