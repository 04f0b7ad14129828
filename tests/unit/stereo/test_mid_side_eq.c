/* SPDX-License-Identifier: ISC */
/* If these fail, shaping the sides bends the middle, the bottom is not mono, or a flat insert is not flat. */
#include "unit_test.h"

#include "click.h"
#include "ladder.h"
#include "prototype.h"
#include "stereo/mid_side_eq.h"

#include <complex.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
#define LENGTH(array) (sizeof(array) / sizeof((array)[0]))

static const double complex imaginary_unit = (double complex)I;

static BmMidSideEqHalf flat_half(void)
{
   return (BmMidSideEqHalf){
      .low_cut = {.slope_db_oct = 24, .corner_hz = 120.0},
      .low_shelf = {.frequency_hz = 150.0},
      .bells = {{.frequency_hz = 500.0, .q = 1.0}, {.frequency_hz = 2500.0, .q = 1.0}},
      .high_shelf = {.frequency_hz = 9000.0},
   };
}

static BmMidSideEqParams flat(void)
{
   return (BmMidSideEqParams){.mid = flat_half(), .side = flat_half()};
}

/* The trade's move: side lows down, mid presence up, side highs up; and more, to have every band at work. */
static BmMidSideEqParams everything_on(void)
{
   BmMidSideEqParams params = flat();
   params.mid.low_cut = (BmLowCutParams){true, 12, 40.0};
   params.mid.low_shelf.gain_db = 2.0;
   params.mid.bells[0].gain_db = -4.0;
   params.mid.bells[1].gain_db = 5.0;
   params.mid.high_shelf.gain_db = -3.0;
   params.side.low_cut.on = true;
   params.side.low_shelf.gain_db = -6.0;
   params.side.bells[0].gain_db = 3.0;
   params.side.bells[1] = (BmBandParams){.frequency_hz = 12000.0, .gain_db = 9.0, .q = 2.0};
   params.side.high_shelf.gain_db = 6.0;
   return params;
}

/* Scaled so that sums and differences of the channels must be rounded. */
static BmFrame* noise(uint32_t n, uint64_t seed)
{
   BmFrame* frames = aligned_alloc(64, (n * sizeof *frames + 63) / 64 * 64);
   for (uint32_t i = 0; i < n; ++i) {
      const double left = bm_test_random(&seed) / 1.3;
      frames[i] = bm_frame(left, bm_test_random(&seed) / 1.7);
   }
   return frames;
}

static void process_blocks(BmMidSideEq* eq, const BmFrame* in, BmFrame* out, uint32_t n, uint32_t block)
{
   for (uint32_t i = 0; i < n; i += block) {
      bm_mid_side_eq_process(eq, in + i, out + i, n - i < block ? n - i : block);
   }
}

static double expected_db(const BmMidSideEqHalf* p, double f)
{
   double sum = bm_prototype_low_shelf_db(f, p->low_shelf.frequency_hz, p->low_shelf.gain_db) +
                bm_prototype_high_shelf_db(f, p->high_shelf.frequency_hz, p->high_shelf.gain_db);
   for (int i = 0; i < 2; ++i) {
      sum += bm_prototype_bell_db(f, p->bells[i].frequency_hz, p->bells[i].gain_db, p->bells[i].q);
   }
   if (p->low_cut.on) {
      sum += bm_prototype_low_cut_db(f, p->low_cut.corner_hz, p->low_cut.slope_db_oct);
   }
   return sum;
}

static void mid_and_side_each_follow_their_own_analogue_curve(void** state)
{
   (void)state;
   static const double rates_hz[] = {44100.0, 48000.0, 96000.0};
   const BmMidSideEqParams params = everything_on();
   for (size_t r = 0; r < LENGTH(rates_hz); ++r) {
      for (int side = 0; side < 2; ++side) {
         const uint32_t n = (uint32_t)(0.5 * rates_hz[r]);
         double* h = malloc(n * sizeof *h);
         BmMidSideEq eq;
         assert_int_equal(bm_mid_side_eq_init(&eq, rates_hz[r]), BM_OK);
         bm_mid_side_eq_set(&eq, &params);
         for (uint32_t i = 0; i < n; ++i) {
            const double x = i == 0 ? 1.0 : 0.0;
            BmFrame frame = bm_frame(x, side ? -x : x);
            bm_mid_side_eq_process(&eq, &frame, &frame, 1);
            h[i] = frame[0];
            assert_true(frame[1] == (side ? -frame[0] : frame[0])); /* nothing leaks into the other */
         }
         for (int k = 0; k <= 60; ++k) {
            const double f = 20.0 * pow(1000.0, k / 60.0);
            double complex sum = 0.0, turned = 1.0;
            const double omega = 2.0 * PI * f / rates_hz[r];
            const double complex step = cos(omega) - imaginary_unit * sin(omega);
            for (uint32_t i = 0; i < n; ++i) {
               sum += h[i] * turned;
               turned *= step;
            }
            assert_close(20.0 * log10(cabs(sum)), expected_db(side ? &params.side : &params.mid, f), 0.1);
         }
         free(h);
      }
   }
}

