/* SPDX-License-Identifier: ISC */
/* If these fail, switching a processor in and out compares levels instead of colour, or its level pumps. */
#include "unit_test.h"

#include "click.h"

#include "analysis/loudness_match.h"
#include "base/decibel.h"

#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846

/* Plucked notes, 0.3 s apart with a louder one now and then, in both channels differently. */
static void play(double rate_hz, BmFrame* out, uint32_t n_frames)
{
   uint64_t seed = 7;
   const uint32_t gap = (uint32_t)(0.3 * rate_hz);
   double hz = 110.0;
   double level = 0.2;
   for (uint32_t i = 0; i < n_frames; ++i) {
      if (i % gap == 0) {
         hz = 82.0 * pow(2.0, 1.0 + bm_test_random(&seed));
         level = 0.25 * pow(10.0, 0.2 * bm_test_random(&seed));
      }
      const double t = (i % gap) / rate_hz;
      double x = 0.0;
      for (int n = 1; n <= 6; ++n) {
         x += exp(-t * (3.0 + 4.0 * n)) * sin(2.0 * PI * n * hz * t) / n;
      }
      out[i] = bm_frame(level * x, 0.7 * level * x + 0.001 * bm_test_random(&seed));
   }
}

/* A processor that changes level and colour: gain, then a soft clip. */
static BmFrame colour(BmFrame x, double gain)
{
   return bm_frame(0.3 * tanh(gain * x[0] / 0.3), 0.3 * tanh(gain * x[1] / 0.3));
}

/* Ungated loudness, with the coefficients that BS.1770-4 prints (48 kHz only). */
static double loudness_lufs(const BmFrame* x, uint32_t n_frames)
{
   static const double b[2][3] = {{1.53512485958697, -2.69169618940638, 1.19839281085285}, {1.0, -2.0, 1.0}};
   static const double a[2][2] = {{-1.69065929318241, 0.73248077421585},
                                  {-1.99004745483398, 0.99007225036621}};
   double sum = 0.0;
   for (int lane = 0; lane < 2; ++lane) {
      double in[2][2] = {{0}};
      double out[2][2] = {{0}};
      for (uint32_t i = 0; i < n_frames; ++i) {
         double v = x[i][lane];
         for (int s = 0; s < 2; ++s) {
            const double y = b[s][0] * v + b[s][1] * in[s][0] + b[s][2] * in[s][1] - a[s][0] * out[s][0] -
                             a[s][1] * out[s][1];
            in[s][1] = in[s][0];
            in[s][0] = v;
            out[s][1] = out[s][0];
            out[s][0] = y;
            v = y;
         }
         sum += v * v;
      }
   }
   return -0.691 + 10.0 * log10(sum / n_frames);
}

static void after_ten_seconds_of_programme_it_is_within_half_a_lu(void** state)
{
   (void)state;
   const double rate = 48000.0;
   const uint32_t n = 40 * 48000;
   const uint32_t ten_seconds = 10 * 48000;
   BmFrame* dry = malloc(n * sizeof *dry);
   BmFrame* wet = malloc(n * sizeof *wet);
   play(rate, dry, n);
   /* From a cut of 8 dB, through unity, to a clip 30 dB deep whose level rises by 10 dB. */
   const double gains[] = {0.4, 1.0, 3.0, 30.0};
   for (unsigned g = 0; g < sizeof gains / sizeof *gains; ++g) {
      for (uint32_t i = 0; i < n; ++i) {
         wet[i] = colour(dry[i], gains[g]);
      }
      const double before = loudness_lufs(wet + ten_seconds, n - ten_seconds) -
                            loudness_lufs(dry + ten_seconds, n - ten_seconds);
      BmLoudnessMatch match;
      assert_int_equal(bm_loudness_match_init(&match, rate), BM_OK);
      bm_loudness_match_set(&match, true);
      bm_loudness_match_process(&match, dry, wet, n);
      assert_close(loudness_lufs(wet + ten_seconds, n - ten_seconds),
                   loudness_lufs(dry + ten_seconds, n - ten_seconds), 0.5);
      assert_close(bm_loudness_match_gain_db(&match), -before, 1.0);
   }
   free(dry);
   free(wet);
}

