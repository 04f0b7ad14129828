/* SPDX-License-Identifier: ISC */
/* If these fail, the low cut stays behind when the music moves to another note, or an equaliser on every
   track costs several times what it should because it trembles after each reading. */
#include "unit_test.h"

#include "strip/note_tracked_eq.h"

#include <string.h>

#define RATE_HZ 48000.0
#define PI 3.14159265358979323846

enum { SECOND = 48000, N = 3 * SECOND };

static BmNoteTrackedEq eq;
static BmFrame frames[N];

static BmNoteTrackedEqParams every_band(BmNoteSource source)
{
   return (BmNoteTrackedEqParams){
      .note_source = source,
      .note_hz = 82.4,
      .eq = {.low_cut = true,
             .low_cut_slope_db_oct = 36,
             .low_cut_ratio = 0.77,
             .harmonic = 2,
             .harmonic_gain_db = -4.0,
             .harmonic_q = 1.4,
             .low_shelf = {.frequency_hz = 150.0, .gain_db = 2.0},
             .bells = {{.frequency_hz = 400.0, .gain_db = -3.0, .q = 1.0},
                       {.frequency_hz = 3000.0, .gain_db = 3.0, .q = 1.0}},
             .high_shelf = {.frequency_hz = 8000.0, .gain_db = 3.0}},
   };
}

/* A string that rings on, in a little noise. */
static void ring(uint32_t from, uint32_t to, double hz)
{
   uint64_t seed = 4;
   for (uint32_t i = from; i < to; ++i) {
      const double t = (i - from) / RATE_HZ;
      double x = 0.002 * bm_test_random(&seed);
      for (int n = 1; n <= 10; ++n) {
         x += 0.1 / n * exp(-t * (0.4 + 0.1 * n)) * sin(2.0 * PI * n * hz * t + n * n);
      }
      frames[i] = bm_frame_both(x);
   }
}

static void the_filters_rest_while_a_note_rings_on(void** state)
{
   (void)state;
   assert_int_equal(bm_note_tracked_eq_init(&eq, RATE_HZ), BM_OK);
   const BmNoteTrackedEqParams params = every_band(BM_NOTE_FOLLOW);
   bm_note_tracked_eq_set(&eq, &params);
   ring(0, N, 110.3);
   uint32_t n_resting = 0;
   uint32_t n_looks = 0;
   for (uint32_t i = 0; i < N; i += 64) {
      bm_note_tracked_eq_process(&eq, frames + i, frames + i, 64);
      if (i > SECOND) {
         ++n_looks;
         n_resting += eq.eq.eq.coef.rests;
      }
   }
   print_message("resting in %u of %u looks\n", n_resting, n_looks);
   assert_true(10 * n_resting > 9 * n_looks);
   assert_close(1200.0 * log2(eq.cfg.params.eq.lowest_note_hz / 110.3), 0.0, 6.0);
}

static void they_follow_to_another_note(void** state)
{
   (void)state;
   assert_int_equal(bm_note_tracked_eq_init(&eq, RATE_HZ), BM_OK);
   const BmNoteTrackedEqParams params = every_band(BM_NOTE_FOLLOW);
   bm_note_tracked_eq_set(&eq, &params);
   ring(0, N / 2, 146.8);
   ring(N / 2, N, 98.0);
   bm_note_tracked_eq_process(&eq, frames, frames, N);
   assert_close(1200.0 * log2(bm_note_tracked_eq_note_hz(&eq) / 98.0), 0.0, 6.0);
   assert_close(1200.0 * log2(eq.cfg.params.eq.lowest_note_hz / 98.0), 0.0, 9.0);
}

