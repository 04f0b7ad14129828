/* SPDX-License-Identifier: ISC */
/* If these fail, lining takes up dulls them, or moves them to somewhere else than asked. */
#include "unit_test.h"

#include "base/fractional_delay.h"

/* Against the ideal delay, exp(-i omega d): the definition (Laakso et al. 1996, eq. 4). */
static void every_fraction_is_an_ideal_delay_up_to_20_khz_at_44100_hz(void** state)
{
   (void)state;
   double worst = 0.0;
   for (double fraction = 0.0; fraction < 1.0; fraction += 1.0 / 64.0) {
      double weights[BM_FRACTIONAL_TAPS];
      bm_fractional_delay_design(fraction, weights);
      for (double hz = 0.0; hz <= 20000.0; hz += 100.0) {
         const double omega = 2.0 * 3.14159265358979323846 * hz / 44100.0;
         double real = 0.0, imaginary = 0.0;
         for (int k = 0; k < BM_FRACTIONAL_TAPS; ++k) {
            const double t = k - BM_FRACTIONAL_LATENCY_FRAMES - fraction;
            real += weights[k] * cos(omega * t);
            imaginary -= weights[k] * sin(omega * t);
         }
         worst = fmax(worst, hypot(real - 1.0, imaginary));
      }
   }
   assert_between(20.0 * log10(worst), -100.0, -64.0);
}

static void whole_frames_are_delayed_to_the_bit(void** state)
{
   (void)state;
   double weights[BM_FRACTIONAL_TAPS];
   bm_fractional_delay_design(0.0, weights);
   for (int k = 0; k < BM_FRACTIONAL_TAPS; ++k) {
      assert_true(weights[k] == (k == BM_FRACTIONAL_LATENCY_FRAMES ? 1.0 : 0.0));
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_fraction_is_an_ideal_delay_up_to_20_khz_at_44100_hz),
      cmocka_unit_test(whole_frames_are_delayed_to_the_bit),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
