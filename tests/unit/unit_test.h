/* SPDX-License-Identifier: ISC */
/* What every unit test includes first: cmocka with the headers it asks for, and checks of doubles that print
   both figures when they fail. */
#ifndef BM_UNIT_TEST_H
#define BM_UNIT_TEST_H

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>

/** Whether the processor is emulated (tests/aarch64/run): this machine's own programs cannot load what is
    tested. */
static inline bool bm_test_is_emulated(void)
{
   return getenv("BM_EMULATED");
}

/** How many cases to try: `n`, or `few` where the processor is emulated. */
static inline uint32_t bm_test_count(uint32_t n, uint32_t few)
{
   return bm_test_is_emulated() ? few : n;
}

/** Fail unless |actual - expected| <= tolerance; a NaN fails. Prints both figures. */
#define assert_close(actual, expected, tolerance)                                                            \
   do {                                                                                                      \
      const double actual_ = (actual);                                                                       \
      const double expected_ = (expected);                                                                   \
      if (!(fabs(actual_ - expected_) <= (tolerance))) {                                                     \
         fail_msg("%s is %.12g, expected %.12g within %g", #actual, actual_, expected_,                      \
                  (double)(tolerance));                                                                      \
      }                                                                                                      \
   } while (0)

/** Fail unless low <= actual <= high; a NaN fails. Prints all three. */
#define assert_between(actual, low, high)                                                                    \
   do {                                                                                                      \
      const double actual_ = (actual);                                                                       \
      if (!(actual_ >= (low) && actual_ <= (high))) {                                                        \
         fail_msg("%s is %.12g, expected %g to %g", #actual, actual_, (double)(low), (double)(high));        \
      }                                                                                                      \
   } while (0)

/** A repeatable random number in [-1, 1): a 64-bit linear congruential generator (Knuth, MMIX constants). */
static inline double bm_test_random(uint64_t* seed)
{
   *seed = *seed * 6364136223846793005ULL + 1442695040888963407ULL;
   return (double)(int64_t)(*seed >> 11) / (double)(1LL << 52) - 1.0;
}

#endif