static void it_follows_alike_in_blocks_of_any_size(void** state)
{
   (void)state;
   static const uint32_t blocks[] = {N, 1, 7, 480};
   static BmFrame whole[N], cut[N];
   const BmNoteTrackedEqParams params = every_band(BM_NOTE_FOLLOW);
   ring(0, N / 3, 146.8);
   ring(N / 3, 2 * N / 3, 98.0);
   ring(2 * N / 3, N, 110.3);
   for (int b = 0; b < 4; ++b) {
      assert_int_equal(bm_note_tracked_eq_init(&eq, RATE_HZ), BM_OK);
      bm_note_tracked_eq_set(&eq, &params);
      for (uint32_t i = 0; i < N; i += blocks[b]) {
         bm_note_tracked_eq_process(&eq, frames + i, cut + i, N - i < blocks[b] ? N - i : blocks[b]);
      }
      if (b == 0) {
         memcpy(whole, cut, sizeof whole);
      }
      assert_memory_equal(cut, whole, sizeof whole);
   }
}

static void after_a_reset_it_is_as_new(void** state)
{
   (void)state;
   static BmFrame again[SECOND], fresh[SECOND];
   assert_int_equal(bm_note_tracked_eq_init(&eq, RATE_HZ), BM_OK);
   const BmNoteTrackedEqParams params = every_band(BM_NOTE_FOLLOW);
   bm_note_tracked_eq_set(&eq, &params);
   ring(0, N, 196.0);
   bm_note_tracked_eq_process(&eq, frames, fresh, SECOND);
   const uint32_t heard_frames[] = {SECOND, 100}; /* a note, and none yet */
   for (int i = 0; i < 2; ++i) {
      bm_note_tracked_eq_reset(&eq);
      bm_note_tracked_eq_process(&eq, frames, again, heard_frames[i]);
      bm_note_tracked_eq_reset(&eq);
      bm_note_tracked_eq_process(&eq, frames, again, SECOND);
      assert_memory_equal(again, fresh, sizeof fresh);
   }
}

/* How long until a note is learned, while a gain is turned or not. */
static uint32_t frames_to_learn(bool turns)
{
   assert_int_equal(bm_note_tracked_eq_init(&eq, RATE_HZ), BM_OK);
   BmNoteTrackedEqParams params = every_band(BM_NOTE_LEARN);
   bm_note_tracked_eq_set(&eq, &params);
   ring(0, N, 110.3);
   uint32_t i = 0;
   for (; i < N && bm_lowest_note_learned_hz(&eq.search) == 0.0; i += 64) {
      if (turns) {
         params.eq.bells[0].gain_db = i % 128 ? -2.0 : -3.0;
         bm_note_tracked_eq_set(&eq, &params);
      }
      bm_note_tracked_eq_process(&eq, frames + i, frames + i, 64);
   }
   return i;
}

static void a_knob_that_is_turned_does_not_hold_up_the_learning_of_a_note(void** state)
{
   (void)state;
   const uint32_t at_rest = frames_to_learn(false);
   assert_true(at_rest < N);
   assert_int_equal(frames_to_learn(true), at_rest);
}

/* A session brings back the note, then the controls as they stood. */
static void a_session_saved_with_the_button_pressed_keeps_its_note(void** state)
{
   (void)state;
   assert_int_equal(bm_note_tracked_eq_init(&eq, RATE_HZ), BM_OK);
   bm_lowest_note_set_learned_hz(&eq.search, 110.0);
   BmNoteTrackedEqParams params = every_band(BM_NOTE_LEARN);
   params.learn_again = true;
   bm_note_tracked_eq_set(&eq, &params);
   assert_close(bm_lowest_note_learned_hz(&eq.search), 110.0, 1e-9);
   params.learn_again = false;
   bm_note_tracked_eq_set(&eq, &params);
   params.learn_again = true;
   bm_note_tracked_eq_set(&eq, &params);
   assert_true(bm_lowest_note_learned_hz(&eq.search) == 0.0);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_filters_rest_while_a_note_rings_on),
      cmocka_unit_test(they_follow_to_another_note),
      cmocka_unit_test(it_follows_alike_in_blocks_of_any_size),
      cmocka_unit_test(after_a_reset_it_is_as_new),
      cmocka_unit_test(a_session_saved_with_the_button_pressed_keeps_its_note),
      cmocka_unit_test(a_knob_that_is_turned_does_not_hold_up_the_learning_of_a_note),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
