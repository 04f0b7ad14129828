/* SPDX-License-Identifier: ISC */
/* If these fail, the opto compressor's cell forgets too soon or too late, its law is not the one told, or it
   sounds different at another rate. */
#include "unit_test.h"

#include "dynamics_test.h"
#include "ladder.h"

#include "dynamics/opto_compressor.h"

static BmOptoCompressor opto;

BM_TEST_DEVICE(opto_compressor, opto)

static BmOptoCompressorParams plain(void)
{
   return (BmOptoCompressorParams){
      .threshold_db = -20.0, .release_ms = 200.0, .sidechain_low_cut_hz = 20.0, .link = 1.0};
}

static void start(double rate_hz, const BmOptoCompressorParams* params)
{
   assert_int_equal(bm_opto_compressor_init(&opto, rate_hz), BM_OK);
   bm_opto_compressor_set(&opto, params);
}

static double reduction_db(void)
{
   return bm_opto_compressor_reduction_db(&opto);
}

/* Reduction of a sine `over_db` above the threshold, settled. */
static double settled_db(double rate_hz, const BmOptoCompressorParams* params, double hz, double over_db)
{
   start(rate_hz, params);
   BmTestSine sine = {rate_hz, hz, bm_test_lin(params->threshold_db + over_db), 0};
   bm_test_run_sine(&device, &sine, NULL,
                    (uint32_t)(6.0 * rate_hz)); /* the slow traps take seconds to fill */
   return reduction_db();
}

/* The conductance asked for by a sine `over_db` above the threshold: (|sin| y/T)^power over a sine's own
   mean, through the lamp's limit of 60, averaged over the wave. */
static double asked_for(double over_db, double power)
{
   enum { N = 1000 };
   double mean = 0.0;
   for (int i = 0; i < N; ++i) {
      mean += pow(sin(BM_TEST_PI * (i + 0.5) / N), power) / N;
   }
   double light = 0.0;
   for (int i = 0; i < N; ++i) {
      const double asked = pow(bm_test_lin(over_db) * sin(BM_TEST_PI * (i + 0.5) / N), power) / mean;
      light += asked / (1.0 + asked / 60.0) / N;
   }
   return light;
}

/* The divider's reduction where output and light agree, by halving. */
static double law_db(double over_db, double power)
{
   double low = 0.0;
   double high = 60.0;
   for (int i = 0; i < 40; ++i) {
      const double reduction = 0.5 * (low + high);
      *(asked_for(over_db - reduction, power) > bm_test_lin(reduction) - 1.0 ? &low : &high) = reduction;
   }
   return low;
}

static void its_law_is_the_one_told_at_every_rate(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 192000.0};
   for (unsigned r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      for (double over = -6.0; over <= 24.0; over += 10.0) {
         BmOptoCompressorParams params = plain();
         assert_close(settled_db(rates_hz[r], &params, 1000.0, over), law_db(over, 3.0), 0.05);
         params.limit = true;
         assert_close(settled_db(rates_hz[r], &params, 1000.0, over), law_db(over, 9.0), 0.15);
      }
   }
}

static void the_ratio_is_near_three_and_rises_with_level_and_the_limit_is_steeper(void** state)
{
   (void)state;
   BmOptoCompressorParams params = plain();
   double last_ratio = 1.0;
   double last = settled_db(48000.0, &params, 1000.0, -4.0);
   for (double over = 0.0; over <= 24.0; over += 4.0) {
      const double now = settled_db(48000.0, &params, 1000.0, over);
      const double ratio = 4.0 / (4.0 - (now - last));
      assert_true(ratio > last_ratio);
      if (now > 7.0 && last < 12.0) {
         assert_between(ratio, 2.3, 3.5);
      }
      last_ratio = ratio;
      last = now;
   }
   params.limit = true;
   const double ratio =
      4.0 / (4.0 - (settled_db(48000.0, &params, 1000.0, 14.0) - settled_db(48000.0, &params, 1000.0, 10.0)));
   assert_between(ratio, 6.0, 10.0);
}

typedef struct {
   double reduction_db, attack_ms, half_ms, tail_ms; /* tail: to a tenth of the reduction */
} Burst;

