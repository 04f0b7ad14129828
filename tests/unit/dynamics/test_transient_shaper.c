/* SPDX-License-Identifier: ISC */
/* If these fail, the transient shaper depends on level, touches the mid when told to leave it, or clicks. */
#include "unit_test.h"

#include "dynamics_test.h"
#include "ladder.h"

#include "dynamics/transient_shaper.h"

static BmTransientShaper shaper;

BM_TEST_DEVICE(transient_shaper, shaper)

static void start(double rate_hz, BmTransientShaperParams params)
{
   assert_int_equal(bm_transient_shaper_init(&shaper, rate_hz), BM_OK);
   bm_transient_shaper_set(&shaper, &params);
}

enum { N = 3 * 48000 };
static BmFrame take[N];
static BmFrame out[N];

/* 10 log10 of mean square of both lanes over frames from .. to. */
static double power_db(const BmFrame* x, double from_s, double to_s)
{
   double sum = 0.0;
   for (uint32_t i = (uint32_t)(from_s * 48000.0); i < (uint32_t)(to_s * 48000.0); ++i) {
      sum += x[i][0] * x[i][0] + x[i][1] * x[i][1];
   }
   return 10.0 * log10(sum / ((to_s - from_s) * 48000.0));
}

/* Mean over the plucks (0.35 s apart) of the change of energy in the 30 ms after each onset, and from 150 to
 * 340 ms. */
static void mean_change_db(double* onset_db, double* body_db)
{
   *onset_db = 0.0;
   *body_db = 0.0;
   for (int i = 1; i < 8; ++i) {
      const double t = 0.35 * i;
      *onset_db += (power_db(out, t, t + 0.03) - power_db(take, t, t + 0.03)) / 7.0;
      *body_db += (power_db(out, t + 0.15, t + 0.34) - power_db(take, t + 0.15, t + 0.34)) / 7.0;
   }
}

static void attack_shapes_onsets_and_sustain_shapes_decays(void** state)
{
   (void)state;
   bm_test_pluck(48000.0, 0.2, take, N);
   double onset;
   double body;
   start(48000.0, (BmTransientShaperParams){15.0, 0.0, BM_SHAPE_ALL});
   process(&shaper, take, out, N);
   mean_change_db(&onset, &body);
   assert_between(onset, 5.0, 15.0);
   assert_between(body, -0.3, 0.3);

   start(48000.0, (BmTransientShaperParams){-15.0, 0.0, BM_SHAPE_ALL});
   process(&shaper, take, out, N);
   mean_change_db(&onset, &body);
   assert_between(onset, -15.0, -5.0);
   assert_between(body, -0.3, 0.3);

   start(48000.0, (BmTransientShaperParams){0.0, 15.0, BM_SHAPE_ALL});
   process(&shaper, take, out, N);
   mean_change_db(&onset, &body);
   assert_between(onset, -1.0, 1.5);
   assert_between(body, 3.0, 15.0);

   start(48000.0, (BmTransientShaperParams){0.0, -15.0, BM_SHAPE_ALL});
   process(&shaper, take, out, N);
   mean_change_db(&onset, &body);
   assert_between(onset, -1.5, 1.0);
   assert_between(body, -15.0, -3.0);
}

static void it_does_the_same_from_minus_fifty_to_zero_dbfs(void** state)
{
   (void)state;
   static BmFrame loud[N];
   bm_test_pluck(48000.0, 1.0, take, N);
   start(48000.0, (BmTransientShaperParams){12.0, 9.0, BM_SHAPE_ALL});
   process(&shaper, take, loud, N);
   for (double down_db = 10.0; down_db <= 50.0; down_db += 20.0) {
      for (uint32_t i = 0; i < N; ++i) {
         out[i] = take[i] * bm_test_lin(-down_db);
      }
      bm_transient_shaper_reset(&shaper);
      process(&shaper, out, out, N);
      for (uint32_t i = 0; i < N; ++i) {
         if (fabs(loud[i][0]) > 1e-6) {
            assert_close(bm_test_db(fabs(out[i][0])) + down_db, bm_test_db(fabs(loud[i][0])), 0.2);
         }
      }
   }
}

static void a_steady_tone_is_left_alone(void** state)
{
   (void)state;
   static const double tones_hz[] = {82.4, 110.0, 1000.0};
   for (unsigned i = 0; i < 3; ++i) {
      start(48000.0, (BmTransientShaperParams){15.0, 15.0, BM_SHAPE_ALL});
      BmTestSine sine = {48000.0, tones_hz[i], 0.3, 0};
      bm_test_run_sine(&device, &sine, NULL, 48000);
      const uint64_t from = sine.frame;
      bm_test_run_sine(&device, &sine, out, 48000);
      for (uint32_t k = 0; k < 48000; ++k) {
         const double in =
            0.3 * sin(2.0 * BM_TEST_PI * fmod(tones_hz[i] * (double)(from + k) / 48000.0, 1.0));
         assert_close(out[k][0], in, 0.3 * 0.01);
      }
   }
}

