/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_CLONES_H
#define BM_BASE_CLONES_H

#include "base/frame.h"

#include <stdint.h>

/**
   BM_CLONES before a function lets GCC compile it three times for x86-64, with AVX2, with AVX (for vectors of
   32 bytes nearly as good) and plainly, and the loader choose.

   All do the same operations in the same order, and products are never contracted into sums, so the results
   are the same to the last bit. For the few functions that cost most. Elsewhere, and under sanitizers, it is
   nothing.
*/
#if defined(__x86_64__) && defined(__gnu_linux__) && defined(__GNUC__) && !defined(__clang__) &&             \
   !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define BM_CLONES __attribute__((target_clones("avx2", "avx", "default")))
#else
#define BM_CLONES
#endif

/** For helpers that must become part of each clone. */
#define BM_INLINE static inline __attribute__((always_inline))

/** Two frames that follow one another, as one vector; may lie over BmFrame arrays. Never passed by value: how
   that is done depends on the clone. */
typedef double BmFramePair __attribute__((vector_size(32), aligned(16), may_alias));
typedef int64_t BmFramePairBits __attribute__((vector_size(32), aligned(16), may_alias));

/** A frame after another, and a frame's halves taken apart again. */
#define BM_FRAME_PAIR(first, second) __builtin_shufflevector(first, second, 0, 1, 2, 3)
#define BM_FIRST_OF_PAIR(pair) __builtin_shufflevector(pair, pair, 0, 1)
#define BM_SECOND_OF_PAIR(pair) __builtin_shufflevector(pair, pair, 2, 3)

/** By lanes: `yes` where `mask`, a comparison's result, is set, `no` elsewhere. */
#define BM_PAIR_SELECT(mask, yes, no)                                                                        \
   ((BmFramePair)(((mask) & (BmFramePairBits)(yes)) | (~(mask) & (BmFramePairBits)(no))))

/** Four rows of four, given as vectors in `row`, turned so that vector k holds what stood k-th in each. */
BM_INLINE void bm_turn_rows(BmFramePair row[4])
{
   const BmFramePair even_ab = __builtin_shufflevector(row[0], row[1], 0, 4, 2, 6);
   const BmFramePair odd_ab = __builtin_shufflevector(row[0], row[1], 1, 5, 3, 7);
   const BmFramePair even_cd = __builtin_shufflevector(row[2], row[3], 0, 4, 2, 6);
   const BmFramePair odd_cd = __builtin_shufflevector(row[2], row[3], 1, 5, 3, 7);
   row[0] = __builtin_shufflevector(even_ab, even_cd, 0, 1, 4, 5);
   row[1] = __builtin_shufflevector(odd_ab, odd_cd, 0, 1, 4, 5);
   row[2] = __builtin_shufflevector(even_ab, even_cd, 2, 3, 6, 7);
   row[3] = __builtin_shufflevector(odd_ab, odd_cd, 2, 3, 6, 7);
}

/** Nearest whole number of each lane, as a number and in the low bits of an integer; below 2^31 and positive.
 */
#define BM_TO_WHOLE 6755399441055744.0 /* 1.5 * 2^52 */

#endif