static Burst burst(double rate_hz, double over_db, double duration_s)
{
   const BmOptoCompressorParams params = plain();
   start(rate_hz, &params);
   static double trace_db[10000];
   const uint32_t ms = (uint32_t)lrint(rate_hz / 1000.0);
   const uint32_t n_ms = (uint32_t)(1000.0 * duration_s);
   BmTestSine sine = {rate_hz, 1000.0, bm_test_lin(params.threshold_db + over_db), 0};
   for (uint32_t i = 0; i < n_ms; ++i) {
      bm_test_run_sine(&device, &sine, NULL, ms);
      trace_db[i] = reduction_db();
   }
   Burst b = {.reduction_db = trace_db[n_ms - 1]};
   while (trace_db[(uint32_t)b.attack_ms] < 0.632 * b.reduction_db) {
      b.attack_ms += 1.0;
   }
   sine.peak = 1e-4;
   for (double t_ms = 0.0; b.tail_ms == 0.0 && t_ms < 10000.0; t_ms += 1.0) {
      bm_test_run_sine(&device, &sine, NULL, ms);
      if (b.half_ms == 0.0 && reduction_db() < 0.5 * b.reduction_db) {
         b.half_ms = t_ms;
      }
      if (reduction_db() < 0.1 * b.reduction_db) {
         b.tail_ms = t_ms;
      }
   }
   return b;
}

static void it_grabs_in_ten_milliseconds_and_lets_half_go_in_forty_to_eighty(void** state)
{
   (void)state;
   static const double overs_db[] = {10.0, 14.0, 18.0};
   for (unsigned i = 0; i < 3; ++i) {
      for (double duration_s = 0.1; duration_s < 5.0; duration_s *= 4.0) {
         const Burst b = burst(48000.0, overs_db[i], duration_s);
         assert_between(b.attack_ms, 7.0, 14.0);
         assert_between(b.half_ms, 40.0, 80.0);
      }
   }
}

static void the_rest_takes_longer_after_a_longer_and_harder_exposure(void** state)
{
   (void)state;
   const Burst brief = burst(48000.0, 12.0, 0.1);
   const Burst second = burst(48000.0, 12.0, 1.0);
   const Burst lasting = burst(48000.0, 12.0, 10.0);
   assert_between(second.tail_ms, 500.0, 5000.0);
   assert_between(lasting.tail_ms, 1.5 * brief.tail_ms, 5000.0);
   assert_true(second.tail_ms > brief.tail_ms);

   /* Harder: what is left after a second, in dB, after two seconds of light. */
   double left_db[2];
   for (int hard = 0; hard < 2; ++hard) {
      const BmOptoCompressorParams params = plain();
      start(48000.0, &params);
      BmTestSine sine = {48000.0, 1000.0, bm_test_lin(-20.0 + (hard ? 20.0 : 10.0)), 0};
      bm_test_run_sine(&device, &sine, NULL, 96000);
      sine.peak = 1e-4;
      bm_test_run_sine(&device, &sine, NULL, 48000);
      left_db[hard] = reduction_db();
   }
   assert_true(left_db[1] > 1.2 * left_db[0]);
}

static void its_times_are_the_same_at_every_rate(void** state)
{
   (void)state;
   const Burst reference = burst(48000.0, 14.0, 1.0);
   static const double rates_hz[] = {8000.0, 96000.0, 192000.0};
   for (unsigned r = 0; r < 3; ++r) {
      const Burst b = burst(rates_hz[r], 14.0, 1.0);
      assert_close(b.reduction_db, reference.reduction_db, 0.05);
      assert_close(b.attack_ms, reference.attack_ms, 1.0);
      assert_close(b.half_ms, reference.half_ms, 0.05 * reference.half_ms);
      assert_close(b.tail_ms, reference.tail_ms, 0.05 * reference.tail_ms);
   }
}

/* A first-order shelf at 3 kHz, 24 dB: 1 + (10^(24/20) - 1) s / (s + w), so 23.0 dB at 6 kHz. */
static void emphasis_makes_it_hear_highs_24_db_louder(void** state)
{
   (void)state;
   const double more = bm_test_lin(24.0) - 1.0;
   const double shelf_db = bm_test_db(hypot(1.0 + more * 0.8, more * 0.4)); /* j2 / (1 + j2) = 0.8 + j0.4 */
   BmOptoCompressorParams params = plain();
   const double same_db = settled_db(192000.0, &params, 6000.0, -10.0 + shelf_db);
   assert_close(same_db, settled_db(192000.0, &params, 200.0, -10.0 + shelf_db), 0.1);
   params.emphasis = 1.0;
   assert_close(settled_db(192000.0, &params, 6000.0, -10.0), same_db, 0.1);
}