static void the_side_low_cut_makes_the_bottom_mono(void** state)
{
   (void)state;
   const double rate_hz = 48000.0;
   BmMidSideEqParams params = flat();
   params.side.low_cut = (BmLowCutParams){true, 24, 200.0};
   BmMidSideEq eq;
   bm_mid_side_eq_init(&eq, rate_hz);
   bm_mid_side_eq_set(&eq, &params);
   double difference = 0.0, sum = 0.0;
   for (uint32_t i = 0; i < 96000; ++i) { /* a note of 50 Hz on the left alone */
      BmFrame frame = bm_frame(sin(2.0 * PI * 50.0 * i / rate_hz), 0.0);
      bm_mid_side_eq_process(&eq, &frame, &frame, 1);
      if (i >= 48000) {
         difference += (frame[0] - frame[1]) * (frame[0] - frame[1]);
         sum += (frame[0] + frame[1]) * (frame[0] + frame[1]);
      }
   }
   /* Butterworth at a quarter of the corner: -48.165 dB. */
   assert_close(10.0 * log10(difference / sum), -48.165, 0.01);
   assert_between(bm_mid_side_eq_correlation_norm(&eq), 0.999, 1.0);
}

static void flat_is_the_input_to_the_last_bit(void** state)
{
   (void)state;
   const uint32_t n = 48000;
   BmFrame* in = noise(n, 1);
   BmFrame* out = noise(n, 2);
   BmMidSideEq eq;
   bm_mid_side_eq_init(&eq, 48000.0);
   process_blocks(&eq, in, out, n, 777); /* never set */
   assert_memory_equal(out, in, n * sizeof *in);
   BmMidSideEqParams params = flat();
   bm_mid_side_eq_set(&eq, &params);
   process_blocks(&eq, in, out, n, 777);
   assert_memory_equal(out, in, n * sizeof *in);
   params = everything_on();
   params.listen = BM_LISTEN_SIDE;
   bm_mid_side_eq_set(&eq, &params);
   process_blocks(&eq, in, out, n, 777);
   params = flat();
   bm_mid_side_eq_set(&eq, &params);
   process_blocks(&eq, in, out, n, 777);
   process_blocks(&eq, in, out, n, 777);
   assert_memory_equal(out, in, n * sizeof *in);
   free(in);
   free(out);
}

/* A take that has no side must come back as it was whatever the side's controls do, and the other way round.
 */
static void a_take_without_side_does_not_feel_the_side_nor_one_without_mid_the_mid(void** state)
{
   (void)state;
   const uint32_t n = 20000;
   BmFrame* in = noise(n, 3);
   BmFrame* out = noise(n, 4);
   for (int without_mid = 0; without_mid < 2; ++without_mid) {
      for (uint32_t i = 0; i < n; ++i) {
         in[i] = bm_frame(in[i][0], without_mid ? -in[i][0] : in[i][0]);
      }
      BmMidSideEqParams params = everything_on();
      *(without_mid ? &params.side : &params.mid) = flat_half();
      BmMidSideEq eq;
      bm_mid_side_eq_init(&eq, 48000.0);
      bm_mid_side_eq_set(&eq, &params);
      process_blocks(&eq, in, out, n, 512);
      for (uint32_t i = 0; i < n; ++i) {
         assert_true(out[i][0] == in[i][0] && out[i][1] == in[i][1]);
      }
   }
   free(in);
   free(out);
}

static void listening_to_mid_or_side_gives_that_alone_in_both_channels(void** state)
{
   (void)state;
   const uint32_t n = 5000;
   BmFrame* in = noise(n, 8);
   BmFrame* out = noise(n, 9);
   for (int side = 0; side < 2; ++side) {
      BmMidSideEqParams params = flat();
      params.listen = side ? BM_LISTEN_SIDE : BM_LISTEN_MID;
      BmMidSideEq eq;
      bm_mid_side_eq_init(&eq, 48000.0);
      bm_mid_side_eq_set(&eq, &params);
      process_blocks(&eq, in, out, n, 512);
      for (uint32_t i = 0; i < n; ++i) {
         assert_close(out[i][0], 0.5 * (in[i][0] + (side ? -in[i][1] : in[i][1])), 1e-15);
         assert_true(out[i][0] == out[i][1]);
      }
   }
   free(in);
   free(out);
}

