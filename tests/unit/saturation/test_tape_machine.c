/* SPDX-License-Identifier: ISC */
/* If these fail, a tape speed sounds like another one. */
#include "unit_test.h"

#include "saturation/loss_filter.h"
#include "saturation/tape_machine.h"

static double db(double gain_lin)
{
   return 20.0 * log10(gain_lin);
}

static void losses_are_wallaces(void** state)
{
   (void)state;
   /* Speed in m/s; spacing 1 um, gap 2 um, thickness 10 um at 1, 10 and 20 kHz: reference sheet, computed
      from Wallace's formulas, 0.02 dB. */
   const double speeds_m_s[] = {0.0476, 0.0953, 0.1905, 0.381, 0.762};
   const double hz[] = {1e3, 10e3, 20e3};
   const double table_db[5][3][3] = {
      {{-1.147, -0.025, -5.111}, {-11.465, -2.688, -22.411}, {-22.931, -14.792, -28.432}},
      {{-0.573, -0.006, -2.707}, {-5.727, -0.639, -16.394}, {-11.453, -2.682, -22.402}},
      {{-0.286, -0.002, -1.393}, {-2.865, -0.158, -10.693}, {-5.730, -0.639, -16.398}},
      {{-0.143, 0.000, -0.706}, {-1.432, -0.039, -6.199}, {-2.865, -0.158, -10.693}},
      {{-0.072, 0.000, -0.356}, {-0.716, -0.010, -3.336}, {-1.432, -0.039, -6.199}},
   };
   for (int s = 0; s < 5; ++s) {
      for (int f = 0; f < 3; ++f) {
         assert_close(db(bm_tape_spacing_loss(hz[f], speeds_m_s[s], 1e-6)), table_db[s][f][0], 0.02);
         assert_close(db(bm_tape_gap_loss(hz[f], speeds_m_s[s], 2e-6)), table_db[s][f][1], 0.02);
         assert_close(db(bm_tape_thickness_loss(hz[f], speeds_m_s[s], 10e-6)), table_db[s][f][2], 0.02);
      }
   }
   /* "54.6 dB per wavelength" */
   assert_close(db(bm_tape_spacing_loss(1000.0, 1.0, 1e-3)), -54.6, 0.05);
   assert_true(bm_tape_gap_loss(0.0, 0.381, 2e-6) == 1.0 && bm_tape_thickness_loss(0.0, 0.381, 1e-5) == 1.0);
}

static void recorded_flux_follows_iec_60094_1(void** state)
{
   (void)state;
   /* re 1 kHz at 10, 16 and 20 kHz: reference sheet, from the standard's formula; t2 is infinite at these
    * speeds. */
   const double table_db[3][3] = {
      {-12.316, -16.267, -18.174}, {-7.456, -11.060, -12.879}, {-3.390, -6.070, -7.609}};
   const double hz[] = {10e3, 16e3, 20e3};
   for (BmTapeSpeed speed = BM_TAPE_SPEED_19; speed <= BM_TAPE_SPEED_76; ++speed) {
      const BmTapeMachine machine = bm_tape_machine(speed);
      for (int f = 0; f < 3; ++f) {
         assert_close(db(bm_tape_flux(hz[f], machine.flux_time_s) / bm_tape_flux(1e3, machine.flux_time_s)),
                      table_db[speed][f], 0.002);
      }
   }
}

static void more_bias_takes_highs_as_a_machine_is_biased(void** state)
{
   (void)state;
   /* 3 dB more bias than the maximum of sensitivity costs 3 dB at 10 kHz and 38 cm/s; common practice, no
    * source. */
   const BmTapeMachine machine = bm_tape_machine(BM_TAPE_SPEED_38);
   const double more = bm_tape_losses(&machine, pow(10.0, 3.0 / 20.0), 10e3);
   assert_close(db(more / bm_tape_losses(&machine, 1.0, 10e3)), -3.0, 0.2);
   assert_true(bm_tape_losses(&machine, 0.5, 10e3) > bm_tape_losses(&machine, 1.0, 10e3));
}