/* Two octaves under the corner of a Butterworth high-pass of 12 dB/octave: -24.1 dB. */
static void the_low_cut_keeps_the_boom_out_of_the_detector(void** state)
{
   (void)state;
   BmOptoCompressorParams params = plain();
   params.threshold_db = -40.0;
   const double plain_db = settled_db(48000.0, &params, 1000.0, 20.0);
   params.sidechain_low_cut_hz = 200.0;
   assert_close(settled_db(48000.0, &params, 50.0, 20.0 + 24.1), plain_db, 0.1);
}

static void a_low_note_is_held_down_no_deeper_at_its_onset_than_after(void** state)
{
   (void)state;
   BmOptoCompressorParams params = plain();
   params.threshold_db = -32.0;
   start(48000.0, &params);
   const BmTestSine low_note = {48000.0, 41.2, 0.5, 0};
   assert_between(bm_test_overshoot_db(&device, low_note, reduction_db), -1.0, 0.5);
   assert_between(reduction_db(), 15.0, 25.0);
}

static void its_reduction_is_smooth_on_plucked_notes(void** state)
{
   (void)state;
   enum { N = 5 * 48000 };
   static BmFrame take[N];
   bm_test_pluck(48000.0, 0.5, take, N);
   BmOptoCompressorParams params = plain();
   params.threshold_db = -32.0;
   start(48000.0, &params);
   double before = 0.0;
   uint32_t steep = 0;
   double most = 0.0;
   for (uint32_t ms = 0; ms < N / 48; ++ms) {
      process(&opto, take + 48 * ms, take + 48 * ms, 48);
      const double now = reduction_db();
      steep += fabs(now - before) >= 1.0;
      most = fmax(most, now);
      before = now;
   }
   assert_between(most, 8.0, 25.0);
   assert_true(steep < N / 48 / 100);
}

static void the_release_can_be_set_by_hand(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 48000.0, 192000.0};
   static const double releases_ms[] = {80.0, 1000.0};
   for (unsigned r = 0; r < 3; ++r) {
      for (unsigned k = 0; k < 2; ++k) {
         BmOptoCompressorParams params = plain();
         params.release_is_set = true;
         params.release_ms = releases_ms[k];
         start(rates_hz[r], &params);
         BmTestSine sine = {rates_hz[r], 1000.0, 0.5, 0};
         bm_test_run_sine(&device, &sine, NULL, (uint32_t)rates_hz[r]);
         sine.peak = 1e-4;
         /* The lamp's afterglow first: five of its time constants. */
         bm_test_run_sine(&device, &sine, NULL, (uint32_t)(0.09 * rates_hz[r]));
         const double from = bm_test_lin(reduction_db()) - 1.0;
         bm_test_run_sine(&device, &sine, NULL, (uint32_t)(0.001 * releases_ms[k] * rates_hz[r]));
         const double to = bm_test_lin(reduction_db()) - 1.0;
         assert_close(releases_ms[k] / log(from / to), releases_ms[k], 0.05 * releases_ms[k]);
      }
   }
}

static void the_link_makes_both_channels_follow_the_brighter_lamp(void** state)
{
   (void)state;
   double gain_db[2][2];
   for (int link = 0; link < 2; ++link) {
      BmOptoCompressorParams params = plain();
      params.link = link;
      start(48000.0, &params);
      BmFrame out = {0.0, 0.0};
      double peak[2] = {0.0, 0.0};
      for (int i = 0; i < 48000; ++i) {
         const double s = sin(2.0 * BM_TEST_PI * 1000.0 * i / 48000.0);
         const BmFrame in = bm_frame(0.5 * s, 0.02 * s);
         process(&opto, &in, &out, 1);
         for (int lane = 0; lane < 2; ++lane) {
            peak[lane] = i >= 47952 ? fmax(peak[lane], fabs(out[lane])) : 0.0;
         }
      }
      gain_db[link][0] = bm_test_db(peak[0] / 0.5);
      gain_db[link][1] = bm_test_db(peak[1] / 0.02);
   }
   assert_close(gain_db[0][0], gain_db[1][0], 0.01);
   assert_between(gain_db[0][1], -0.1, 0.0);
   assert_close(gain_db[1][1], gain_db[1][0], 0.01);
}