static void the_opposite_settings_give_the_pair_back(void** state)
{
   (void)state;
   const uint32_t n = 20000;
   BmMidSideEqParams there = everything_on();
   there.mid.low_cut.on = false;
   there.side.low_cut.on = false;
   BmMidSideEqParams back = there;
   BmMidSideEqHalf* halves[] = {&back.mid, &back.side};
   for (int k = 0; k < 2; ++k) {
      halves[k]->low_shelf.gain_db *= -1.0;
      halves[k]->bells[0].gain_db *= -1.0;
      halves[k]->bells[1].gain_db *= -1.0;
      halves[k]->high_shelf.gain_db *= -1.0;
   }
   BmMidSideEq a, b;
   bm_mid_side_eq_init(&a, 44100.0);
   bm_mid_side_eq_init(&b, 44100.0);
   bm_mid_side_eq_set(&a, &there);
   bm_mid_side_eq_set(&b, &back);
   BmFrame* in = noise(n, 10);
   BmFrame* out = noise(n, 11);
   process_blocks(&a, in, out, n, 512);
   process_blocks(&b, out, out, n, 512);
   for (uint32_t i = 0; i < n; ++i) {
      assert_close(out[i][0], in[i][0], 1e-12);
      assert_close(out[i][1], in[i][1], 1e-12);
   }
   free(in);
   free(out);
}

/* A full-scale sine on the left, a quarter turn later on the right; the worst of 8 phases and both channels.
 */
static double click_dbfs(const BmMidSideEqParams* before, const BmMidSideEqParams* after, double tone_hz)
{
   enum { N_BEFORE = 24000, N_SEEN = 33600 };
   const double rate_hz = 48000.0;
   const uint32_t n = N_BEFORE + N_SEEN, middle = N_BEFORE + N_SEEN / 2;
   BmFrame* frames = noise(n, 1);
   double* y = malloc(N_SEEN * sizeof *y);
   double worst = -400.0;
   for (int phase = 0; phase < 8; ++phase) {
      for (uint32_t i = 0; i < n; ++i) {
         const double turns = tone_hz * i / rate_hz + phase / 8.0;
         frames[i] = bm_frame(sin(2.0 * PI * turns), cos(2.0 * PI * turns));
      }
      BmMidSideEq eq;
      bm_mid_side_eq_init(&eq, rate_hz);
      bm_mid_side_eq_set(&eq, before);
      bm_mid_side_eq_process(&eq, frames, frames, middle);
      bm_mid_side_eq_set(&eq, after);
      bm_mid_side_eq_process(&eq, frames + middle, frames + middle, n - middle);
      for (int lane = 0; lane < 2; ++lane) {
         for (uint32_t i = 0; i < N_SEEN; ++i) {
            y[i] = frames[N_BEFORE + i][lane];
         }
         worst = fmax(worst, bm_test_click_dbfs(y, N_SEEN, rate_hz, tone_hz > 500.0 ? 2000.0 : 1000.0));
      }
   }
   free(frames);
   free(y);
   return worst;
}

static void no_control_clicks(void** state)
{
   (void)state;
   const BmMidSideEqParams off = flat();
   const BmMidSideEqParams on = everything_on();
   BmMidSideEqParams cut = off, mid = off, side = off;
   cut.side.low_cut.on = true;
   mid.listen = BM_LISTEN_MID;
   side.listen = BM_LISTEN_SIDE;
   const BmMidSideEqParams* moves[][2] = {{&off, &cut},  {&off, &mid}, {&mid, &side},
                                          {&side, &off}, {&off, &on},  {&on, &off}};
   for (size_t m = 0; m < LENGTH(moves); ++m) {
      const double high = click_dbfs(moves[m][0], moves[m][1], 997.0);
      const double low = click_dbfs(moves[m][0], moves[m][1], 100.0);
      print_message("%.1f dBFS at 997 Hz, %.1f at 100 Hz\n", high, low);
      assert_between(high, -400.0, -95.0);
      assert_between(low, -400.0, -95.0);
   }
}

static void* fresh(void)
{
   BmMidSideEq* eq = aligned_alloc(64, (sizeof *eq + 63) / 64 * 64);
   const BmMidSideEqParams params = everything_on();
   assert_int_equal(bm_mid_side_eq_init(eq, 44100.0), BM_OK);
   bm_mid_side_eq_set(eq, &params);
   return eq;
}

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_mid_side_eq_process(self, in, out, n_frames);
}

static void move(void* self, uint32_t nth)
{
   BmMidSideEqParams params = nth % 3 == 0 ? everything_on() : flat();
   params.listen = (BmMidSideListen)(nth % 4 == 1 ? 1 : nth % 8 == 6 ? 2 : 0);
   bm_mid_side_eq_set(self, &params);
}

