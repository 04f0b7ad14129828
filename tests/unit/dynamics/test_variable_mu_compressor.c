/* SPDX-License-Identifier: ISC */
/* If these fail, the variable-mu compressor's ratio does not grow, its pair does not cancel, its release has
   one stage only, or it sounds different at another rate. */
#include "unit_test.h"

#include "dynamics_test.h"
#include "ladder.h"

#include "dynamics/variable_mu_compressor.h"

static BmVariableMuCompressor mu;

BM_TEST_DEVICE(variable_mu_compressor, mu)

static BmVariableMuCompressorParams plain(void)
{
   return (BmVariableMuCompressorParams){.threshold_db = -20.0,
                                         .attack_ms = 20.0,
                                         .release_s = 1.0,
                                         .sidechain_low_cut_hz = 20.0,
                                         .link = 1.0,
                                         .quality = BM_QUALITY_LIVE};
}

static void start(double rate_hz, const BmVariableMuCompressorParams* params)
{
   assert_int_equal(bm_variable_mu_compressor_init(&mu, rate_hz), BM_OK);
   bm_variable_mu_compressor_set(&mu, params);
}

static double reduction_db(void)
{
   return bm_variable_mu_compressor_reduction_db(&mu);
}

/* Output level of a settled 1 kHz sine; its last tenth of a second stays in `tail`. */
static BmFrame tail[19200];
static uint32_t n_tail;

static double settled_db(double rate_hz, const BmVariableMuCompressorParams* params, double input_db)
{
   start(rate_hz, params);
   n_tail = (uint32_t)(rate_hz / 10.0);
   BmTestSine sine = {rate_hz, 1000.0, bm_test_lin(input_db), 0};
   bm_test_run_sine(&device, &sine, NULL, 15 * n_tail);
   bm_test_run_sine(&device, &sine, tail, n_tail);
   return bm_test_db(bm_test_component(tail, n_tail, 100.0));
}

static double harmonic_db(double h)
{
   return bm_test_db(bm_test_component(tail, n_tail, 100.0 * h) / bm_test_component(tail, n_tail, 100.0) +
                     1e-20);
}

static void the_table_is_the_law(void** state)
{
   (void)state;
   BmRemoteCutoffTube tube;
   bm_remote_cutoff_tube_init(&tube);
   const double at_rest = bm_remote_cutoff_tube_law(0.0);
   for (double v = -60.0; v < 30.0; v += 0.0371) {
      const double current = bm_remote_cutoff_tube_current(&tube, v);
      const double slope = bm_remote_cutoff_tube_slope_per_v(&tube, v);
      assert_close(current / at_rest, bm_remote_cutoff_tube_law(v) / at_rest, 1e-8);
      const double step = 1e-4;
      const double truth =
         (bm_remote_cutoff_tube_law(v + step) - bm_remote_cutoff_tube_law(v - step)) / (2.0 * step);
      assert_close(slope / at_rest, truth / at_rest, 1e-6);
   }
}

static void the_ratio_grows_from_one_and_a_half_to_over_eight_in_twenty_db(void** state)
{
   (void)state;
   const BmVariableMuCompressorParams params = plain();
   double last_ratio = 1.0;
   double from_db = -100.0;
   double last_out = settled_db(48000.0, &params, -20.0);
   for (double input = -18.0; input <= 8.0; input += 2.0) {
      const double out = settled_db(48000.0, &params, input);
      const double ratio = 2.0 / (out - last_out);
      assert_true(ratio > last_ratio);
      if (from_db == -100.0 && ratio >= 1.5) {
         assert_between(ratio, 1.5, 1.9);
         from_db = input;
      }
      if (from_db != -100.0 && input >= from_db + 20.0) {
         assert_between(ratio, 8.0, 20.0);
         return;
      }
      last_ratio = ratio;
      last_out = out;
   }
   fail_msg("the ratio was never 1.5 with 20 dB to go");
}

