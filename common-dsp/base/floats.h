/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_FLOATS_H
#define BM_BASE_FLOATS_H

#include "base/clones.h"

#include <stdint.h>

/**
   Eight single-precision numbers at a time, for analyses whose answer no ear hears to the last bit. May lie
   over any float array. Never passed by value: how that is done depends on the clone (base/clones.h).
*/
typedef float BmFloats __attribute__((vector_size(32), aligned(4), may_alias));
typedef int32_t BmFloatsBits __attribute__((vector_size(32), aligned(4), may_alias));

#define BM_FLOATS_STEP 8

/**
   Base-2 logarithm of normal numbers > 0, within 3e-7 of the result or 2e-6: the mantissa, brought to
   sqrt(1/2) .. sqrt(2), by the series of the inverse hyperbolic tangent.
*/
BM_INLINE void bm_floats_log2(const BmFloats* x, BmFloats* out)
{
   const BmFloatsBits bits = (BmFloatsBits)*x;
   const BmFloatsBits shifted = bits + (0x3F800000 - 0x3F3504F3); /* 1 - sqrt(1/2) */
   const BmFloatsBits exponent = (shifted >> 23) - 127;
   const BmFloats m = (BmFloats)(bits - (exponent << 23));
   const BmFloats s = (m - 1.0f) / (m + 1.0f);
   const BmFloats q = s * s;
   const BmFloats series = 1.0f + q * (1.0f / 3.0f + q * (1.0f / 5.0f + q * (1.0f / 7.0f)));
   *out = __builtin_convertvector(exponent, BmFloats) + 2.88539008f * s * series; /* 2 / ln 2 */
}

#endif