static void once_settled_the_gain_moves_slower_than_a_db_a_second(void** state)
{
   (void)state;
   const double rate = 8000.0;
   BmLoudnessMatch match;
   assert_int_equal(bm_loudness_match_init(&match, rate), BM_OK);
   bm_loudness_match_set(&match, true);
   BmFrame dry[8];
   double last_db = 0.0;
   double moved_db = 0.0;
   double hz = 330.0;
   for (uint32_t i = 0; i < 20 * 8000; i += 8) {
      /* The processor's gain leaps by 20 dB every four seconds. */
      const double gain = (i / 32000) % 2 ? 5.0 : 0.5;
      BmFrame wet[8];
      for (uint32_t k = 0; k < 8; ++k) {
         dry[k] = bm_frame_both(0.1 * sin(2.0 * PI * hz * (i + k) / rate));
         wet[k] = dry[k] * gain;
      }
      BmFrame before = wet[7];
      bm_loudness_match_process(&match, dry, wet, 8);
      const double db = bm_loudness_match_gain_db(&match);
      if (i > 3 * 8000) {
         assert_true(fabs(db - last_db) * rate / 8.0 < 1.0);
         moved_db += fabs(db - last_db);
         if (fabs(before[0]) > 1e-3) { /* the gain heard is the gain told, a period behind at most */
            assert_close(bm_db_from_gain(wet[7][0] / before[0]), db, 0.01);
         }
      }
      last_db = db;
   }
   assert_true(moved_db > 3.0);
}

static void it_freezes_in_silence_and_in_pauses(void** state)
{
   (void)state;
   const double rate = 48000.0;
   const uint32_t second = 48000;
   BmFrame* dry = malloc(12 * second * sizeof *dry);
   BmFrame* wet = malloc(12 * second * sizeof *wet);
   play(rate, dry, 12 * second);
   for (int pause = 0; pause < 2; ++pause) {
      BmLoudnessMatch match;
      assert_int_equal(bm_loudness_match_init(&match, rate), BM_OK);
      bm_loudness_match_set(&match, true);
      for (uint32_t i = 0; i < 12 * second; ++i) {
         wet[i] = dry[i] * 0.5;
      }
      bm_loudness_match_process(&match, dry, wet, 12 * second);
      assert_close(bm_loudness_match_gain_db(&match), 6.0206, 0.05);
      /* Ten seconds of nothing, or of a hum at -56 dBFS that the processor makes 12 dB louder. */
      double held_db = 0.0;
      for (uint32_t s = 0; s < 12; ++s) {
         for (uint32_t i = 0; i < second; ++i) {
            dry[i] = bm_frame_both(pause ? 0.0016 * sin(2.0 * PI * 100.0 * i / rate) : 0.0);
            wet[i] = dry[i] * 4.0;
         }
         bm_loudness_match_process(&match, dry, wet, second);
         if (s == 1) {
            held_db = bm_loudness_match_gain_db(&match);
         }
      }
      assert_true(bm_loudness_match_gain_db(&match) == held_db);
      assert_close(held_db, 6.0206, 0.5);
      play(rate, dry, 12 * second);
   }
   free(dry);
   free(wet);
}

static void it_does_not_listen_to_hiss_before_the_first_note(void** state)
{
   (void)state;
   BmLoudnessMatch match;
   assert_int_equal(bm_loudness_match_init(&match, 8000.0), BM_OK);
   bm_loudness_match_set(&match, true);
   uint64_t seed = 9;
   for (uint32_t i = 0; i < 5 * 8000; ++i) {
      const BmFrame dry = bm_frame_both(1e-4 * bm_test_random(&seed)); /* -85 dBFS, each channel */
      BmFrame wet = dry * 4.0;
      bm_loudness_match_process(&match, &dry, &wet, 1);
   }
   assert_true(bm_loudness_match_gain_db(&match) == 0.0);
}

static void it_never_boosts_more_than_twelve_db(void** state)
{
   (void)state;
   const double gains[] = {0.0, 1e-9, 0.1};
   for (unsigned g = 0; g < 3; ++g) {
      BmLoudnessMatch match;
      assert_int_equal(bm_loudness_match_init(&match, 8000.0), BM_OK);
      bm_loudness_match_set(&match, true);
      for (uint32_t i = 0; i < 15 * 8000; ++i) {
         const BmFrame dry = bm_frame_both(0.1 * sin(0.3 * i));
         BmFrame wet = dry * gains[g];
         bm_loudness_match_process(&match, &dry, &wet, 1);
         assert_true(bm_loudness_match_gain_db(&match) <= 12.0);
      }
      assert_close(bm_loudness_match_gain_db(&match), 12.0, 1e-9);
   }
}