static BmOptoCompressorParams anything(uint64_t* seed)
{
   return (BmOptoCompressorParams){
      .threshold_db = -25.0 + 25.0 * bm_test_random(seed),
      .limit = bm_test_random(seed) > 0.0,
      .emphasis = 0.5 + 0.5 * bm_test_random(seed),
      .release_is_set = bm_test_random(seed) > 0.0,
      .release_ms = 2525.0 + 2475.0 * bm_test_random(seed),
      .sidechain_low_cut_hz = 270.0 + 250.0 * bm_test_random(seed),
      .link = 0.5 + 0.5 * bm_test_random(seed),
   };
}

BM_TEST_MOVES(BmOptoCompressor, opto_compressor, -10.0)

static void a_moved_control_arrives_without_a_click(void** state)
{
   (void)state;
   before = plain();
   after = before;
   after.makeup_db = -6.0;
   check_move();
   after = before;
   after.threshold_db = -32.0;
   after.emphasis = 1.0;
   check_move();
   after = before;
   after.limit = true;
   check_move();
   after = before;
   after.release_is_set = true;
   after.release_ms = 50.0;
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
      BmOptoCompressorParams params = plain();
      start(rates_hz[r], &params);
      BmFrame block[64];
      for (int b = 0; b < 1500; ++b) {
         params = anything(&seed);
         bm_opto_compressor_set(&opto, &params);
         const double peak = b % 10 == 0 ? 1e4 : b % 10 == 1 ? 0.0 : b % 10 == 2 ? 1e-30 : 1.0;
         bm_test_noise(block, 64, peak, (uint64_t)b);
         process(&opto, block, block, 64);
         for (int i = 0; i < 64; ++i) {
            assert_true(fabs(block[i][0]) <= peak && fabs(block[i][1]) <= peak);
         }
         assert_between(reduction_db(), 0.0, 40.0);
      }
   }
}

static void* fresh(void)
{
   BmOptoCompressor* self = aligned_alloc(64, (sizeof *self + 63) / 64 * 64);
   assert_int_equal(bm_opto_compressor_init(self, 44100.0), BM_OK);
   BmOptoCompressorParams params = plain();
   params.emphasis = 0.5;
   bm_opto_compressor_set(self, &params);
   return self;
}

static void block_size_place_and_reset_change_no_bit(void** state)
{
   (void)state;
   const BmLadder ladder = {fresh, process, (void (*)(void*))bm_opto_compressor_reset, free};
   bm_test_climb(&ladder, 20000);
   bm_test_climb_moving(&ladder, move, 20000);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(its_law_is_the_one_told_at_every_rate),
      cmocka_unit_test(the_ratio_is_near_three_and_rises_with_level_and_the_limit_is_steeper),
      cmocka_unit_test(it_grabs_in_ten_milliseconds_and_lets_half_go_in_forty_to_eighty),
      cmocka_unit_test(the_rest_takes_longer_after_a_longer_and_harder_exposure),
      cmocka_unit_test(its_times_are_the_same_at_every_rate),
      cmocka_unit_test(emphasis_makes_it_hear_highs_24_db_louder),
      cmocka_unit_test(the_low_cut_keeps_the_boom_out_of_the_detector),
      cmocka_unit_test(a_low_note_is_held_down_no_deeper_at_its_onset_than_after),
      cmocka_unit_test(its_reduction_is_smooth_on_plucked_notes),
      cmocka_unit_test(the_release_can_be_set_by_hand),
      cmocka_unit_test(the_link_makes_both_channels_follow_the_brighter_lamp),
      cmocka_unit_test(a_moved_control_arrives_without_a_click),
      cmocka_unit_test(any_controls_at_any_rate_leave_it_finite_and_bounded),
      cmocka_unit_test(block_size_place_and_reset_change_no_bit),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
