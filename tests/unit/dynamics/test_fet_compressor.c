/* SPDX-License-Identifier: ISC */
/* If these fail, the FET compressor misses its curve or its times, sounds different at another rate, folds
   highs back, clicks or blows up. */
#include "unit_test.h"

#include "dynamics_test.h"
#include "ladder.h"

#include "dynamics/fet_compressor.h"
#include "dynamics/log2.h"

static BmFetCompressor fet;

BM_TEST_DEVICE(fet_compressor, fet)

static BmFetCompressorParams plain(void)
{
   return (BmFetCompressorParams){.threshold_db = -20.0,
                                  .ratio = 4.0,
                                  .attack_ms = 0.02,
                                  .release_ms = 1100.0,
                                  .sidechain_low_cut_hz = 20.0,
                                  .link = 1.0,
                                  .quality = BM_QUALITY_LIVE};
}

static void start(double rate_hz, const BmFetCompressorParams* params)
{
   assert_int_equal(bm_fet_compressor_init(&fet, rate_hz), BM_OK);
   bm_fet_compressor_set(&fet, params);
   bm_fet_compressor_reset(&fet);
   bm_fet_compressor_set(&fet, params);
}

/* Giannoulis, Massberg and Reiss 2012, equation 4, written out once more. */
static double curve_db(double x, double t, double r, double w)
{
   const double over = x - t;
   if (2.0 * over < -w) {
      return x;
   }
   return 2.0 * over > w ? t + over / r
                         : x + (1.0 / r - 1.0) * (over + 0.5 * w) * (over + 0.5 * w) / (2.0 * w);
}

static void its_static_curve_is_the_published_one_at_every_rate(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 96000.0, 192000.0};
   static const double ratios[] = {2.0, 4.0, 20.0, BM_FET_COMPRESSOR_LIMIT_RATIO};
   static BmFrame out[192000 / 10];
   for (unsigned r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      for (unsigned k = 0; k < sizeof ratios / sizeof *ratios; ++k) {
         for (double level_db = -26.0; level_db <= 0.0; level_db += 6.5) {
            BmFetCompressorParams params = plain();
            params.ratio = ratios[k];
            start(rates_hz[r], &params);
            BmTestSine sine = {rates_hz[r], 1000.0, bm_test_lin(level_db), 0};
            const uint32_t n = (uint32_t)(rates_hz[r] / 10.0);
            bm_test_run_sine(&device, &sine, NULL, 2 * n);
            bm_test_run_sine(&device, &sine, out, n);
            const double y = bm_test_db(bm_test_component(out, n, 100.0));
            assert_close(y, curve_db(level_db, -20.0, ratios[k], 24.0 / ratios[k]), 0.1);
         }
      }
   }
}

/* The reduction in dB, read from the circuit itself after every frame. */
static double reduction_db(void)
{
   return BM_DB_PER_LOG2 * fet.core[BM_QUALITY_LIVE].mem.reduction[0];
}

/* The loop's differential equation, at a step so fine that nothing hangs on it: time from the start of a 1
   kHz sine to 63 % of the reduction wanted. */
static double fine_attack_ms(double input_db, double attack_ms)
{
   const double step_ms = 1e-6;
   const double wanted_at_peak = input_db - curve_db(input_db, -20.0, 4.0, 6.0);
   double reduction = 0.0;
   double t_ms = 0.0;
   for (; reduction < wanted_at_peak * (1.0 - exp(-1.0)); t_ms += step_ms) {
      const double level = bm_test_db(fabs(bm_test_lin(input_db) * sin(2.0 * BM_TEST_PI * t_ms)) + 1e-30);
      const double wanted = level - curve_db(level, -20.0, 4.0, 6.0);
      const double knee = fmin(fmax(level + 20.0 + 3.0, 0.0), 6.0) / 6.0;
      const double loop_gain = 1.0 / (1.0 - 0.75 * knee);
      if (wanted > reduction) {
         reduction += step_ms / (4.0 * attack_ms) * loop_gain * (wanted - reduction);
      }
   }
   return t_ms;
}