static void its_curve_is_the_same_at_every_rate(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 96000.0, 192000.0};
   const BmVariableMuCompressorParams params = plain();
   for (double input = -16.0; input <= 0.0; input += 8.0) {
      const double reference = settled_db(48000.0, &params, input);
      for (unsigned r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
         assert_close(settled_db(rates_hz[r], &params, input), reference, 0.05);
      }
   }
}

static double attack_ms(double rate_hz, double knob_ms)
{
   BmVariableMuCompressorParams params = plain();
   params.attack_ms = knob_ms;
   const double peak_db = -3.0; /* about 10 dB of reduction */
   settled_db(rate_hz, &params, peak_db);
   const double wanted = reduction_db() * (1.0 - exp(-1.0));
   start(rate_hz, &params);
   BmTestSine sine = {rate_hz, 1000.0, bm_test_lin(peak_db), 0};
   const uint32_t ms = (uint32_t)lrint(rate_hz / 1000.0);
   double t_ms = 0.0;
   double last = 0.0;
   double now = 0.0;
   for (; now < wanted && t_ms < 1000.0; t_ms += ms * 1000.0 / rate_hz) {
      bm_test_run_sine(&device, &sine, NULL, ms);
      last = now;
      now = reduction_db();
   }
   /* The meter tells the end of the millisecond before; half of the filters' latency lies before the circuit.
    */
   const BmOversample* filters = &mu.qualities.oversample[BM_QUALITY_LIVE];
   return t_ms - 1.0 - (now - wanted) / (now - last) -
          500.0 * bm_oversample_latency_frames(filters) / rate_hz;
}

static void its_attack_is_what_the_knob_says_at_every_rate(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 192000.0};
   static const double knobs_ms[] = {5.0, 20.0, 100.0};
   for (unsigned k = 0; k < 3; ++k) {
      const double reference = attack_ms(48000.0, knobs_ms[k]);
      assert_close(reference, knobs_ms[k], 0.12 * knobs_ms[k]);
      for (unsigned r = 0; r < 3; ++r) {
         assert_close(attack_ms(rates_hz[r], knobs_ms[k]), reference, 0.05 * reference);
      }
   }
}

/* Time until the reduction has halved after a burst at about 8 dB of reduction. */
static double half_s(double rate_hz, double release_s, double burst_s)
{
   BmVariableMuCompressorParams params = plain();
   params.attack_ms = 5.0;
   params.release_s = release_s;
   start(rate_hz, &params);
   BmTestSine sine = {rate_hz, 1000.0, bm_test_lin(-5.0), 0};
   bm_test_run_sine(&device, &sine, NULL, (uint32_t)(burst_s * rate_hz));
   const double from_db = reduction_db();
   sine.peak = 1e-4;
   const uint32_t ms = (uint32_t)lrint(rate_hz / 1000.0);
   double t_s = 0.0;
   for (; reduction_db() > 0.5 * from_db && t_s < 60.0; t_s += ms / rate_hz) {
      bm_test_run_sine(&device, &sine, NULL, ms);
   }
   return t_s;
}

static void a_peak_is_let_go_sooner_than_a_sustained_level(void** state)
{
   (void)state;
   assert_true(half_s(8000.0, 0.2, 5.0) > 1.3 * half_s(8000.0, 0.2, 0.02));
   assert_true(half_s(8000.0, 2.0, 10.0) > 2.5 * half_s(8000.0, 2.0, 0.1));
   assert_true(half_s(8000.0, 25.0, 60.0) > 4.0 * half_s(8000.0, 25.0, 0.1));
   assert_between(half_s(8000.0, 25.0, 60.0), 8.0, 25.0);
   const double reference = half_s(48000.0, 1.0, 3.0);
   static const double rates_hz[] = {8000.0, 44100.0, 192000.0};
   for (unsigned r = 0; r < 3; ++r) {
      assert_close(half_s(rates_hz[r], 1.0, 3.0), reference, 0.05 * reference);
   }
}