static void block_size_place_and_reset_change_no_bit(void** state)
{
   (void)state;
   const BmLadder ladder = {fresh, process, (void (*)(void*))bm_mid_side_eq_reset, free};
   bm_test_climb(&ladder, 10000);
   bm_test_climb_moving(&ladder, move, 30000);
}

static void any_controls_at_any_moment_keep_it_finite_and_end_in_silence(void** state)
{
   (void)state;
   enum { N = 256 };
   uint64_t seed = 41;
   BmMidSideEq eq;
   bm_mid_side_eq_init(&eq, 48000.0);
   BmFrame frames[N];
   double peak = 0.0;
   for (int round = 0; round < 3000; ++round) {
      BmMidSideEqParams p = flat();
      BmMidSideEqHalf* halves[] = {&p.mid, &p.side};
      for (int k = 0; k < 2; ++k) {
         halves[k]->low_cut = (BmLowCutParams){bm_test_random(&seed) > 0.0, 12 * (1 + (uint32_t)round % 3),
                                               20.0 * pow(100.0, fabs(bm_test_random(&seed)))};
         BmBandParams* bands[] = {&halves[k]->low_shelf, &halves[k]->bells[0], &halves[k]->bells[1],
                                  &halves[k]->high_shelf};
         for (int b = 0; b < 4; ++b) {
            *bands[b] = (BmBandParams){.frequency_hz = 20.0 * pow(1000.0, fabs(bm_test_random(&seed))),
                                       .gain_db = 15.0 * bm_test_random(&seed),
                                       .q = 0.3 * pow(26.0, fabs(bm_test_random(&seed)))};
         }
      }
      p.listen = (BmMidSideListen)((round / 7) % 3);
      bm_mid_side_eq_set(&eq, &p);
      const uint32_t n = round % 5 ? 3 : N;
      for (uint32_t i = 0; i < n; ++i) {
         frames[i] = bm_frame(bm_test_random(&seed), bm_test_random(&seed));
      }
      bm_mid_side_eq_process(&eq, frames, frames, n);
      for (uint32_t i = 0; i < n; ++i) {
         assert_true(isfinite(frames[i][0]) && isfinite(frames[i][1]));
         peak = fmax(peak, fmax(fabs(frames[i][0]), fabs(frames[i][1])));
      }
   }
   assert_between(20.0 * log10(peak), -20.0, 75.0); /* four bands of 15 dB, and the sum of mid and side */
   for (int k = 0; k < 3000; ++k) {
      memset(frames, 0, sizeof frames);
      bm_mid_side_eq_process(&eq, frames, frames, N);
   }
   assert_true(frames[N - 1][0] == 0.0 && frames[N - 1][1] == 0.0);
}

static void the_correlation_is_that_of_the_output(void** state)
{
   (void)state;
   const uint32_t n = 96000;
   BmFrame* in = noise(n, 51);
   BmFrame* out = noise(n, 52);
   BmMidSideEqParams params = flat();
   BmMidSideEq eq;
   bm_mid_side_eq_init(&eq, 48000.0);
   bm_mid_side_eq_set(&eq, &params);
   process_blocks(&eq, in, out, n, 512);
   assert_between(bm_mid_side_eq_correlation_norm(&eq), -0.05, 0.05); /* unrelated noises */
   params.listen = BM_LISTEN_MID;
   bm_mid_side_eq_set(&eq, &params);
   for (int k = 0; k < 4; ++k) {
      process_blocks(&eq, in, out, n, 512);
   }
   assert_between(bm_mid_side_eq_correlation_norm(&eq), 0.999, 1.0);
   free(in);
   free(out);
}

static void a_rate_it_cannot_run_at_is_refused(void** state)
{
   (void)state;
   BmMidSideEq eq;
   assert_int_equal(bm_mid_side_eq_init(&eq, 7999.0), BM_BAD_RATE);
   assert_int_equal(bm_mid_side_eq_init(&eq, (double)NAN), BM_BAD_RATE);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(mid_and_side_each_follow_their_own_analogue_curve),
      cmocka_unit_test(the_side_low_cut_makes_the_bottom_mono),
      cmocka_unit_test(flat_is_the_input_to_the_last_bit),
      cmocka_unit_test(a_take_without_side_does_not_feel_the_side_nor_one_without_mid_the_mid),
      cmocka_unit_test(listening_to_mid_or_side_gives_that_alone_in_both_channels),
      cmocka_unit_test(the_opposite_settings_give_the_pair_back),
      cmocka_unit_test(no_control_clicks),
      cmocka_unit_test(block_size_place_and_reset_change_no_bit),
      cmocka_unit_test(any_controls_at_any_moment_keep_it_finite_and_end_in_silence),
      cmocka_unit_test(the_correlation_is_that_of_the_output),
      cmocka_unit_test(a_rate_it_cannot_run_at_is_refused),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