static void its_attack_takes_the_time_the_equations_say_at_every_rate(void** state)
{
   (void)state;
   static const double rates_hz[] = {16000.0, 44100.0, 96000.0, 192000.0};
   static const double attacks_ms[] = {0.1, 0.8};
   for (unsigned a = 0; a < 2; ++a) {
      const double truth_ms = fine_attack_ms(-4.0, attacks_ms[a]);
      for (unsigned r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
         BmFetCompressorParams params = plain();
         params.attack_ms = attacks_ms[a];
         start(rates_hz[r], &params);
         const double wanted = (-4.0 - curve_db(-4.0, -20.0, 4.0, 6.0)) * (1.0 - exp(-1.0));
         double last = 0.0;
         double reached_ms = 0.0;
         for (uint32_t i = 0; i < rates_hz[r] * 0.03; ++i) {
            const BmFrame in =
               bm_frame_both(bm_test_lin(-4.0) * sin(2.0 * BM_TEST_PI * 1000.0 * i / rates_hz[r]));
            BmFrame out;
            process(&fet, &in, &out, 1);
            const double now = reduction_db();
            if (now >= wanted && reached_ms == 0.0) {
               const double frames = i + (wanted - last) / (now - last);
               reached_ms = 1000.0 * frames / rates_hz[r];
            }
            last = now;
         }
         /* Half of the filters' latency lies before the circuit. */
         const BmOversample* filters = &fet.qualities.oversample[BM_QUALITY_LIVE];
         const double late_ms = 500.0 * bm_oversample_latency_frames(filters) / rates_hz[r];
         const double frame_ms = 1000.0 / rates_hz[r];
         assert_close(reached_ms - late_ms, truth_ms, 0.05 * truth_ms + frame_ms);
      }
   }
}

static void its_release_takes_the_time_its_knob_says_at_every_rate(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 192000.0};
   static const double releases_ms[] = {50.0, 1100.0};
   for (unsigned r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      for (unsigned k = 0; k < 2; ++k) {
         BmFetCompressorParams params = plain();
         params.release_ms = releases_ms[k];
         start(rates_hz[r], &params);
         BmTestSine sine = {rates_hz[r], 1000.0, 0.5, 0};
         bm_test_run_sine(&device, &sine, NULL, (uint32_t)(0.2 * rates_hz[r]));
         sine.peak = 0.001;
         /* Past the filters' ringing, then one time constant. */
         bm_test_run_sine(&device, &sine, NULL, (uint32_t)(0.02 * rates_hz[r]));
         const double from_db = bm_fet_compressor_reduction_db(&fet);
         bm_test_run_sine(&device, &sine, NULL, (uint32_t)(0.001 * releases_ms[k] * rates_hz[r]));
         const double tau_ms = releases_ms[k] / log(from_db / bm_fet_compressor_reduction_db(&fet));
         assert_close(tau_ms, releases_ms[k], 0.05 * releases_ms[k]);
      }
   }
}

/* Total of harmonics 2 to 10 over the first, percent. */
static double thd_percent(double hz, double release_ms)
{
   static BmFrame out[48000];
   BmFetCompressorParams params = plain();
   params.release_ms = release_ms;
   start(48000.0, &params);
   BmTestSine sine = {48000.0, hz, bm_test_lin(-20.0 + 10.0 / 0.75), 0};
   bm_test_run_sine(&device, &sine, NULL, 48000);
   bm_test_run_sine(&device, &sine, out, 48000);
   assert_close(bm_fet_compressor_reduction_db(&fet), 10.0, 0.7);
   double sum = 0.0;
   for (int h = 2; h <= 10; ++h) {
      const double a = bm_test_component(out, 48000, h * hz);
      sum += a * a;
   }
   return 100.0 * sqrt(sum) / bm_test_component(out, 48000, hz);
}

static void a_fast_release_rides_the_waveform_and_a_slow_one_does_not(void** state)
{
   (void)state;
   double last = thd_percent(60.0, 50.0);
   assert_between(last, 1.0, 10.0);
   static const double releases_ms[] = {75.0, 150.0, 300.0, 600.0, 1100.0};
   for (unsigned i = 0; i < sizeof releases_ms / sizeof *releases_ms; ++i) {
      const double thd = thd_percent(60.0, releases_ms[i]);
      assert_true(thd < last);
      last = thd;
   }
   assert_between(thd_percent(1000.0, 1100.0), 0.02, 0.5);
}