static void even_harmonics_cancel_in_a_balanced_pair_and_lead_in_an_unbalanced_one(void** state)
{
   (void)state;
   double last_h2 = -200.0;
   for (double input = -16.0; input <= 0.0; input += 4.0) {
      BmVariableMuCompressorParams params = plain();
      params.quality = BM_QUALITY_RENDER;
      settled_db(48000.0, &params, input);
      assert_true(harmonic_db(2.0) < -120.0 && harmonic_db(4.0) < -120.0);
      const double h3 = harmonic_db(3.0);
      params.balance = 0.5;
      settled_db(48000.0, &params, input);
      const double h2 = harmonic_db(2.0);
      assert_true(h2 > harmonic_db(3.0) + 6.0);
      assert_close(harmonic_db(3.0), h3, 1.0); /* the odd ones do not mind */
      assert_true(h2 > last_h2 + 1.0);
      last_h2 = h2;
      params.balance = -0.5;
      settled_db(48000.0, &params, input);
      assert_close(harmonic_db(2.0), h2, 0.1);
   }
   assert_between(last_h2, -45.0, -25.0);
}

static void an_unbalanced_pair_neither_thumps_nor_leaves_direct_current(void** state)
{
   (void)state;
   BmVariableMuCompressorParams params = plain();
   params.balance = 1.0;
   start(48000.0, &params);
   BmTestSine sine = {48000.0, 1000.0, 0.5, 0};
   static BmFrame out[48000];
   bm_test_run_sine(&device, &sine, NULL, 48000);
   bm_test_run_sine(&device, &sine, out, 48000);
   double sum = 0.0;
   for (uint32_t i = 0; i < 48000; ++i) {
      sum += out[i][0];
   }
   assert_close(sum / 48000.0, 0.0, 1e-5);
   /* Silence after it, while the control voltage dies away: -100 dBFS. */
   sine.peak = 0.0;
   bm_test_run_sine(&device, &sine, NULL, 24000);
   bm_test_run_sine(&device, &sine, out, 24000);
   for (uint32_t i = 0; i < 24000; ++i) {
      assert_close(out[i][0], 0.0, 1e-5);
   }
}

/* Two octaves under the corner of a Butterworth high-pass of 12 dB/octave: -24.1 dB. */
static void the_low_cut_keeps_the_boom_out_of_the_detector(void** state)
{
   (void)state;
   BmVariableMuCompressorParams params = plain();
   params.threshold_db = -45.0;
   params.release_s = 4.0;
   double reduced_db[2];
   for (int low = 0; low < 2; ++low) {
      params.sidechain_low_cut_hz = low ? 200.0 : 20.0;
      start(48000.0, &params);
      BmTestSine sine = {48000.0, low ? 50.0 : 1000.0, bm_test_lin(low ? -12.0 : -36.1), 0};
      bm_test_run_sine(&device, &sine, NULL, 96000);
      reduced_db[low] = reduction_db();
   }
   assert_between(reduced_db[0], 2.0, 10.0);
   assert_close(reduced_db[1], reduced_db[0], 0.3);
}

static void a_low_note_is_held_down_no_deeper_at_its_onset_than_after(void** state)
{
   (void)state;
   static const double cuts_hz[] = {20.0, 60.0, 120.0};
   for (unsigned c = 0; c < 3; ++c) {
      BmVariableMuCompressorParams params = plain();
      params.threshold_db = -50.0;
      params.attack_ms = 10.0;
      params.sidechain_low_cut_hz = cuts_hz[c];
      start(48000.0, &params);
      const BmTestSine low_note = {48000.0, 82.4, 0.5, 0};
      assert_between(bm_test_overshoot_db(&device, low_note, reduction_db), -1.0, 1.0);
      assert_between(reduction_db(), 25.0, 35.0);
   }
}

static void small_signals_pass_unchanged(void** state)
{
   (void)state;
   BmVariableMuCompressorParams params = plain();
   params.balance = 0.3;
   assert_close(settled_db(48000.0, &params, -40.0), -40.0, 0.01);
   assert_true(harmonic_db(2.0) < -80.0);
}