static void it_is_the_same_to_the_bit_for_every_block_size_and_after_a_reset(void** state)
{
   (void)state;
   const uint32_t n = 4 * 44100;
   BmFrame* dry = malloc(n * sizeof *dry);
   BmFrame* once = malloc(n * sizeof *once);
   BmFrame* split = malloc(n * sizeof *split);
   play(44100.0, dry, n);
   static const uint32_t blocks[] = {1, 7, 64, 1021, 4096};
   BmLoudnessMatch match;
   assert_int_equal(bm_loudness_match_init(&match, 44100.0), BM_OK);
   bm_loudness_match_set(&match, true);
   for (uint32_t i = 0; i < n; ++i) {
      once[i] = colour(dry[i], 4.0);
   }
   bm_loudness_match_process(&match, dry, once, n);
   for (unsigned b = 0; b < sizeof blocks / sizeof *blocks; ++b) {
      bm_loudness_match_reset(&match);
      for (uint32_t i = 0; i < n; ++i) {
         split[i] = colour(dry[i], 4.0);
      }
      for (uint32_t i = 0; i < n; i += blocks[b]) {
         const uint32_t left = n - i;
         bm_loudness_match_process(&match, dry + i, split + i, left < blocks[b] ? left : blocks[b]);
      }
      assert_memory_equal(split, once, n * sizeof *split);
   }
   free(dry);
   free(once);
   free(split);
}

static void switched_off_it_changes_no_bit_and_switching_makes_no_click(void** state)
{
   (void)state;
   const double rate = 48000.0;
   BmLoudnessMatch match;
   assert_int_equal(bm_loudness_match_init(&match, rate), BM_OK);
   bm_loudness_match_set(&match, false);
   double last = 1.0;
   for (uint32_t i = 0; i < 10 * 48000; ++i) {
      if (i == 48000) {
         bm_loudness_match_set(&match, true);
      }
      if (i == 9 * 48000) {
         bm_loudness_match_set(&match, false);
      }
      const BmFrame dry = bm_frame_both(0.2 * cos(0.1 * i));
      BmFrame wet = dry * 3.0;
      const BmFrame before = wet;
      bm_loudness_match_process(&match, &dry, &wet, 1);
      const double gain = wet[0] / before[0];
      if (i < 48000 || i >= 9 * 48000 + 960) {
         assert_true(wet[0] == before[0] && wet[1] == before[1]);
      } else if (fabs(before[0]) > 1e-3) {
         /* A 20 ms raised cosine moves no faster than pi/2 of the whole way in its length; at a zero crossing
            two frames are skipped. */
         assert_true(fabs(gain - last) < 2.5 * (1.0 - 1.0 / 3.0) * 0.5 * PI / 960.0);
      }
      last = fabs(before[0]) > 1e-3 ? gain : last;
      if (i == 9 * 48000 - 1) {
         assert_close(bm_loudness_match_gain_db(&match), -9.5424, 0.01);
      }
   }
}

/* A 997 Hz tone that comes out of a processor at `gain`; `y`, if any, gets what the match makes of it. */
static void run_tone(BmLoudnessMatch* match, double gain, uint32_t n_frames, double* y)
{
   static uint32_t at;
   for (uint32_t i = 0; i < n_frames; ++i, ++at) {
      const BmFrame dry = bm_frame_both(0.25 * sin(2.0 * PI * 997.0 * at / 48000.0));
      BmFrame wet = dry * gain;
      bm_loudness_match_process(match, &dry, &wet, 1);
      if (y) {
         y[i] = wet[0];
      }
   }
}

