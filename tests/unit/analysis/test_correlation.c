/* SPDX-License-Identifier: ISC */
/* If these fail, a mix that vanishes in mono looks safe. */
#include "unit_test.h"

#include "analysis/correlation.h"
#include "ladder.h"

/* Two unit-power channels of correlation r: x and r x + sqrt(1 - r^2) z. */
static BmFrame correlated(double r, uint64_t* seed)
{
   const double x = bm_test_random(seed);
   const double z = bm_test_random(seed);
   return bm_frame(x, r * x + sqrt(1.0 - r * r) * z);
}

static BmCorrelation measured(double r, double window_s)
{
   BmCorrelation meter;
   assert_int_equal(bm_correlation_init(&meter, 48000.0, window_s), BM_OK);
   uint64_t seed = 3;
   for (uint32_t n = 0; n < 480000; ++n) {
      const BmFrame x = correlated(r, &seed);
      bm_correlation_process(&meter, &x, 1);
   }
   return meter;
}

/* Reference sheet section 9: for equal power, mono 10 lg((1 + r) / 2), S/M 10 lg((1 - r) / (1 + r)). */
static void noise_of_known_correlation_reads_as_the_closed_form_says(void** state)
{
   (void)state;
   static const double table[][3] = {{0.9, -0.22, -12.79}, {0.5, -1.25, -4.77}, {0.3, -1.87, -2.69},
                                     {0.0, -3.01, 0.0},    {-0.3, -4.56, 2.69}, {-0.5, -6.02, 4.77},
                                     {-0.9, -13.01, 12.79}};
   for (uint32_t i = 0; i < sizeof table / sizeof table[0]; ++i) {
      const double r = table[i][0];
      const BmCorrelation all = measured(r, 0.0);
      assert_close(bm_correlation_norm(&all), r, 0.005);
      assert_close(bm_correlation_mono_change_lu(&all), table[i][1], 0.2);
      assert_close(bm_correlation_side_to_mid_db(&all), table[i][2], 0.2);
      const BmCorrelation live = measured(r, BM_CORRELATION_WINDOW_S);
      assert_close(bm_correlation_norm(&live), r, 0.05);
   }
}

static void identical_opposed_and_silent_channels_read_exactly(void** state)
{
   (void)state;
   const BmCorrelation same = measured(1.0, BM_CORRELATION_WINDOW_S);
   assert_close(bm_correlation_norm(&same), 1.0, 1e-12);
   assert_close(bm_correlation_mono_change_lu(&same), 0.0, 1e-12);
   assert_true(bm_correlation_side_to_mid_db(&same) <= -100.0);

   const BmCorrelation opposed = measured(-1.0, BM_CORRELATION_WINDOW_S);
   assert_close(bm_correlation_norm(&opposed), -1.0, 1e-12);
   assert_true(bm_correlation_mono_change_lu(&opposed) <= -100.0);
   assert_true(bm_correlation_side_to_mid_db(&opposed) >= 100.0);

   BmCorrelation silent;
   assert_int_equal(bm_correlation_init(&silent, 48000.0, BM_CORRELATION_WINDOW_S), BM_OK);
   assert_true(bm_correlation_norm(&silent) == 0.0);
   assert_true(bm_correlation_mono_change_lu(&silent) == 0.0);
   assert_true(bm_correlation_side_to_mid_db(&silent) == 0.0);
}

/* Opposed rumble at 20 Hz below a like tone at 1 kHz: by K-weighting (-13.28 and +0.70 dB) the rumble weighs
   13.97 dB less, so mono loses 10 lg(1 + 10^-1.397) = 0.171 LU; unweighted it would be 3 dB. */
static void mono_change_weighs_frequencies_as_loudness_does(void** state)
{
   (void)state;
   BmCorrelation meter;
   assert_int_equal(bm_correlation_init(&meter, 48000.0, 0.0), BM_OK);
   for (uint32_t n = 0; n < 240000; ++n) {
      const double rumble = sin(2.0 * 3.14159265358979323846 * 20.0 * n / 48000.0);
      const double tone = sin(2.0 * 3.14159265358979323846 * 1000.0 * n / 48000.0);
      const BmFrame x = bm_frame(tone + rumble, tone - rumble);
      bm_correlation_process(&meter, &x, 1);
   }
   assert_close(bm_correlation_mono_change_lu(&meter), -0.171, 0.005);
   assert_close(bm_correlation_norm(&meter), 0.0, 1e-6);
}

static void a_change_shows_within_the_window(void** state)
{
   (void)state;
   BmCorrelation meter = measured(1.0, BM_CORRELATION_WINDOW_S);
   uint64_t seed = 5;
   for (uint32_t n = 0; n < 48000 * 2; ++n) { /* five windows */
      const BmFrame x = correlated(-1.0, &seed);
      bm_correlation_process(&meter, &x, 1);
   }
   assert_between(bm_correlation_norm(&meter), -1.0, -0.97); /* 1 - 2 (1 - e^-5) = -0.987 */
}

static void block_size_and_reset_leave_no_trace(void** state)
{
   (void)state;
   BmFrame in[4096];
   bm_test_noise(in, 4096, 0.5, 7);
   BmCorrelation whole, sliced;
   assert_int_equal(bm_correlation_init(&whole, 44100.0, BM_CORRELATION_WINDOW_S), BM_OK);
   bm_correlation_process(&whole, in, 4096);
   sliced = whole;
   bm_correlation_reset(&sliced);
   for (uint32_t n = 0; n < 4096; n += 32) {
      bm_correlation_process(&sliced, in + n, 32);
   }
   assert_true(bm_correlation_norm(&whole) == bm_correlation_norm(&sliced));
   assert_true(bm_correlation_mono_change_lu(&whole) == bm_correlation_mono_change_lu(&sliced));
   assert_true(bm_correlation_side_to_mid_db(&whole) == bm_correlation_side_to_mid_db(&sliced));
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(noise_of_known_correlation_reads_as_the_closed_form_says),
      cmocka_unit_test(identical_opposed_and_silent_channels_read_exactly),
      cmocka_unit_test(mono_change_weighs_frequencies_as_loudness_does),
      cmocka_unit_test(a_change_shows_within_the_window),
      cmocka_unit_test(block_size_and_reset_leave_no_trace),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
