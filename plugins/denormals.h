/* SPDX-License-Identifier: ISC */
/* Flush tiny numbers to zero while a block is processed, so that a dying tail costs no more than a loud one.
 */
#ifndef BM_PLUGINS_DENORMALS_H
#define BM_PLUGINS_DENORMALS_H

#include <stdint.h>

#if defined(__SSE2__)
#include <immintrin.h>
#endif

typedef uint64_t BmDenormalMode;

#if defined(__SSE2__)
#define BM_FLUSH_BITS 0x8040U /* of results (bit 15) and operands (bit 6) */
#endif

/** Switch flushing on and return what was set before, for bm_denormals_restore(). */
static inline BmDenormalMode bm_denormals_off(void)
{
#if defined(__SSE2__)
   const unsigned before = _mm_getcsr();
   if ((before & BM_FLUSH_BITS) != BM_FLUSH_BITS) { /* a write is slow, and most hosts have done it */
      _mm_setcsr(before | BM_FLUSH_BITS);
   }
   return before;
#elif defined(__aarch64__)
   uint64_t before;
   __asm__ volatile("mrs %0, fpcr" : "=r"(before));
   __asm__ volatile("msr fpcr, %0" : : "r"(before | (1ULL << 24)));
   return before;
#else
   return 0;
#endif
}

static inline void bm_denormals_restore(BmDenormalMode before)
{
#if defined(__SSE2__)
   if ((before & BM_FLUSH_BITS) != BM_FLUSH_BITS) {
      _mm_setcsr((unsigned)before);
   }
#elif defined(__aarch64__)
   __asm__ volatile("msr fpcr, %0" : : "r"(before));
#else
   (void)before;
#endif
}

#endif
