/* SPDX-License-Identifier: ISC */
/* If these fail, what an insert cost is told wrongly or not at all: a compressor that brings the rumble back
 * goes unnoticed, or louder is taken for better. */
#include "unit_test.h"

#include "insert_cost.h"
#include "json_check.h"

#include <string.h>

static const BmMeasurement plain = {.integrated_lufs = -20.0,
                                    .crest_db = 16.0,
                                    .attack_to_sustain_db = 2.0,
                                    .highs_db = -30.0,
                                    .under_note_db = -55.0,
                                    .mono_change_lu = -1.0};
static const BmAnalysis some;

static char* warning_of(const BmMeasurement* left, const BmAnalysis* before)
{
   const BmReportInsert insert = {.name = "FET", .uri = "urn:x", .came = &plain, .left = left};
   const BmReportSignal signal = {.name = "S", .kind = "Track", .before = before, .inserts = &insert};
   return bm_insert_cost_warning(&signal, 0);
}

static void assert_words(const BmMeasurement* left, const char* expected)
{
   char* words = bm_insert_cost_words(&plain, left);
   assert_string_equal(words, expected);
   free(words);
}

static void what_comes_back_under_the_lowest_note_is_warned_of_where_it_is_heard(void** state)
{
   (void)state;
   const struct {
      double came_db;
      double left_db;
      bool is_warned;
   } cases[] = {{-55.0, -41.0, true}, {-55.0, -50.0, false}, {-90.0, -61.0, false}, {-41.0, -55.0, false}};
   for (size_t n = 0; n < sizeof cases / sizeof *cases; ++n) {
      BmMeasurement came = plain;
      BmMeasurement left = plain;
      came.under_note_db = cases[n].came_db;
      left.under_note_db = cases[n].left_db;
      const BmReportInsert insert = {.name = "FET", .uri = "urn:x", .came = &came, .left = &left};
      const BmReportSignal signal = {.name = "S", .kind = "Track", .before = &some, .inserts = &insert};
      char* warning = bm_insert_cost_warning(&signal, 0);
      assert_int_equal(warning != NULL, cases[n].is_warned);
      if (warning) {
         assert_non_null(strstr(warning, "brings 14.0 dB back under the lowest note, to \xE2\x88\x92"
                                         "41.0 dB of the whole"));
      }
      free(warning);
   }
}

static void louder_is_not_let_pass_for_better(void** state)
{
   (void)state;
   BmMeasurement left = plain;
   left.integrated_lufs += 1.2;
   char* warning = warning_of(&left, &some);
   assert_non_null(warning);
   assert_non_null(strstr(warning, "1.2 LU louder"));
   free(warning);
   /* What a send's bus puts out stands beside the dry sound, not in its place. */
   assert_null(warning_of(&left, NULL));
   left.integrated_lufs = plain.integrated_lufs - 3.0;
   assert_null(warning_of(&left, &some));
}

static void a_loss_in_mono_is_warned_of_and_a_gain_is_not(void** state)
{
   (void)state;
   BmMeasurement left = plain;
   left.mono_change_lu -= 1.5;
   char* warning = warning_of(&left, &some);
   assert_non_null(warning);
   assert_non_null(strstr(warning, "costs 1.5 LU in mono"));
   free(warning);
   left.mono_change_lu += 3.0;
   assert_null(warning_of(&left, &some));
   left.mono_change_lu = (double)NAN;
   assert_null(warning_of(&left, &some));
}

static void words_tell_what_would_be_heard_and_leave_out_the_rest(void** state)
{
   (void)state;
   assert_words(&plain, "next to no change that these figures show");
   BmMeasurement left = {.integrated_lufs = -19.0,
                         .crest_db = 13.0,
                         .attack_to_sustain_db = 1.0,
                         .highs_db = -28.0,
                         .under_note_db = -65.0,
                         .mono_change_lu = -2.0};
   assert_words(
      &left, "1.0 LU louder, peaks 3.0 dB nearer to the rest, attack 1.0 dB softer, highs 2.0 dB brighter, "
             "10.0 dB less under the lowest note, mono loses 1.0 LU more");
   left = plain;
   left.integrated_lufs -= 2.0;
   left.crest_db += 1.5;
   left.attack_to_sustain_db += 0.75;
   left.highs_db -= 0.75;
   left.under_note_db += 4.0;
   left.mono_change_lu += 0.75;
   assert_words(
      &left,
      "2.0 LU quieter, peaks 1.5 dB further above the rest, attack 0.8 dB sharper, highs 0.8 dB darker, "
      "4.0 dB more under the lowest note, mono keeps 0.8 LU more");
   left = plain;
   left.highs_db = -(double)INFINITY;
   left.attack_to_sustain_db = (double)NAN;
   left.integrated_lufs += 0.4;
   assert_words(&left, "next to no change that these figures show");
}

static void a_chain_is_told_once_though_two_stems_come_from_it(void** state)
{
   (void)state;
   BmMeasurement left = plain;
   left.integrated_lufs += 2.5;
   left.mono_change_lu = (double)NAN;
   const BmReportInsert inserts[] = {{.name = "Out", .uri = "urn:y", .is_bypassed = true},
                                     {.name = "Say \"when\"", .uri = "urn:x", .came = &plain, .left = &left}};
   const BmReportSignal signals[] = {
      {.name = "Mix", .kind = "Stem", .before = &some, .inserts = inserts, .n_inserts = 2},
      {.name = "Mix again", .kind = "Stem", .before = &some, .inserts = inserts, .n_inserts = 2},
      {.name = "Dry", .kind = "Track", .before = &some}};
   BmText text = {0};
   bm_insert_costs_add_table(&text, signals, 3);
   assert_non_null(strstr(text.chars, "Mix\n  2. Say \"when\""));
   assert_non_null(strstr(text.chars, "+2.5"));
   assert_non_null(strstr(text.chars, "Mix, 2. Say \"when\" leaves 2.5 LU louder"));
   assert_null(strstr(text.chars, "again"));
   assert_null(strstr(text.chars, "Out"));
   assert_null(strstr(text.chars, "all of them"));
   bm_text_free(&text);
   bm_insert_costs_add_json(&text, signals, 3);
   assert_true(is_json(text.chars));
   assert_non_null(strstr(text.chars, "\"in\": \"Mix\", \"number\": 2, \"insert\": \"Say \\\"when\\\"\""));
   assert_non_null(strstr(text.chars, "\"integrated_lufs\": 2.5000"));
   assert_non_null(strstr(text.chars, "\"mono_change_lu\": null"));
   assert_null(strstr(text.chars, "again"));
   bm_text_free(&text);
   bm_insert_costs_add_json(&text, &signals[2], 1);
   assert_true(is_json(text.chars));
   bm_text_free(&text);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(what_comes_back_under_the_lowest_note_is_warned_of_where_it_is_heard),
      cmocka_unit_test(louder_is_not_let_pass_for_better),
      cmocka_unit_test(a_loss_in_mono_is_warned_of_and_a_gain_is_not),
      cmocka_unit_test(words_tell_what_would_be_heard_and_leave_out_the_rest),
      cmocka_unit_test(a_chain_is_told_once_though_two_stems_come_from_it),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