static void a_gain_that_was_found_is_there_at_once_and_so_is_the_first_guess(void** state)
{
   (void)state;
   enum { SOME = 480 };
   static double y[SOME];
   BmLoudnessMatch match;
   bm_loudness_match_init(&match, 48000.0);
   bm_loudness_match_set(&match, true);
   run_tone(&match, 0.5, 5 * 48000, NULL);
   const BmMatchFinding soft = bm_loudness_match_finding(&match);
   assert_close(soft.gain_db, 6.0206, 0.01);
   /* Another, of which nothing is known: it keeps the gain until it has been heard for long enough. */
   const BmMatchFinding unknown = {.gain_db = soft.gain_db};
   bm_loudness_match_recall(&match, &unknown, 9600);
   run_tone(&match, 4.0, 16800, NULL);
   bm_loudness_match_jump(&match);
   assert_close(bm_loudness_match_gain_db(&match), soft.gain_db, 1e-9);
   run_tone(&match, 4.0, 9600, NULL);
   bm_loudness_match_jump(&match);
   assert_close(bm_loudness_match_gain_db(&match), -12.0412, 0.02);
   /* The first again; too soft while it gets ready, which is not to be judged. */
   bm_loudness_match_recall(&match, &soft, 9600);
   run_tone(&match, 0.25, SOME, y);
   double peak = 0.0;
   for (uint32_t i = 0; i < SOME; ++i) {
      peak = fmax(peak, fabs(y[i]));
   }
   assert_close(peak, 0.25 * 0.25 * 2.0, 0.002);
   run_tone(&match, 0.25, 4800, NULL);
   assert_close(bm_loudness_match_gain_db(&match), soft.gain_db, 1e-9);
   run_tone(&match, 0.5, 48000, NULL);
   assert_close(bm_loudness_match_gain_db(&match), soft.gain_db, 0.1);
}

/* A processor with a gain that is known, 50 frames late. */
static void what_is_known_of_a_gain_is_out_at_once_and_stays_so_while_it_moves(void** state)
{
   (void)state;
   enum { N = 4 * 48000, LATE = 50 };
   static BmFrame in[N];
   static BmFrame dry[N];
   static BmFrame wet[N];
   BmGlide gain;
   BmLoudnessMatch match;
   bm_glide_init(&gain, BM_GLIDE_MS, 48000.0);
   assert_int_equal(bm_loudness_match_init(&match, 48000.0), BM_OK);
   const double gains[] = {16.0, 2.0, 40.0, 1.0};
   for (uint32_t i = 0; i < N; ++i) {
      in[i] = bm_frame_both(0.1 * sin(2.0 * PI * 997.0 * i / 48000.0));
   }
   for (uint32_t i = 0; i < N; ++i) {
      if (i % 48000 == 0) {
         const double next = gains[i / 48000];
         bm_glide_set(&gain, next);
         bm_loudness_match_know(&match, next, LATE);
         bm_loudness_match_set(&match, true);
      }
      wet[i] = i >= LATE ? wet[i] : bm_frame_both(0.0);
      dry[i] = i >= LATE ? in[i - LATE] : bm_frame_both(0.0);
      if (i + LATE < N) {
         wet[i + LATE] = in[i] * bm_glide_step(&gain);
      }
      bm_loudness_match_process(&match, dry + i, wet + i, 1);
      assert_close(wet[i][0], dry[i][0], 0.1 * 1e-3);
   }
   /* The most that is boosted counts with it. */
   bm_loudness_match_reset(&match);
   bm_loudness_match_know(&match, 100.0, LATE);
   for (int i = 0; i < 8; ++i) {
      for (uint32_t n = 0; n < N; ++n) {
         wet[n] = in[n] * 1e-3;
      }
      bm_loudness_match_process(&match, in, wet, N);
   }
   assert_close(wet[N - 12][0] / in[N - 12][0], 4e-3, 5e-5);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(after_ten_seconds_of_programme_it_is_within_half_a_lu),
      cmocka_unit_test(once_settled_the_gain_moves_slower_than_a_db_a_second),
      cmocka_unit_test(it_freezes_in_silence_and_in_pauses),
      cmocka_unit_test(it_does_not_listen_to_hiss_before_the_first_note),
      cmocka_unit_test(it_never_boosts_more_than_twelve_db),
      cmocka_unit_test(it_is_the_same_to_the_bit_for_every_block_size_and_after_a_reset),
      cmocka_unit_test(switched_off_it_changes_no_bit_and_switching_makes_no_click),
      cmocka_unit_test(a_gain_that_was_found_is_there_at_once_and_so_is_the_first_guess),
      cmocka_unit_test(what_is_known_of_a_gain_is_out_at_once_and_stays_so_while_it_moves),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