static void the_channel_bends_more_with_level_and_with_reduction(void** state)
{
   (void)state;
   static BmFrame out[4800];
   double last_h2 = -200.0;
   double last_h3 = -200.0;
   /* The same level on the grid of reductions, so that only the channel's resistance changes. */
   for (double reduction = 3.0; reduction <= 18.0; reduction += 5.0) {
      BmFetCompressorParams params = plain();
      params.ratio = 20.0;
      params.attack_ms = 0.8;
      params.quality = BM_QUALITY_RENDER;
      params.threshold_db = -6.0 - reduction / 0.95;
      start(48000.0, &params);
      BmTestSine sine = {48000.0, 1000.0, 0.5, 0};
      bm_test_run_sine(&device, &sine, NULL, 24000);
      bm_test_run_sine(&device, &sine, out, 4800);
      assert_close(bm_fet_compressor_reduction_db(&fet), reduction, 0.5);
      const double h1 = bm_test_component(out, 4800, 100.0);
      const double h2 = bm_test_db(bm_test_component(out, 4800, 200.0) / h1);
      const double h3 = bm_test_db(bm_test_component(out, 4800, 300.0) / h1);
      assert_true(h2 > last_h2 + 3.0 && h3 > last_h3 + 1.0);
      last_h2 = h2;
      last_h3 = h3;
   }
   assert_between(last_h2, -60.0, -35.0);
   assert_between(last_h3, -64.0, -58.0);

   /* 6 dB less at the same reduction: the second harmonic falls by 6 dB, the third by nearly 12 (the rest is
      the gain riding the wave). */
   BmFetCompressorParams params = plain();
   params.ratio = 20.0;
   params.attack_ms = 0.8;
   params.quality = BM_QUALITY_RENDER;
   params.threshold_db = -12.0 - 18.0 / 0.95;
   start(48000.0, &params);
   BmTestSine sine = {48000.0, 1000.0, 0.25, 0};
   bm_test_run_sine(&device, &sine, NULL, 24000);
   bm_test_run_sine(&device, &sine, out, 4800);
   const double h1 = bm_test_component(out, 4800, 100.0);
   assert_close(bm_test_db(bm_test_component(out, 4800, 200.0) / h1), last_h2 - 6.0206, 0.5);
   assert_between(bm_test_db(bm_test_component(out, 4800, 300.0) / h1), last_h3 - 12.5, last_h3 - 6.0);
}

static void nothing_folds_back_from_a_full_scale_sine(void** state)
{
   (void)state;
   enum { N = 16384 };
   static BmFrame out[N];
   static double z[2 * N];
   static const double rates_hz[] = {44100.0, 48000.0, 96000.0};
   for (unsigned r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      /* The harshest settings: fastest release, both ends of attack, hardest knee. */
      for (int setting = 0; setting < 8; ++setting) {
         const bool slow = setting & 1;
         const bool render = setting & 2;
         const bool deep = setting & 4; /* costs 2 to 3 dB */
         const uint32_t cycles = (uint32_t)(5000.0 / rates_hz[r] * N) | 1U;
         BmFetCompressorParams params = plain();
         params.threshold_db = deep ? -40.0 : -20.0;
         params.attack_ms = slow ? 0.8 : 0.02;
         params.release_ms = 50.0;
         params.ratio = 20.0;
         params.quality = render ? BM_QUALITY_RENDER : BM_QUALITY_LIVE;
         start(rates_hz[r], &params);
         BmTestSine sine = {rates_hz[r], cycles * rates_hz[r] / N, 1.0, 0};
         bm_test_run_sine(&device, &sine, NULL, (uint32_t)rates_hz[r]);
         bm_test_run_sine(&device, &sine, out, N);
         for (uint32_t i = 0; i < N; ++i) {
            z[2 * i] = out[i][0];
            z[2 * i + 1] = 0.0;
         }
         bm_test_fft(z, N, -1);
         const double first = hypot(z[2 * cycles], z[2 * cycles + 1]);
         double worst = -400.0;
         for (uint32_t k = 1; k < 20000.0 / rates_hz[r] * N; ++k) {
            if (k % cycles) {
               worst = fmax(worst, bm_test_db(hypot(z[2 * k], z[2 * k + 1]) / first));
            }
         }
         assert_between(worst, -300.0, (render ? -99.0 : -80.0) + (deep ? 3.5 : 0.0));
      }
   }
}