static void the_loss_filter_has_the_losses_of_the_formula(void** state)
{
   (void)state;
   static BmLossFilter filter;
   static BmFrame impulse[256];
   double magnitude_lin[2 * BM_LOSS_FILTER_MAX_TAPS + 1];
   const double rates_hz[] = {44100.0, 48000.0, 96000.0, 192000.0};
   const uint32_t taps[] = {48, 48, 96, 96};
   for (int r = 0; r < 4; ++r) {
      for (BmTapeSpeed speed = BM_TAPE_SPEED_19; speed <= BM_TAPE_SPEED_76; ++speed) {
         const BmTapeMachine machine = bm_tape_machine(speed);
         bm_loss_filter_init(&filter, taps[r]);
         const uint32_t n_points = bm_loss_filter_n_points(&filter);
         for (uint32_t i = 0; i < n_points; ++i) {
            const double hz = 0.5 * rates_hz[r] * i / (n_points - 1);
            magnitude_lin[i] = bm_tape_losses(&machine, 1.0, hz) / bm_tape_flux(hz, machine.flux_time_s);
         }
         bm_loss_filter_set(&filter, magnitude_lin);
         for (int n = 0; n < 256; ++n) {
            impulse[n] = bm_frame_both(n == 0 ? 1.0 : 0.0);
         }
         bm_loss_filter_process(&filter, impulse, impulse, 256);
         for (double hz = 50.0; hz <= 20000.0; hz *= 1.1) {
            double re = 0.0;
            double im = 0.0;
            for (int n = 0; n < 256; ++n) {
               re += impulse[n][0] * cos(2.0 * M_PI * hz * n / rates_hz[r]);
               im += impulse[n][0] * sin(2.0 * M_PI * hz * n / rates_hz[r]);
            }
            const double expected = bm_tape_losses(&machine, 1.0, hz) / bm_tape_flux(hz, machine.flux_time_s);
            /* The formula's corner at zero frequency is narrower than the filter can be. */
            assert_close(db(hypot(re, im)), db(expected), hz < 1000.0 ? 0.7 : 0.15);
         }
         /* Linear phase, centred on the latency told. */
         const uint32_t centre = bm_loss_filter_latency_frames(&filter);
         for (uint32_t n = 1; n < taps[r]; ++n) {
            assert_true(impulse[centre - n][0] == impulse[centre + n][0]);
         }
      }
   }
}

static void a_response_that_changes_moves_in_a_straight_line_and_arrives(void** state)
{
   (void)state;
   static BmLossFilter filter;
   double all[2 * 16 + 1];
   double none[2 * 16 + 1];
   for (int i = 0; i < 33; ++i) {
      all[i] = 1.0;
      none[i] = 0.0;
   }
   bm_loss_filter_init(&filter, 16);
   bm_loss_filter_set(&filter, all);
   BmFrame frames[200];
   for (int n = 0; n < 200; ++n) {
      frames[n] = bm_frame_both(1.0);
   }
   bm_loss_filter_process(&filter, frames, frames, 40);
   bm_loss_filter_glide(&filter, none);
   bm_loss_filter_process(&filter, frames + 40, frames + 40, 160);
   assert_close(frames[39][0], 1.0, 1e-12);
   for (int n = 0; n < BM_LOSS_FILTER_GLIDE_FRAMES; ++n) {
      assert_close(frames[40 + n][0], 1.0 - (n + 1.0) / BM_LOSS_FILTER_GLIDE_FRAMES, 1e-12);
   }
   assert_true(frames[199][0] == 0.0);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(losses_are_wallaces),
      cmocka_unit_test(recorded_flux_follows_iec_60094_1),
      cmocka_unit_test(more_bias_takes_highs_as_a_machine_is_biased),
      cmocka_unit_test(the_loss_filter_has_the_losses_of_the_formula),
      cmocka_unit_test(a_response_that_changes_moves_in_a_straight_line_and_arrives),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
