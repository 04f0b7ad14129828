/* SPDX-License-Identifier: ISC */
/* If these fail, the low cut stands on the wrong note of the instrument. */
#include "unit_test.h"

#include "base/note.h"

/* Open strings, computed from ISO 16 and equal temperament outside this code; tunings are common practice. */
typedef struct {
   uint32_t index; /* as sessions have it */
   const char* name;
   double lowest_hz;
   double strings_hz[BM_TUNING_STRINGS_MAX + 1]; /* 0 ends */
} Row;

static const Row rows[] = {
   {1, "Guitar, standard", 82.407, {82.407, 110.000, 146.832, 195.998, 246.942, 329.628}},
   {2, "Guitar, drop D", 73.416, {73.416, 110.000, 146.832, 195.998, 246.942, 329.628}},
   {3, "Guitar, DADGAD", 73.416, {73.416, 110.000, 146.832, 195.998, 220.000, 293.665}},
   {4, "Guitar, open G", 73.416, {73.416, 97.999, 146.832, 195.998, 246.942, 293.665}},
   {5, "Guitar, open D", 73.416, {73.416, 110.000, 146.832, 184.997, 220.000, 293.665}},
   {6, "Resonator guitar, high-bass G", 97.999, {97.999, 123.471, 146.832, 195.998, 246.942, 293.665}},
   {7,
    "Twelve-string guitar",
    82.407,
    {82.407, 164.814, 110.000, 220.000, 146.832, 293.665, 195.998, 391.995, 246.942, 246.942, 329.628,
     329.628}},
   {8, "Baritone guitar", 61.735, {61.735, 82.407, 110.000, 146.832, 184.997, 246.942}},
   {9, "Tenor guitar", 130.813, {130.813, 195.998, 293.665, 440.000}},
   {10, "Ukulele, re-entrant", 261.626, {391.995, 261.626, 329.628, 440.000}},
   {11, "Ukulele, low G", 195.998, {195.998, 261.626, 329.628, 440.000}},
   {12, "Baritone ukulele", 146.832, {146.832, 195.998, 246.942, 329.628}},
   {13, "Mandolin", 195.998, {195.998, 293.665, 440.000, 659.255}},
   {14, "Five-string banjo, open G", 146.832, {391.995, 146.832, 195.998, 246.942, 293.665}},
   {15, "Violin", 195.998, {195.998, 293.665, 440.000, 659.255}},
   {16, "Viola", 130.813, {130.813, 195.998, 293.665, 440.000}},
   {17, "Cello", 65.406, {65.406, 97.999, 146.832, 220.000}},
   {18, "Double bass", 41.203, {41.203, 55.000, 73.416, 97.999}},
   {19, "Double bass, five strings", 30.868, {30.868, 41.203, 55.000, 73.416, 97.999}},
   {20, "Guitar, half step down", 77.782, {77.782, 103.826, 138.591, 184.997, 233.082, 311.127}},
   {21, "Seven-string guitar", 61.735, {61.735, 82.407, 110.000, 146.832, 195.998, 246.942, 329.628}},
   {22, "Mandola", 130.813, {130.813, 195.998, 293.665, 440.000}},
   {23, "Octave mandolin", 97.999, {97.999, 146.832, 220.000, 329.628}},
   {24, "Bouzouki, GDAD", 97.999, {97.999, 146.832, 220.000, 293.665}},
   {25, "Tenor banjo", 130.813, {130.813, 195.998, 293.665, 440.000}},
};

static void every_tuning_keeps_its_number_its_name_and_its_strings(void** state)
{
   (void)state;
   assert_int_equal(bm_tuning_count(), 1 + sizeof rows / sizeof rows[0]); /* all but "Any instrument" */
   for (uint32_t i = 0; i < sizeof rows / sizeof rows[0]; ++i) {
      const BmTuning* tuning = bm_tuning(rows[i].index);
      assert_string_equal(tuning->name, rows[i].name);
      uint32_t n = 0;
      while (rows[i].strings_hz[n] > 0.0) {
         assert_close(bm_note_hz(tuning->open_keys[n]), rows[i].strings_hz[n], 0.001);
         ++n;
      }
      assert_int_equal(tuning->n_strings, n);
      assert_close(bm_tuning_lowest_hz(tuning), rows[i].lowest_hz, 0.001);
   }
}

static void the_search_takes_in_every_open_string_tuned_down_and_fretted_up(void** state)
{
   (void)state;
   for (uint32_t i = 0; i < bm_tuning_count(); ++i) {
      const BmTuning* tuning = bm_tuning(i);
      assert_in_range(tuning->n_strings, 1, BM_TUNING_STRINGS_MAX);
      for (uint32_t s = 0; s < tuning->n_strings; ++s) {
         const double open_hz = bm_note_hz(tuning->open_keys[s]);
         /* 415 Hz is a semitone and a third of a cent under 440. */
         assert_true(open_hz * 415.0 / 440.0 > bm_tuning_search_low_hz(tuning));
         assert_true(open_hz * 4.0 <= bm_tuning_search_high_hz(tuning) * (1.0 + 1e-12));
      }
      const double under_cents = 1200.0 * log2(bm_tuning_lowest_hz(tuning) / bm_tuning_search_low_hz(tuning));
      assert_between(under_cents, 101.0, 200.0);
   }
}

static void the_widest_tuning_takes_in_all_others(void** state)
{
   (void)state;
   const BmTuning* any = bm_tuning(0);
   assert_string_equal(any->name, "Any instrument");
   for (uint32_t i = 0; i < bm_tuning_count(); ++i) {
      assert_true(bm_tuning_search_low_hz(any) <= bm_tuning_search_low_hz(bm_tuning(i)));
      assert_true(bm_tuning_search_high_hz(any) >= bm_tuning_search_high_hz(bm_tuning(i)));
   }
}

static void no_two_tunings_share_a_name(void** state)
{
   (void)state;
   for (uint32_t i = 0; i < bm_tuning_count(); ++i) {
      for (uint32_t k = 0; k < i; ++k) {
         assert_string_not_equal(bm_tuning(i)->name, bm_tuning(k)->name);
      }
   }
}

static void keys_are_those_of_equal_temperament_on_440_hz(void** state)
{
   (void)state;
   assert_close(bm_note_hz(69.0), 440.0, 0.0);
   assert_close(bm_note_hz(60.0), 261.6255653005986, 1e-12);
   assert_close(bm_note_hz(69.01), 440.2542, 1e-4); /* a cent at 440 Hz is 0.2542 Hz */
}

static void an_index_past_the_end_is_the_last_tuning(void** state)
{
   (void)state;
   assert_ptr_equal(bm_tuning(bm_tuning_count()), bm_tuning(bm_tuning_count() - 1));
   assert_ptr_equal(bm_tuning(UINT32_MAX), bm_tuning(bm_tuning_count() - 1));
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_tuning_keeps_its_number_its_name_and_its_strings),
      cmocka_unit_test(the_search_takes_in_every_open_string_tuned_down_and_fretted_up),
      cmocka_unit_test(the_widest_tuning_takes_in_all_others),
      cmocka_unit_test(no_two_tunings_share_a_name),
      cmocka_unit_test(keys_are_those_of_equal_temperament_on_440_hz),
      cmocka_unit_test(an_index_past_the_end_is_the_last_tuning),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