/* A take as a converter of 24 bits writes it. */
static void make_24_bit_take(void)
{
   bm_test_pluck(48000.0, 0.25, take, N);
   uint64_t seed = 1;
   for (uint32_t i = 0; i < N; ++i) {
      for (int lane = 0; lane < 2; ++lane) {
         take[i][lane] = round((take[i][lane] + 0.001 * bm_test_random(&seed)) * 8388608.0) / 8388608.0;
      }
   }
}

static void a_target_of_side_leaves_the_mid_untouched_to_the_last_bit(void** state)
{
   (void)state;
   make_24_bit_take();
   for (int target = BM_SHAPE_MID; target <= BM_SHAPE_SIDE; ++target) {
      start(48000.0, (BmTransientShaperParams){12.0, 12.0, (BmShapeTarget)target});
      process(&shaper, take, out, N);
      double changed = 0.0;
      for (uint32_t i = 0; i < N; ++i) {
         /* As a host gets it: single precision. */
         const float left = (float)out[i][0];
         const float right = (float)out[i][1];
         const float left_in = (float)take[i][0];
         const float right_in = (float)take[i][1];
         if (target == BM_SHAPE_SIDE) {
            assert_true(left + right == left_in + right_in);
            changed += fabs((double)(left - right - (left_in - right_in)));
         } else {
            assert_true(left - right == left_in - right_in);
            changed += fabs((double)(left + right - (left_in + right_in)));
         }
      }
      assert_true(changed / N > 1e-4);
   }
}

static void at_nought_it_changes_no_bit(void** state)
{
   (void)state;
   bm_test_pluck(48000.0, 0.9, take, N);
   for (int target = BM_SHAPE_ALL; target <= BM_SHAPE_SIDE; ++target) {
      start(48000.0, (BmTransientShaperParams){0.0, 0.0, (BmShapeTarget)target});
      process(&shaper, take, out, N);
      assert_memory_equal(out, take, sizeof out);
   }
}

static void it_acts_alike_at_every_rate(void** state)
{
   (void)state;
   static const double rates_hz[] = {16000.0, 96000.0, 192000.0};
   double most_db[4];
   double late_db[4];
   for (unsigned r = 0; r < 4; ++r) {
      const double rate_hz = r ? rates_hz[r - 1] : 48000.0;
      start(rate_hz, (BmTransientShaperParams){12.0, 12.0, BM_SHAPE_ALL});
      BmTestSine sine = {rate_hz, 1000.0, 0.01, 0};
      const uint32_t ms = (uint32_t)lrint(rate_hz / 1000.0);
      bm_test_run_sine(&device, &sine, NULL, 1000 * ms);
      sine.peak = 0.2;
      most_db[r] = 0.0;
      for (int i = 0; i < 300; ++i) {
         bm_test_run_sine(&device, &sine, NULL, ms);
         most_db[r] = fmax(most_db[r], bm_transient_shaper_gain_db(&shaper));
      }
      sine.peak = 0.02;
      bm_test_run_sine(&device, &sine, NULL, 150 * ms);
      late_db[r] = bm_transient_shaper_gain_db(&shaper);
      assert_close(most_db[r], most_db[0], 0.3);
      assert_close(late_db[r], late_db[0], 0.3);
   }
   assert_between(most_db[0], 8.0, 12.0);
   assert_between(late_db[0], 5.0, 12.0);
}

/* The click of a move in the midst of a tone that dies away, for which sustain is at work; unlike left and
   right. What is shaped, dB, goes to `gain_db`. */
static double click_db(BmTransientShaperParams before, BmTransientShaperParams after, double* gain_db)
{
   enum { LEAD = 24000 };
   static BmFrame tone[LEAD + BM_TEST_CLICK_FRAMES];
   const uint32_t move = LEAD + BM_TEST_CLICK_FRAMES / 2;
   for (uint32_t i = 0; i < LEAD + BM_TEST_CLICK_FRAMES; ++i) {
      const double level = exp(-(double)i / (0.2 * 48000.0));
      const double turns = 997.0 * i / 48000.0;
      tone[i] = level * bm_frame(sin(2.0 * BM_TEST_PI * turns), 0.5 * cos(2.0 * BM_TEST_PI * turns));
   }
   start(48000.0, before);
   process(&shaper, tone, tone, move);
   *gain_db = bm_transient_shaper_gain_db(&shaper);
   bm_transient_shaper_set(&shaper, &after);
   process(&shaper, tone + move, tone + move, BM_TEST_CLICK_FRAMES / 2);
   /* Over the level of the tone at the move. */
   return bm_test_click_db(tone + LEAD, 48000.0, 997.0, 2000.0) + move / (0.2 * 48000.0) * 8.6859;
}

static void a_moved_control_does_not_click(void** state)
{
   (void)state;
   const BmTransientShaperParams before = {6.0, 6.0, BM_SHAPE_ALL};
   const BmTransientShaperParams others[] = {{6.0, 6.0, BM_SHAPE_ALL},
                                             {-15.0, -15.0, BM_SHAPE_ALL},
                                             {6.0, 6.0, BM_SHAPE_SIDE},
                                             {6.0, 6.0, BM_SHAPE_MID}};
   for (unsigned i = 0; i < 4; ++i) {
      double gain_db;
      const double click = click_db(before, others[i], &gain_db);
      assert_between(gain_db, 3.0, 6.0);
      assert_between(click, -300.0, i == 0 ? -120.0 : -80.0);
   }
}