static BmVariableMuCompressorParams anything(uint64_t* seed)
{
   return (BmVariableMuCompressorParams){
      .threshold_db = -25.0 + 25.0 * bm_test_random(seed),
      .attack_ms = 52.5 + 47.5 * bm_test_random(seed),
      .release_s = 0.2 + 12.0 * (1.0 + bm_test_random(seed)),
      .balance = bm_test_random(seed),
      .sidechain_low_cut_hz = 270.0 + 250.0 * bm_test_random(seed),
      .link = 0.5 + 0.5 * bm_test_random(seed),
      .quality = bm_test_random(seed) > 0.0 ? BM_QUALITY_RENDER : BM_QUALITY_LIVE,
   };
}

BM_TEST_MOVES(BmVariableMuCompressor, variable_mu_compressor, -10.0)

static void a_moved_control_arrives_without_a_click(void** state)
{
   (void)state;
   before = plain();
   after = before;
   after.makeup_db = -6.0;
   check_move();
   after = before;
   after.threshold_db = -40.0;
   after.attack_ms = 5.0;
   check_move();
   after = before;
   after.balance = 1.0;
   check_move();
   after = before;
   after.quality = BM_QUALITY_RENDER;
   check_move();
   after = before;
   before.sidechain_low_cut_hz = 300.0; /* downwards: it lets go slowly */
   check_move();
}

static void any_controls_at_any_rate_leave_it_finite_and_bounded(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 384000.0};
   uint64_t seed = 11;
   for (unsigned r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      BmVariableMuCompressorParams params = plain();
      start(rates_hz[r], &params);
      BmFrame block[32];
      for (int b = 0; b < 800; ++b) {
         params = anything(&seed);
         params.quality = b % 90 < 45 ? BM_QUALITY_LIVE : BM_QUALITY_RENDER;
         bm_variable_mu_compressor_set(&mu, &params);
         const double peak = b % 10 == 0 ? 1e4 : b % 10 == 1 ? 0.0 : b % 10 == 2 ? 1e-30 : 1.0;
         bm_test_noise(block, 32, peak, (uint64_t)b);
         process(&mu, block, block, 32);
         for (int i = 0; i < 32; ++i) {
            assert_true(fabs(block[i][0]) < 1e6 && fabs(block[i][1]) < 1e6);
         }
         assert_between(reduction_db(), 0.0, 100.0);
      }
   }
}

static void* fresh(void)
{
   BmVariableMuCompressor* self = aligned_alloc(64, (sizeof *self + 63) / 64 * 64);
   assert_int_equal(bm_variable_mu_compressor_init(self, 44100.0), BM_OK);
   BmVariableMuCompressorParams params = plain();
   params.balance = 0.5;
   bm_variable_mu_compressor_set(self, &params);
   return self;
}

static void block_size_place_and_reset_change_no_bit(void** state)
{
   (void)state;
   const BmLadder ladder = {fresh, process, (void (*)(void*))bm_variable_mu_compressor_reset, free};
   bm_test_climb(&ladder, 12000);
   bm_test_climb_moving(&ladder, move, 12000);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_table_is_the_law),
      cmocka_unit_test(the_ratio_grows_from_one_and_a_half_to_over_eight_in_twenty_db),
      cmocka_unit_test(its_curve_is_the_same_at_every_rate),
      cmocka_unit_test(its_attack_is_what_the_knob_says_at_every_rate),
      cmocka_unit_test(a_peak_is_let_go_sooner_than_a_sustained_level),
      cmocka_unit_test(even_harmonics_cancel_in_a_balanced_pair_and_lead_in_an_unbalanced_one),
      cmocka_unit_test(an_unbalanced_pair_neither_thumps_nor_leaves_direct_current),
      cmocka_unit_test(the_low_cut_keeps_the_boom_out_of_the_detector),
      cmocka_unit_test(a_low_note_is_held_down_no_deeper_at_its_onset_than_after),
      cmocka_unit_test(small_signals_pass_unchanged),
      cmocka_unit_test(a_moved_control_arrives_without_a_click),
      cmocka_unit_test(any_controls_at_any_rate_leave_it_finite_and_bounded),
      cmocka_unit_test(block_size_place_and_reset_change_no_bit),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