static void its_gain_can_fall_faster_than_ten_db_a_millisecond(void** state)
{
   (void)state;
   BmFetCompressorParams params = plain();
   params.ratio = 8.0;
   params.threshold_db = -30.0;
   start(48000.0, &params);
   BmTestSine sine = {48000.0, 400.0, 0.5, 0};
   double steepest = 0.0;
   double before = 0.0;
   for (int i = 0; i < 480; ++i) {
      bm_test_run_sine(&device, &sine, NULL, 4);
      const double now = reduction_db();
      steepest = fmax(steepest, (now - before) * 12.0);
      before = now;
   }
   assert_true(steepest > 10.0);
}

static void the_low_cut_keeps_the_boom_out_of_the_detector(void** state)
{
   (void)state;
   BmFetCompressorParams params = plain();
   params.sidechain_low_cut_hz = 200.0;
   start(48000.0, &params);
   BmTestSine sine = {48000.0, 50.0, 0.5, 0};
   bm_test_run_sine(&device, &sine, NULL, 24000);
   /* Two octaves under the corner of a Butterworth high-pass of 12 dB/octave: -24.1 dB, so -30.1 dBFS. */
   assert_close(bm_fet_compressor_reduction_db(&fet), 0.0, 0.01);
   params.threshold_db = -50.0;
   start(48000.0, &params);
   sine.frame = 0;
   bm_test_run_sine(&device, &sine, NULL, 24000);
   /* The detector hears the output: x - y = (1 - 1/4) (x - 24.1 - T). */
   assert_close(bm_fet_compressor_reduction_db(&fet), 0.75 * (-6.02 - 24.1 + 50.0), 0.4);
}

static void the_link_makes_both_channels_follow_the_louder(void** state)
{
   (void)state;
   for (double link = 0.0; link <= 1.0; link += 0.5) {
      BmFetCompressorParams params = plain();
      params.link = link;
      start(48000.0, &params);
      BmFrame out = {0.0, 0.0};
      double peak[2] = {0.0, 0.0};
      for (int i = 0; i < 24000; ++i) {
         const double s = sin(2.0 * BM_TEST_PI * 1000.0 * i / 48000.0);
         const BmFrame in = bm_frame(bm_test_lin(-4.0) * s, bm_test_lin(-30.0) * s);
         process(&fet, &in, &out, 1);
         for (int lane = 0; lane < 2; ++lane) {
            peak[lane] = i >= 23952 ? fmax(peak[lane], fabs(out[lane])) : 0.0;
         }
      }
      assert_close(-4.0 - bm_test_db(peak[0]), 12.0, 0.1);
      assert_close(-30.0 - bm_test_db(peak[1]), 12.0 * link, 0.1);
   }
}

static BmFetCompressorParams anything(uint64_t* seed)
{
   return (BmFetCompressorParams){
      .threshold_db = -25.0 + 25.0 * bm_test_random(seed),
      .ratio = exp(bm_test_random(seed) * 2.0 + log(14.0)),
      .attack_ms = 0.41 + 0.39 * bm_test_random(seed),
      .release_ms = 575.0 + 525.0 * bm_test_random(seed),
      .makeup_db = 24.0 * bm_test_random(seed),
      .sidechain_low_cut_hz = 270.0 + 250.0 * bm_test_random(seed),
      .link = 0.5 + 0.5 * bm_test_random(seed),
      .quality = bm_test_random(seed) > 0.0 ? BM_QUALITY_RENDER : BM_QUALITY_LIVE,
   };
}

BM_TEST_MOVES(BmFetCompressor, fet_compressor, -10.0)

