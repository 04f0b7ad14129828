/* SPDX-License-Identifier: ISC */
/* If these fail, every loudness on show is wrong, and so is each level match made by it. */
#include "unit_test.h"

#include "analysis/k_weighting.h"

static double response_db(double rate_hz, double frequency_hz)
{
   BmKWeighting filter;
   assert_int_equal(bm_k_weighting_init(&filter, rate_hz), BM_OK);
   double real = 0.0, imaginary = 0.0;
   const uint32_t n_frames = (uint32_t)rate_hz; /* a second: the low cut has died away */
   for (uint32_t n = 0; n < n_frames; ++n) {
      const BmFrame y = bm_k_weighting_step(&filter, bm_frame_both(n == 0 ? 1.0 : 0.0));
      assert_true(y[0] == y[1]);
      const double phase = 2.0 * 3.14159265358979323846 * frequency_hz * n / rate_hz;
      real += y[0] * cos(phase);
      imaginary += y[0] * sin(phase);
   }
   return 20.0 * log10(hypot(real, imaginary));
}

/* ITU-R BS.1770-4 Annex 1, Tables 1 and 2. */
static void the_coefficients_at_48_khz_are_those_of_the_standard(void** state)
{
   (void)state;
   BmKWeighting filter;
   assert_int_equal(bm_k_weighting_init(&filter, 48000.0), BM_OK);
   assert_close(filter.coef.shelf_b0, 1.53512485958697, 1e-12);
   assert_close(filter.coef.shelf_b1, -2.69169618940638, 1e-12);
   assert_close(filter.coef.shelf_b2, 1.19839281085285, 1e-12);
   assert_close(filter.coef.shelf_a1, -1.69065929318241, 1e-12);
   assert_close(filter.coef.shelf_a2, 0.73248077421585, 1e-12);
   assert_close(filter.coef.low_cut_a1, -1.99004745483398, 1e-12);
   assert_close(filter.coef.low_cut_a2, 0.99007225036621, 1e-12);
}

/* Reference sheet section 3: K-weighting at 48 kHz, computed from the standard's tables. */
static void the_curve_at_48_khz_is_that_of_the_standard(void** state)
{
   (void)state;
   static const double curve[][2] = {{20.0, -13.2754}, {50.0, -3.9341},  {100.0, -1.1335}, {500.0, 0.0425},
                                     {997.0, 0.6910},  {2000.0, 3.0713}, {8000.0, 4.0394}, {16000.0, 4.0431}};
   for (uint32_t i = 0; i < sizeof curve / sizeof curve[0]; ++i) {
      assert_close(response_db(48000.0, curve[i][0]), curve[i][1], 2e-4);
   }
}

/* Reference sheet section 3: 997 Hz at the other rates. */
static void every_rate_reads_a_tone_alike(void** state)
{
   (void)state;
   assert_close(response_db(44100.0, 997.0), 0.6938, 2e-4);
   assert_close(response_db(96000.0, 997.0), 0.6737, 2e-4);
   assert_close(response_db(8000.0, 997.0), 0.6910, 0.1);
   assert_close(response_db(192000.0, 997.0), 0.6910, 0.1);
}

static void a_rate_out_of_range_is_refused(void** state)
{
   (void)state;
   BmKWeighting filter;
   assert_int_equal(bm_k_weighting_init(&filter, 7999.0), BM_BAD_RATE);
   assert_int_equal(bm_k_weighting_init(&filter, NAN), BM_BAD_RATE);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_coefficients_at_48_khz_are_those_of_the_standard),
      cmocka_unit_test(the_curve_at_48_khz_is_that_of_the_standard),
      cmocka_unit_test(every_rate_reads_a_tone_alike),
      cmocka_unit_test(a_rate_out_of_range_is_refused),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
