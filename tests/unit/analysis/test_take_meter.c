/* SPDX-License-Identifier: ISC */
/* If these fail, the meter on a take and the bench's report of it tell two stories. */
#include "unit_test.h"

#include "analysis/take_meter.h"

#include <stdlib.h>

static const double pi = 3.14159265358979323846;

static BmTakeMeter meter;

static void* open_meter(double rate_hz, uint32_t n_channels)
{
   void* memory = aligned_alloc(64, (bm_take_meter_bytes(rate_hz) + 63) / 64 * 64);
   assert_int_equal(bm_take_meter_init(&meter, memory, rate_hz, n_channels), BM_OK);
   return memory;
}

/* A sine has a crest factor of 3.01 dB; a square wave of 0 dB; weighted by energy when they share a pair. */
static void the_crest_factor_is_peak_over_rms_weighted_by_energy(void** state)
{
   (void)state;
   void* memory = open_meter(48000.0, 2);
   assert_true(bm_take_meter_crest_db(&meter) == 0.0);
   for (int n = 0; n < 48000; ++n) {
      const double sine = sin(2.0 * pi * 100.0 * n / 48000.0);
      const BmFrame x = bm_frame(0.5 * sine, n / 240 % 2 ? 0.5 : -0.5);
      bm_take_meter_process(&meter, &x, 1);
   }
   assert_close(bm_take_meter_crest_db(&meter), 3.0103 * 0.125 / 0.375, 0.001);
   free(memory);
}

/* At any frame, not only where a hop of the loudness ends. */
static void the_correlation_is_that_of_every_frame_so_far(void** state)
{
   (void)state;
   void* memory = open_meter(44100.0, 2);
   uint64_t seed = 8;
   double ll = 0.0;
   double rr = 0.0;
   double lr = 0.0;
   for (int n = 0; n < 3000; ++n) {
      const double both = bm_test_random(&seed);
      const BmFrame x = bm_frame(both + 0.5 * bm_test_random(&seed), 0.7 * both - 0.1 * n / 3000.0);
      ll += x[0] * x[0];
      rr += x[1] * x[1];
      lr += x[0] * x[1];
      bm_take_meter_process(&meter, &x, 1);
      assert_close(bm_correlation_norm(&meter.correlation), lr / sqrt(ll * rr), 1e-12);
      assert_close(bm_correlation_energies(&meter.correlation)[1], rr, 1e-12 * rr);
   }
   free(memory);
}

static void every_figure_begins_anew_after_reset(void** state)
{
   (void)state;
   void* memory = open_meter(44100.0, 2);
   double first[6];
   for (int run = 0; run < 2; ++run) {
      uint64_t seed = 4;
      for (int n = 0; n < 44100 * 4; ++n) {
         const double t = fmod(n / 44100.0 + 0.3, 1.0);
         const double note = exp(-4.0 * t) * sin(2.0 * pi * 110.0 * n / 44100.0);
         const BmFrame x = bm_frame(0.4 * note + 0.01 * bm_test_random(&seed), 0.3 * note);
         bm_take_meter_process(&meter, &x, 1);
      }
      const double figures[6] = {bm_loudness_integrated_lufs(&meter.loudness),
                                 bm_loudness_range_lu(&meter.loudness),
                                 bm_true_peak_db(&meter.true_peak),
                                 bm_correlation_norm(&meter.correlation),
                                 bm_attack_to_sustain_db(&meter.attack),
                                 bm_take_meter_crest_db(&meter)};
      for (int i = 0; i < 6; ++i) {
         if (run == 0) {
            first[i] = figures[i];
         }
         assert_true(figures[i] == first[i]);
      }
      bm_take_meter_reset(&meter);
      for (uint32_t n = 0; run == 0 && n < 44100; ++n) { /* something else in between */
         const BmFrame x = bm_frame(bm_test_random(&seed), -1.0);
         bm_take_meter_process(&meter, &x, 1);
      }
      bm_take_meter_reset(&meter);
   }
   assert_between(first[3], 0.9, 1.0);
   assert_true(first[4] > 3.0);
   free(memory);
}

static void bad_arguments_are_refused(void** state)
{
   (void)state;
   void* memory = open_meter(44100.0, 1);
   assert_int_equal(bm_take_meter_init(&meter, memory, 1.0, 2), BM_BAD_RATE);
   assert_int_equal(bm_take_meter_init(&meter, memory, 44100.0, 3), BM_BAD_ARGUMENT);
   assert_int_equal(bm_take_meter_init(&meter, NULL, 44100.0, 2), BM_BAD_ARGUMENT);
   free(memory);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_crest_factor_is_peak_over_rms_weighted_by_energy),
      cmocka_unit_test(the_correlation_is_that_of_every_frame_so_far),
      cmocka_unit_test(every_figure_begins_anew_after_reset),
      cmocka_unit_test(bad_arguments_are_refused),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
