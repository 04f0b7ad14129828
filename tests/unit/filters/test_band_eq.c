/* SPDX-License-Identifier: ISC */
/* If these fail, a band does not arrive where it was sent, or mid leaks into side. */
#include "unit_test.h"

#include "filters/band_eq.h"

#include <string.h>

enum { N = 24000 };
#define RATE_HZ 48000.0

static const BmBandKind one_bell[] = {BM_BAND_BELL};
static const BmBandKind cut_and_bell[] = {BM_BAND_LOW_CUT, BM_BAND_BELL};

static void fill_with_noise(BmFrame* frames, uint64_t seed)
{
   for (uint32_t i = 0; i < N; ++i) {
      const double left = bm_test_random(&seed);
      frames[i] = bm_frame(left, bm_test_random(&seed));
   }
}

static void a_band_that_was_off_comes_on_where_it_was_sent(void** state)
{
   (void)state;
   static BmFrame in[N], glided[N], fresh[N];
   fill_with_noise(in, 1);
   const BmBandParams off = {.frequency_hz = 200.0, .q = 1.0};
   const BmBandParams on = {.frequency_hz = 5000.0, .q = 2.0, .gain_db = 9.0};
   BmBandEq a, b;
   assert_int_equal(bm_band_eq_init(&a, RATE_HZ, one_bell, 1, 1), BM_OK);
   assert_int_equal(bm_band_eq_init(&b, RATE_HZ, one_bell, 1, 1), BM_OK);
   bm_band_eq_set(&a, 0, 0, &off);
   bm_band_eq_process(&a, in, glided, 1000);
   bm_band_eq_set(&a, 0, 0, &on);
   bm_band_eq_set(&b, 0, 0, &on);
   bm_band_eq_process(&a, in, glided, N);
   bm_band_eq_process(&b, in, fresh, N);
   for (uint32_t i = N - 1000; i < N; ++i) {
      assert_close(glided[i][0], fresh[i][0], 1e-12);
   }
}

/* However often it was sent elsewhere meanwhile, as the harmonics that nobody asked for are. */
static void a_band_that_moved_unheard_comes_on_as_one_that_stood_there(void** state)
{
   (void)state;
   static BmFrame in[N], moved[N], stood[N];
   fill_with_noise(in, 5);
   BmBandParams band = {.frequency_hz = 200.0, .q = 1.0};
   BmBandEq a, b;
   bm_band_eq_init(&a, RATE_HZ, one_bell, 1, 1);
   bm_band_eq_init(&b, RATE_HZ, one_bell, 1, 1);
   bm_band_eq_set(&a, 0, 0, &band);
   band = (BmBandParams){.frequency_hz = 5000.0, .q = 2.0};
   bm_band_eq_set(&b, 0, 0, &band);
   for (int i = 0; i < 20; ++i) {
      bm_band_eq_process(&a, in, moved, 50);
      bm_band_eq_process(&b, in, stood, 50);
      band.frequency_hz = 1000.0 + 4000.0 * (i >= 15) + i % 2 * 10.0;
      bm_band_eq_set(&a, 0, 0, &band);
   }
   band.frequency_hz = 5000.0;
   bm_band_eq_set(&a, 0, 0, &band);
   bm_band_eq_process(&a, in, moved, 500);
   bm_band_eq_process(&b, in, stood, 500);
   assert_true(bm_band_eq_is_flat(&a));
   band.gain_db = 9.0;
   bm_band_eq_set(&a, 0, 0, &band);
   bm_band_eq_set(&b, 0, 0, &band);
   bm_band_eq_process(&a, in, moved, N);
   bm_band_eq_process(&b, in, stood, N);
   assert_memory_equal(moved, stood, sizeof moved);
}

/* A band at rest without effect must cost nothing. */
static void only_bands_with_an_effect_are_run(void** state)
{
   (void)state;
   static BmFrame frames[N];
   fill_with_noise(frames, 2);
   BmBandEq eq;
   bm_band_eq_init(&eq, RATE_HZ, cut_and_bell, 2, 1);
   const BmBandParams dry = {.frequency_hz = 60.0, .q = 0.7};
   BmBandParams bell = {.frequency_hz = 100.0, .q = 1.0, .gain_db = 3.0};
   bm_band_eq_set(&eq, 0, 0, &dry);
   bm_band_eq_set(&eq, 1, 0, &bell);
   bm_band_eq_process(&eq, frames, frames, N);
   assert_int_equal(eq.coef.n_run, 1); /* a low bell needs no correction */
   bell.frequency_hz = 9000.0;
   bm_band_eq_set(&eq, 1, 0, &bell);
   bm_band_eq_process(&eq, frames, frames, N);
   assert_int_equal(eq.coef.n_run, 2);
   assert_false(bm_band_eq_is_flat(&eq));
   bell.gain_db = 0.0;
   bm_band_eq_set(&eq, 1, 0, &bell);
   bm_band_eq_process(&eq, frames, frames, N);
   assert_int_equal(eq.coef.n_run, 0);
   assert_true(bm_band_eq_is_flat(&eq));
}