static void a_change_of_target_during_a_note_fades(void** state)
{
   (void)state;
   bm_test_pluck(48000.0, 0.5, take, N);
   start(48000.0, (BmTransientShaperParams){0.0, 15.0, BM_SHAPE_ALL});
   process(&shaper, take, out, 48000 / 4);
   const BmTransientShaperParams side = {0.0, 15.0, BM_SHAPE_SIDE};
   bm_transient_shaper_set(&shaper, &side);
   process(&shaper, take + 12000, out + 12000, N - 12000);
   /* The gain of left, where left is not near zero, per frame. */
   double steepest = 0.0;
   double last = out[11999][0] / take[11999][0];
   uint32_t last_frame = 11999;
   for (uint32_t i = 12000; i < 12000 + 2000; ++i) { /* beyond the fade's end */
      if (fabs(take[i][0]) > 0.01) {
         const double gain = out[i][0] / take[i][0];
         steepest = fmax(steepest, fabs(gain - last) / (i - last_frame));
         last = gain;
         last_frame = i;
      }
   }
   assert_between(steepest, 1e-4, 0.02);
}

static void a_change_of_target_is_no_attack(void** state)
{
   (void)state;
   bm_test_pluck(48000.0, 0.5, take, N);
   start(48000.0, (BmTransientShaperParams){15.0, 0.0, BM_SHAPE_SIDE});
   process(&shaper, take, out, 12000);
   const BmTransientShaperParams all = {15.0, 0.0, BM_SHAPE_ALL};
   bm_transient_shaper_set(&shaper, &all);
   process(&shaper, take + 12000, out + 12000, 4800);
   assert_close(power_db(out, 0.25, 0.34), power_db(take, 0.25, 0.34), 0.1);
}

static BmTransientShaperParams anything(uint64_t* seed)
{
   const double attack_db = 15.0 * bm_test_random(seed);
   const double sustain_db = 15.0 * bm_test_random(seed);
   return (BmTransientShaperParams){attack_db, sustain_db,
                                    (BmShapeTarget)(1.0 + 1.49 * bm_test_random(seed))};
}

static void any_controls_at_any_rate_leave_it_finite_and_bounded(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 384000.0};
   uint64_t seed = 11;
   for (unsigned r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      start(rates_hz[r], (BmTransientShaperParams){0.0, 0.0, BM_SHAPE_ALL});
      BmFrame block[64];
      for (int b = 0; b < 1500; ++b) {
         const BmTransientShaperParams params = anything(&seed);
         bm_transient_shaper_set(&shaper, &params);
         const double peak = b % 10 == 0 ? 1e4 : b % 10 == 1 ? 0.0 : b % 10 == 2 ? 1e-30 : 1.0;
         bm_test_noise(block, 64, peak, (uint64_t)b);
         process(&shaper, block, block, 64);
         for (int i = 0; i < 64; ++i) {
            /* Attack and sustain add up to 30 dB at most; side of both lanes doubles. */
            assert_true(fabs(block[i][0]) <= 100.0 * peak + 1e-6 && fabs(block[i][1]) <= 100.0 * peak + 1e-6);
         }
      }
   }
}

static void* fresh(void)
{
   BmTransientShaper* self = aligned_alloc(64, (sizeof *self + 63) / 64 * 64);
   assert_int_equal(bm_transient_shaper_init(self, 44100.0), BM_OK);
   const BmTransientShaperParams params = {9.0, -6.0, BM_SHAPE_SIDE};
   bm_transient_shaper_set(self, &params);
   return self;
}

static void move(void* self, uint32_t nth)
{
   uint64_t seed = nth;
   const BmTransientShaperParams params = anything(&seed);
   bm_transient_shaper_set(self, &params);
}

static void block_size_place_and_reset_change_no_bit(void** state)
{
   (void)state;
   const BmLadder ladder = {fresh, process, (void (*)(void*))bm_transient_shaper_reset, free};
   bm_test_climb(&ladder, 20000);
   bm_test_climb_moving(&ladder, move, 20000);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(attack_shapes_onsets_and_sustain_shapes_decays),
      cmocka_unit_test(it_does_the_same_from_minus_fifty_to_zero_dbfs),
      cmocka_unit_test(a_steady_tone_is_left_alone),
      cmocka_unit_test(a_target_of_side_leaves_the_mid_untouched_to_the_last_bit),
      cmocka_unit_test(at_nought_it_changes_no_bit),
      cmocka_unit_test(it_acts_alike_at_every_rate),
      cmocka_unit_test(a_moved_control_does_not_click),
      cmocka_unit_test(a_change_of_target_during_a_note_fades),
      cmocka_unit_test(a_change_of_target_is_no_attack),
      cmocka_unit_test(any_controls_at_any_rate_leave_it_finite_and_bounded),
      cmocka_unit_test(block_size_place_and_reset_change_no_bit),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
