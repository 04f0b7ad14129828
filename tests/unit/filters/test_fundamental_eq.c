/* SPDX-License-Identifier: ISC */
/* If these fail, the low cut eats the note it should stand under, or a moved control is heard. */
#include "unit_test.h"

#include "filters/fundamental_eq.h"

#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
#define LENGTH(array) (sizeof(array) / sizeof((array)[0]))

static BmFundamentalEqParams flat(void)
{
   return (BmFundamentalEqParams){
      .lowest_note_hz = 82.40688922821748,
      .low_cut = false,
      .low_cut_slope_db_oct = 24,
      .low_cut_ratio = 0.768,
      .harmonic = 2,
      .harmonic_q = 1.0,
      .low_shelf = {.frequency_hz = 120.0},
      .bells = {{.frequency_hz = 400.0, .q = 1.0}, {.frequency_hz = 3000.0, .q = 1.0}},
      .high_shelf = {.frequency_hz = 8000.0},
   };
}

/* Left lane of the answer to a unit impulse. */
static void answer_to_impulse(double rate_hz, const BmFundamentalEqParams* params, double* h, uint32_t n)
{
   BmFundamentalEq eq;
   assert_int_equal(bm_fundamental_eq_init(&eq, rate_hz), BM_OK);
   bm_fundamental_eq_set(&eq, params);
   for (uint32_t i = 0; i < n; ++i) {
      BmFrame frame = bm_frame_both(i == 0 ? 1.0 : 0.0);
      bm_fundamental_eq_process(&eq, &frame, &frame, 1);
      h[i] = frame[0];
   }
}

/* Magnitude at one frequency by the definition of the Fourier transform. */
static double magnitude_db(const double* h, uint32_t n, double omega)
{
   double re = 0.0, im = 0.0, c = 1.0, s = 0.0;
   const double step_c = cos(omega), step_s = sin(omega);
   for (uint32_t i = 0; i < n; ++i) {
      re += h[i] * c;
      im -= h[i] * s;
      const double next = c * step_c - s * step_s;
      s = c * step_s + s * step_c;
      c = next;
   }
   return 10.0 * log10(re * re + im * im);
}

static void the_low_cut_spares_the_note_and_takes_the_octave_below(void** state)
{
   (void)state;
   const uint32_t n = 65536;
   double* h = malloc(n * sizeof *h);
   BmFundamentalEqParams params = flat();
   params.low_cut = true;
   answer_to_impulse(48000.0, &params, h, n);
   const double note = 2.0 * PI * params.lowest_note_hz / 48000.0;
   assert_between(magnitude_db(h, n, note), -0.5, 0.0);
   assert_between(magnitude_db(h, n, 0.5 * note), -100.0, -15.0);
   /* 10 log10(1 + 0.77^8): a ratio of 0.77 takes a hair more. */
   params.low_cut_ratio = 0.77;
   answer_to_impulse(48000.0, &params, h, n);
   assert_close(magnitude_db(h, n, note), -0.5060, 0.0005);
   free(h);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_low_cut_spares_the_note_and_takes_the_octave_below),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
