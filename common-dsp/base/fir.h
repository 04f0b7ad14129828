/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_FIR_H
#define BM_BASE_FIR_H

#include "base/clones.h"

#include <stdint.h>

/** Taps of a filter that bm_fir_sum() runs come in multiples of this; zeros fill up. */
#define BM_FIR_STEP 8

/**
   Sum of tap times frame over [n_taps, a multiple of BM_FIR_STEP], in an order that is always the same.

   @param tap     each in both lanes, the oldest frame's first.
   @param window  the last n_taps frames, oldest first. Frames that were stored just before are slow to load
   in pairs, so store a piece first and sum after.
*/
BM_INLINE BmFrame bm_fir_sum(const BmFrame* tap, const BmFrame* window, uint32_t n_taps)
{
   const BmFramePair* t = (const BmFramePair*)tap;
   const BmFramePair* w = (const BmFramePair*)window;
   BmFramePair sum0 = t[0] * w[0];
   BmFramePair sum1 = t[1] * w[1];
   BmFramePair sum2 = t[2] * w[2];
   BmFramePair sum3 = t[3] * w[3];
   for (uint32_t i = 4; i < n_taps / 2; i += 4) {
      sum0 += t[i] * w[i];
      sum1 += t[i + 1] * w[i + 1];
      sum2 += t[i + 2] * w[i + 2];
      sum3 += t[i + 3] * w[i + 3];
   }
   const BmFramePair sum = (sum0 + sum1) + (sum2 + sum3);
   return __builtin_shufflevector(sum, sum, 0, 1) + __builtin_shufflevector(sum, sum, 2, 3);
}

#endif
