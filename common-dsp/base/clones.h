/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_CLONES_H
#define BM_BASE_CLONES_H

#include "base/frame.h"

/**
   BM_CLONES before a function lets GCC compile it twice for x86-64, once with AVX2, and the loader choose.

   Both do the same operations in the same order, and products are never contracted into sums, so the results
   are the same to the last bit. For the few functions that cost most. Elsewhere, and under sanitizers, it is
   nothing.
*/
#if defined(__x86_64__) && defined(__gnu_linux__) && defined(__GNUC__) && !defined(__clang__) &&             \
   !defined(__SANITIZE_ADDRESS__) && !defined(__SANITIZE_THREAD__)
#define BM_CLONES __attribute__((target_clones("avx2", "default")))
#else
#define BM_CLONES
#endif

/** For helpers that must become part of each clone. */
#define BM_INLINE static inline __attribute__((always_inline))

/** Two frames that follow one another, as one vector; may lie over BmFrame arrays. Never passed by value: how
   that is done depends on the clone. */
typedef double BmFramePair __attribute__((vector_size(32), aligned(16), may_alias));

#endif