static void a_moved_control_arrives_without_a_click(void** state)
{
   (void)state;
   before = plain();
   before.release_ms = 300.0;
   before.attack_ms = 0.2;
   after = before;
   after.makeup_db = -6.0;
   check_move();
   after = before;
   after.threshold_db -= 8.0; /* a move of 6 dB */
   check_move();
   after = before;
   after.ratio = 20.0;
   check_move();
   after = before;
   after.quality = BM_QUALITY_RENDER;
   check_move();
   before.quality = BM_QUALITY_RENDER;
   after.quality = BM_QUALITY_LIVE;
   check_move();
   after = before;
   after.sidechain_low_cut_hz = 300.0;
   check_move();
}

static void a_change_of_quality_keeps_the_charge(void** state)
{
   (void)state;
   BmFetCompressorParams params = plain();
   start(48000.0, &params);
   BmTestSine sine = {48000.0, 1000.0, 0.5, 0};
   bm_test_run_sine(&device, &sine, NULL, 9600);
   sine.peak = 0.001;
   bm_test_run_sine(&device, &sine, NULL, 4800);
   const double reduction = bm_fet_compressor_reduction_db(&fet);
   params.quality = BM_QUALITY_RENDER;
   bm_fet_compressor_set(&fet, &params);
   bm_test_run_sine(&device, &sine, NULL, 2400);
   /* 50 ms of release at 1.1 s. */
   assert_between(reduction, 5.0, 15.0);
   assert_close(bm_fet_compressor_reduction_db(&fet), reduction * exp(-50.0 / 1100.0), 0.05);
}

static void any_controls_at_any_rate_leave_it_finite_and_bounded(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 192000.0, 384000.0};
   uint64_t seed = 11;
   for (unsigned r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      BmFetCompressorParams params = plain();
      start(rates_hz[r], &params);
      BmFrame block[32];
      for (int b = 0; b < 800; ++b) {
         params = anything(&seed);
         params.quality = b % 90 < 45 ? BM_QUALITY_LIVE : BM_QUALITY_RENDER;
         bm_fet_compressor_set(&fet, &params);
         const double peak = b % 10 == 0 ? 1e4 : b % 10 == 1 ? 0.0 : b % 10 == 2 ? 1e-30 : 1.0;
         bm_test_noise(block, 32, peak, (uint64_t)b);
         process(&fet, block, block, 32);
         for (int i = 0; i < 32; ++i) {
            assert_true(fabs(block[i][0]) < 1e6 && fabs(block[i][1]) < 1e6);
         }
         assert_between(bm_fet_compressor_reduction_db(&fet), 0.0, 39.1);
      }
   }
}

static void* fresh(void)
{
   BmFetCompressor* self = aligned_alloc(64, (sizeof *self + 63) / 64 * 64);
   assert_int_equal(bm_fet_compressor_init(self, 44100.0), BM_OK);
   BmFetCompressorParams params = plain();
   params.release_ms = 50.0;
   bm_fet_compressor_set(self, &params);
   return self;
}

static void block_size_place_and_reset_change_no_bit(void** state)
{
   (void)state;
   const BmLadder ladder = {fresh, process, (void (*)(void*))bm_fet_compressor_reset, free};
   bm_test_climb(&ladder, 12000);
   bm_test_climb_moving(&ladder, move, 12000);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(its_static_curve_is_the_published_one_at_every_rate),
      cmocka_unit_test(its_attack_takes_the_time_the_equations_say_at_every_rate),
      cmocka_unit_test(its_release_takes_the_time_its_knob_says_at_every_rate),
      cmocka_unit_test(a_fast_release_rides_the_waveform_and_a_slow_one_does_not),
      cmocka_unit_test(the_channel_bends_more_with_level_and_with_reduction),
      cmocka_unit_test(nothing_folds_back_from_a_full_scale_sine),
      cmocka_unit_test(its_gain_can_fall_faster_than_ten_db_a_millisecond),
      cmocka_unit_test(the_low_cut_keeps_the_boom_out_of_the_detector),
      cmocka_unit_test(the_link_makes_both_channels_follow_the_louder),
      cmocka_unit_test(a_moved_control_arrives_without_a_click),
      cmocka_unit_test(a_change_of_quality_keeps_the_charge),
      cmocka_unit_test(any_controls_at_any_rate_leave_it_finite_and_bounded),
      cmocka_unit_test(block_size_place_and_reset_change_no_bit),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
