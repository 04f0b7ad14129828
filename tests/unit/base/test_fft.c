/* SPDX-License-Identifier: ISC */
/* If these fail, notes are read off a spectrum that the take does not have. */
#include "unit_test.h"

#include "base/fft.h"
#include "base/floats.h"

#include <string.h>

enum { SIZE_MAX_TRIED = 4096 };

static float table[BM_FFT_TABLE_FLOATS(SIZE_MAX_TRIED)];
static float re[SIZE_MAX_TRIED], im[SIZE_MAX_TRIED];
static double in_re[SIZE_MAX_TRIED], in_im[SIZE_MAX_TRIED];

static void fill(uint32_t size)
{
   uint64_t seed = size;
   for (uint32_t n = 0; n < size; ++n) {
      re[n] = (float)bm_test_random(&seed);
      im[n] = (float)bm_test_random(&seed);
      in_re[n] = (double)re[n];
      in_im[n] = (double)im[n];
   }
}

/* The definition, in double precision. */
static void every_size_agrees_with_the_sum_that_defines_it(void** state)
{
   (void)state;
   const double pi = 3.14159265358979323846;
   for (uint32_t size = BM_FFT_SIZE_MIN; size <= SIZE_MAX_TRIED; size *= 2) {
      fill(size);
      bm_fft_init(table, size);
      BmFftProgress progress = {0};
      assert_true(bm_fft_work(table, size, &progress, bm_fft_steps(size), re, im));
      for (uint32_t k = 0; k<size; k += size> 512 ? 61 : 1) {
         double x_re = 0.0;
         double x_im = 0.0;
         for (uint32_t n = 0; n < size; ++n) {
            const double angle = -2.0 * pi * (double)((uint64_t)n * k % size) / size;
            x_re += in_re[n] * cos(angle) - in_im[n] * sin(angle);
            x_im += in_re[n] * sin(angle) + in_im[n] * cos(angle);
         }
         const uint32_t at = bm_fft_place(size, k);
         assert_true(at < size);
         assert_close((double)re[at], x_re, 1e-6 * sqrt(size));
         assert_close((double)im[at], x_im, 1e-6 * sqrt(size));
      }
   }
}

static void a_silent_second_half_need_not_be_laid(void** state)
{
   (void)state;
   static float laid_re[SIZE_MAX_TRIED], laid_im[SIZE_MAX_TRIED];
   for (uint32_t size = BM_FFT_SIZE_MIN; size <= SIZE_MAX_TRIED; size *= 2) {
      fill(size);
      bm_fft_init(table, size);
      memcpy(laid_re, re, sizeof re);
      memcpy(laid_im, im, sizeof im);
      memset(laid_re + size / 2, 0, size / 2 * sizeof *re);
      memset(laid_im + size / 2, 0, size / 2 * sizeof *im);
      BmFftProgress progress = {0};
      assert_true(bm_fft_work(table, size, &progress, bm_fft_steps(size), laid_re, laid_im));
      progress = (BmFftProgress){.is_half = true};
      assert_false(bm_fft_work(table, size, &progress, 1, re, im));
      assert_true(bm_fft_work(table, size, &progress, bm_fft_steps(size), re, im));
      for (uint32_t k = 0; k < size; ++k) {
         assert_true(re[k] == laid_re[k] && im[k] == laid_im[k]);
      }
   }
}

static void every_bin_has_a_place_of_its_own(void** state)
{
   (void)state;
   for (uint32_t size = BM_FFT_SIZE_MIN; size <= SIZE_MAX_TRIED; size *= 2) {
      static uint8_t taken[SIZE_MAX_TRIED];
      memset(taken, 0, sizeof taken);
      for (uint32_t k = 0; k < size; ++k) {
         assert_int_equal(taken[bm_fft_place(size, k)]++, 0);
      }
   }
}

static void stopping_and_going_on_leaves_the_same_bits(void** state)
{
   (void)state;
   static float whole_re[1024], whole_im[1024];
   bm_fft_init(table, 1024);
   for (uint32_t n_steps = 1; n_steps < 200; n_steps += 13) {
      fill(1024);
      BmFftProgress progress = {0};
      bm_fft_work(table, 1024, &progress, bm_fft_steps(1024), re, im);
      memcpy(whole_re, re, sizeof whole_re);
      memcpy(whole_im, im, sizeof whole_im);
      fill(1024);
      progress = (BmFftProgress){0};
      uint32_t n_calls = 1;
      while (!bm_fft_work(table, 1024, &progress, n_steps, re, im)) {
         ++n_calls;
      }
      assert_int_equal(n_calls, (bm_fft_steps(1024) + n_steps - 1) / n_steps);
      assert_memory_equal(whole_re, re, sizeof whole_re);
      assert_memory_equal(whole_im, im, sizeof whole_im);
   }
}

static void a_logarithm_of_eight_is_as_good_as_the_library_s(void** state)
{
   (void)state;
   for (double octave = -66.0; octave < 60.0; octave += 0.0371) {
      BmFloats x;
      BmFloats y;
      for (uint32_t i = 0; i < BM_FLOATS_STEP; ++i) {
         x[i] = (float)exp2(octave + 0.11 * i);
      }
      bm_floats_log2(&x, &y);
      for (uint32_t i = 0; i < BM_FLOATS_STEP; ++i) {
         const double right = log2((double)x[i]);
         assert_close((double)y[i], right, fmax(2e-6, 3e-7 * fabs(right)));
      }
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_size_agrees_with_the_sum_that_defines_it),
      cmocka_unit_test(a_silent_second_half_need_not_be_laid),
      cmocka_unit_test(every_bin_has_a_place_of_its_own),
      cmocka_unit_test(stopping_and_going_on_leaves_the_same_bits),
      cmocka_unit_test(a_logarithm_of_eight_is_as_good_as_the_library_s),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