static void lanes_set_apart_do_not_touch_each_other(void** state)
{
   (void)state;
   static BmFrame in[N], apart[N], together[N];
   fill_with_noise(in, 3);
   const BmBandParams left = {.frequency_hz = 700.0, .q = 1.0, .gain_db = 6.0};
   const BmBandParams right = {.frequency_hz = 80.0, .q = 3.0, .gain_db = -9.0};
   BmBandEq a, b;
   for (uint32_t lane = 0; lane < 2; ++lane) {
      bm_band_eq_init(&a, RATE_HZ, one_bell, 1, 2);
      bm_band_eq_set(&a, 0, 0, &left);
      bm_band_eq_set(&a, 0, 1, &right);
      bm_band_eq_init(&b, RATE_HZ, one_bell, 1, 1);
      bm_band_eq_set(&b, 0, 0, lane == 0 ? &left : &right);
      bm_band_eq_process(&a, in, apart, N);
      bm_band_eq_process(&b, in, together, N);
      for (uint32_t i = 0; i < N; ++i) {
         assert_true(apart[i][lane] == together[i][lane]);
      }
   }
   /* One lane flat: that lane is the input. */
   const BmBandParams flat = {.frequency_hz = 700.0, .q = 1.0};
   bm_band_eq_init(&a, RATE_HZ, one_bell, 1, 2);
   bm_band_eq_set(&a, 0, 0, &left);
   bm_band_eq_set(&a, 0, 1, &flat);
   bm_band_eq_process(&a, in, apart, N);
   for (uint32_t i = 0; i < N; ++i) {
      assert_true(apart[i][1] == in[i][1]);
   }
}

static void preparing_changes_nothing(void** state)
{
   (void)state;
   static BmFrame in[N], expected[N], out[N];
   fill_with_noise(in, 4);
   const BmBandParams low = {.frequency_hz = 200.0, .q = 1.0, .gain_db = 6.0};
   const BmBandParams high = {.frequency_hz = 900.0, .q = 1.0, .gain_db = 3.0};
   BmBandEq a, b;
   bm_band_eq_init(&a, RATE_HZ, one_bell, 1, 1);
   bm_band_eq_init(&b, RATE_HZ, one_bell, 1, 1);
   bm_band_eq_set(&a, 0, 0, &low);
   bm_band_eq_set(&b, 0, 0, &low);
   bm_band_eq_process(&a, in, expected, 1);
   bm_band_eq_process(&b, in, out, 1);
   bm_band_eq_set(&a, 0, 0, &high);
   bm_band_eq_set(&b, 0, 0, &high);
   bm_band_eq_process(&a, in + 1, expected + 1, N - 1);
   for (uint32_t i = 1; i < N;) {
      const uint32_t n = bm_band_eq_prepare(&b, N - i);
      assert_int_equal(bm_band_eq_prepare(&b, N - i), n);
      bm_band_eq_process(&b, in + i, out + i, n);
      i += n;
   }
   assert_memory_equal(out, expected, sizeof out);
}

static void what_cannot_be_set_up_is_refused(void** state)
{
   (void)state;
   BmBandEq eq;
   assert_int_equal(bm_band_eq_init(&eq, 1000.0, one_bell, 1, 1), BM_BAD_RATE);
   assert_int_equal(bm_band_eq_init(&eq, RATE_HZ, one_bell, BM_BAND_EQ_BANDS_MAX + 1, 1), BM_BAD_ARGUMENT);
   assert_int_equal(bm_band_eq_init(&eq, RATE_HZ, one_bell, 1, 3), BM_BAD_ARGUMENT);
   assert_int_equal(bm_band_eq_init(&eq, RATE_HZ, one_bell, 1, 0), BM_BAD_ARGUMENT);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_band_that_was_off_comes_on_where_it_was_sent),
      cmocka_unit_test(a_band_that_moved_unheard_comes_on_as_one_that_stood_there),
      cmocka_unit_test(only_bands_with_an_effect_are_run),
      cmocka_unit_test(lanes_set_apart_do_not_touch_each_other),
      cmocka_unit_test(preparing_changes_nothing),
      cmocka_unit_test(what_cannot_be_set_up_is_refused),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
