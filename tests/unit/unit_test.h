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

/** Whether this build is for the address sanitizer: hosts that are not cannot load its plugins. */
#if defined(__SANITIZE_ADDRESS__)
#define BM_TEST_ADDRESS_SANITIZED 1
#elif defined(__has_feature)
#if __has_feature(address_sanitizer)
#define BM_TEST_ADDRESS_SANITIZED 1
#endif
#endif
#ifndef BM_TEST_ADDRESS_SANITIZED
#define BM_TEST_ADDRESS_SANITIZED 0
#endif

/* A program in which anything was left out counts as skipped. What only wants installing is no excuse in
   tests/run, which installs everything: there it fails. tests/want does the same for scripts. */
enum { BM_TEST_SKIPPED = 77 };
static int bm_test_n_left_out;

/** Whether a program is on the path. */
static inline bool bm_test_has(const char* program)
{
   char command[256];
   snprintf(command, sizeof command, "command -v %s >/dev/null 2>&1", program);
   return system(command) == 0;
}

/** Tell in a line that `what` is missing and what helps; return what main() is to return then. */
static inline int bm_test_missing(const char* what, const char* remedy)
{
   fprintf(stderr, "missing: %s; %s\n", what, remedy);
   return getenv("BM_ALL_INSTALLED") ? 1 : BM_TEST_SKIPPED;
}

/** What main() is to return after all tests. */
static inline int bm_test_result(int n_failed)
{
   return n_failed ? 1 : bm_test_n_left_out ? BM_TEST_SKIPPED : 0;
}
#undef cmocka_run_group_tests
#define cmocka_run_group_tests(tests, set_up, tear_down)                                                     \
   bm_test_result(_cmocka_run_group_tests(#tests, tests, sizeof(tests) / sizeof(tests)[0], set_up, tear_down))

#undef skip
#define bm_test_skip()                                                                                       \
   do {                                                                                                      \
      ++bm_test_n_left_out;                                                                                  \
      _skip(__FILE__, __LINE__);                                                                             \
   } while (0)

/** Leave out the rest of a test because of something in this machine that no package mends. */
#define bm_test_leave_out(why)                                                                               \
   do {                                                                                                      \
      fprintf(stderr, "left out: %s\n", why);                                                                \
      bm_test_skip();                                                                                        \
   } while (0)

/** Leave out the rest of a test, or fail it in tests/run, unless `is_there`. */
#define bm_test_want(is_there, what, remedy)                                                                 \
   do {                                                                                                      \
      if (!(is_there)) {                                                                                     \
         if (bm_test_missing(what, remedy) != BM_TEST_SKIPPED) {                                             \
            fail();                                                                                          \
         }                                                                                                   \
         bm_test_skip();                                                                                     \
      }                                                                                                      \
   } while (0)

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
