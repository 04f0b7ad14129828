/* SPDX-License-Identifier: ISC */
/* If these fail, the page that goes to the client is broken, calls elsewhere, or runs a take's name as a
 * script. */
#include "unit_test.h"

#include "page_check.h"
#include "report.h"

#include <errno.h>
#include <unistd.h>

static char page_path[] = "/tmp/bm-test-report-XXXXXX";

static int make_page_path(void** state)
{
   (void)state;
   const int file = mkstemp(page_path);
   close(file);
   return file < 0;
}

static int remove_page(void** state)
{
   (void)state;
   return unlink(page_path);
}

/* Two seconds of plucked noise, the second copy quieter and wider. */
static BmAnalysis analyse(double gain, double side, double length_s)
{
   const BmMeterOptions options = {.sample_rate_hz = 16000.0, .n_channels = 2, .lowest_note_hz = 82.41};
   BmMeter* const meter = bm_meter_new(&options);
   uint64_t seed = 9;
   for (uint32_t n = 0; n < (uint32_t)(length_s * 16000.0); ++n) {
      const double decay = gain * exp((n % 8000) / -1500.0);
      const double mid = decay * bm_test_random(&seed);
      const double wide = side * decay * bm_test_random(&seed);
      const float frame[] = {(float)(mid + wide), (float)(mid - wide)};
      bm_meter_add(meter, frame, 1);
   }
   BmAnalysis analysis;
   assert_true(bm_meter_finish(meter, &analysis));
   bm_meter_free(meter);
   return analysis;
}

static char* written_page(const BmReport* report)
{
   assert_true(bm_report_write(report, page_path));
   char* const page = read_page(page_path);
   check_markup(page);
   check_page_is_whole(page);
   return page;
}

static void a_full_page_is_well_formed_and_self_contained(void** state)
{
   (void)state;
   BmAnalysis before = analyse(0.5, 0.0, 4.0);
   BmAnalysis after = analyse(0.3, 0.5, 4.0);
   for (uint32_t n = 0; n < before.series.n_points; ++n) {
      before.series.lowest_note_hz[n] = n % 10 ? 82.41f : NAN;
   }
   double frequency_hz[50];
   double magnitude_db[50];
   bm_log_frequencies(20.0, 20000.0, frequency_hz, 50);
   for (uint32_t n = 0; n < 50; ++n) {
      magnitude_db[n] = n - 25.0;
   }
   const BmResponse response = {.n_points = 50, .frequency_hz = frequency_hz, .magnitude_db = magnitude_db};
   const BmReportSetting settings[] = {
      {"gain", "Gain", -3.5, NULL, "dB", true, false},
      {"mode", "Mode", 1.0, "Limit", NULL, true, true},
      {"free", "Free", 0.25, NULL, NULL, false, false},
   };
   const double time_s[] = {0.5, 2.0, 3.0};
   const double value[] = {-20.0, 0.0, 20.0};
   const double reduction[] = {-1.0, -6.0, 0.0};
   const BmReportAutomation automation = {"Gain", "dB", -20.0, 20.0, false, false, time_s, value, 3};
   const BmReportAutomation lanes[] = {automation, automation, automation, automation};
   const BmReportTrace trace = {"Gain reduction", "dB", time_s, reduction, 3};
   const BmPlot extra = {
      .title = "Static curve", .x = {.min = -60.0, .max = 0.0}, .y = {.min = -60.0, .max = 0.0}};
   const BmReportInsert inserts[] = {
      {.name = "Equaliser",
       .uri = "urn:x",
       .latency_frames = 12,
       .settings = settings,
       .n_settings = 3,
       .response = &response},
      {.name = "Compressor", .uri = "urn:y", .is_bypassed = true, .figures = &extra, .n_figures = 1},
   };
   const BmReportSignal signals[] = {
      {.name = "Both",
       .kind = "Stem",
       .note = "A note.",
       .before = &before,
       .after = &after,
       .before_audio = "b.wav",
       .after_audio = "a.wav",
       .inserts = inserts,
       .n_inserts = 2,
       .automation = lanes,
       .n_automation = 4,
       .traces = &trace,
       .n_traces = 1,
       .figures = &extra,
       .n_figures = 1},
      {.name = "Only after", .kind = "Bus", .after = &after, .after_audio = "a.wav"},
      {.name = "Nothing", .kind = "Track"},
   };
   const BmReportFact facts[] = {{"Length", "0:04"}};
   const BmReport report = {"A session", "What it is about.", facts, 1, signals, 3};
   char* const page = written_page(&report);
   assert_int_equal(count_of(page, "<audio"), 3);
   assert_int_equal(count_of(page, "<h1>"), 1);
   assert_true(count_of(page, "Start with the volume low") >= 3); /* at each player, and at the end */
   assert_int_equal(count_of(page, "role=\"img\""), count_of(page, "<figure class=\"plot"));
   assert_int_equal(count_of(page, "<caption>"), count_of(page, "<table>"));
   const char* const expected[] = {"Equaliser",
                                   "latency 12 frames",
                                   "(bypassed)",
                                   "Static curve",
                                   "Waveform",
                                   "more automation",
                                   "Spectrum",
                                   "own curve",
                                   "Loudness",
                                   "Gain reduction",
                                   "Correlation",
                                   "Lowest note",
                                   "automated, from Limit",
                                   "1 control at the default",
                                   "data-over=\"0.00\""};
   for (uint32_t n = 0; n < sizeof expected / sizeof *expected; ++n) {
      if (!strstr(page, expected[n])) {
         fail_msg("the page lacks %s", expected[n]);
      }
   }
   free(page);
   bm_analysis_free(&before);
   bm_analysis_free(&after);
}

static void the_table_prints_what_was_measured(void** state)
{
   (void)state;
   BmAnalysis before = analyse(0.5, 0.0, 1.0);
   BmAnalysis after = analyse(0.5, 0.0, 1.0);
   before.figures.integrated_lufs = -20.04;
   after.figures.integrated_lufs = -18.26;
   before.figures.crest_db = 15.0;
   after.figures.crest_db = 15.004;
   after.figures.true_peak_dbtp = -0.4;
   before.figures.mono_change_lu = -(double)INFINITY;
   before.figures.attack_to_sustain_db = (double)NAN;
   const BmReportSignal signal = {.name = "S", .kind = "Stem", .before = &before, .after = &after};
   const BmReport report = {.title = "T", .signals = &signal, .n_signals = 1};
   char* const page = written_page(&report);
   assert_non_null(strstr(page, "Integrated loudness <small>LUFS</small></th><td>\xE2\x88\x92"
                                "20.0</td>"
                                "<td>\xE2\x88\x92"
                                "18.3</td><td>+1.8</td>"));
   assert_non_null(strstr(page, "Crest factor <small>dB</small></th><td>15.0</td><td>15.0</td><td>0.0</td>"));
   assert_non_null(strstr(page, "<td>\xE2\x88\x92\xE2\x88\x9E</td>"));
   assert_non_null(strstr(page, "Attack to sustain <small>dB</small></th><td>\xE2\x80\x93</td>"));
   assert_non_null(strstr(page, "over \xE2\x88\x92"
                                "1 dBTP"));
   assert_non_null(strstr(page, "82.4 <small>E2</small>"));
   free(page);
   bm_analysis_free(&before);
   bm_analysis_free(&after);
}

static void what_cancels_in_mono_is_warned_of(void** state)
{
   (void)state;
   BmAnalysis analysis = analyse(0.5, 0.2, 1.0);
   const BmReportSignal signal = {.name = "S", .kind = "Stem", .before = &analysis, .after = &analysis};
   const BmReport report = {.title = "T", .signals = &signal, .n_signals = 1};
   /* Alike, unrelated, one side alone, a pair out of phase, a pair of opposite polarity. */
   static const double changes_lu[] = {0.0, -3.0, -3.01, -6.0, -(double)INFINITY};
   for (uint32_t n = 0; n < 5; ++n) {
      analysis.figures.mono_change_lu = changes_lu[n];
      char* const page = written_page(&report);
      assert_int_equal(count_of(page, "left and right cancel"), n >= 3);
      free(page);
   }
   bm_analysis_free(&analysis);
}

static void what_each_insert_cost_is_a_row_and_the_last_row_adds_them_up(void** state)
{
   (void)state;
   BmAnalysis analysis = analyse(0.5, 0.2, 1.0);
   BmMeasurement places[3];
   for (uint32_t n = 0; n < 3; ++n) {
      places[n] = analysis.figures;
      places[n].integrated_lufs = -20.0 - 1.5 * n;
      places[n].highs_db = n == 0 ? -(double)INFINITY : -20.0 + n;
      places[n].under_note_db = (double)NAN;
      places[n].mono_change_lu = -0.2 * n * n;
   }
   BmAnalysis silence = analyse(0.0, 0.0, 1.0);
   const BmReportInsert silent = {
      .name = "Mute", .uri = "urn:x", .came = &silence.figures, .left = &silence.figures};
   const BmReportInsert inserts[] = {
      {.name = "Low <end>", .uri = "urn:x", .came = &places[0], .left = &places[1]},
      {.name = "Out", .uri = "urn:y", .is_bypassed = true},
      {.name = "Wide", .uri = "urn:z", .came = &places[1], .left = &places[2]}};
   const BmReportSignal signals[] = {
      {.name = "S",
       .kind = "Bus",
       .before = &analysis,
       .after = &analysis,
       .inserts = inserts,
       .n_inserts = 3},
      {.name = "N", .kind = "Track", .after = &analysis, .inserts = &inserts[1], .n_inserts = 1},
      {.name = "M", .kind = "Track", .after = &analysis, .inserts = &silent, .n_inserts = 1}};
   const BmReport report = {.title = "T", .signals = signals, .n_signals = 3};
   char* const page = written_page(&report);
   assert_int_equal(count_of(page, "What each insert cost <small>"), 1); /* the others have nothing to show */
   assert_non_null(
      strstr(page, "<li>3. Wide: 1.5 LU quieter, highs 1.0 dB brighter, mono loses 0.6 LU more</li>"));
   assert_null(strstr(page, "Worth another look"));
   char* const table = strstr(page, "What each insert cost <small>");
   *strstr(table, "</table>") = '\0';
   assert_non_null(strstr(table, "Folded to mono <small>LU</small></th></tr>"));
   assert_null(strstr(table, "Share under")); /* no figure in any row */
   static const char* const rows[] = {"1. Low &lt;end&gt;</th><td>\xE2\x88\x92"
                                      "1.5</td><td>0.0</td><td>0.0</td><td>\xE2\x80\x93</td><td>\xE2\x88\x92"
                                      "0.2</td></tr>\n<tr>",
                                      "3. Wide</th><td>\xE2\x88\x92"
                                      "1.5</td><td>0.0</td><td>0.0</td><td>+1.0</td><td>\xE2\x88\x92"
                                      "0.6</td></tr>\n<tr>",
                                      "All of them</th><td>\xE2\x88\x92"
                                      "3.0</td><td>0.0</td><td>0.0</td><td>\xE2\x80\x93</td><td>\xE2\x88\x92"
                                      "0.8</td></tr>\n</tbody>"};
   for (uint32_t n = 0; n < 3; ++n) {
      if (!strstr(table, rows[n])) {
         fail_msg("no row %s in %s", rows[n], table);
      }
   }
   free(page);
   bm_analysis_free(&silence);
   bm_analysis_free(&analysis);
}

/* Eight signals are folded, and what is wrong in one of them must not be. */
static void what_asks_for_another_look_is_said_above_all_that_is_folded(void** state)
{
   (void)state;
   BmAnalysis analysis = analyse(0.5, 0.2, 1.0);
   BmMeasurement places[2] = {analysis.figures, analysis.figures};
   places[0].under_note_db = -58.0;
   places[1].under_note_db = -40.0;
   const BmReportInsert insert = {.name = "FET & co", .uri = "urn:x", .came = &places[0], .left = &places[1]};
   BmReportSignal signals[8];
   for (uint32_t n = 0; n < 8; ++n) {
      signals[n] =
         (BmReportSignal){.name = n == 6 ? "The <sixth>" : "Other", .kind = "Track", .after = &analysis};
   }
   signals[6].inserts = &insert;
   signals[6].n_inserts = 1;
   const BmReport report = {.title = "T", .signals = signals, .n_signals = 8};
   char* const page = written_page(&report);
   const char* const said =
      strstr(page, "<li><a href=\"#signal-7\">The &lt;sixth&gt;</a>, 1. FET &amp; co brings 18.0 dB");
   assert_non_null(said);
   assert_true(said < strstr(page, "<details"));
   assert_int_equal(count_of(page, "brings 18.0 dB back under the lowest note"), 2);
   assert_int_equal(
      count_of(
         page,
         "<span class=\"in-words\">FET &amp; co: 18.0 dB more under the lowest note</span>\n</summary>"),
      1);
   assert_int_equal(count_of(page, "<span class=\"in-words\">"), 1);
   free(page);
   bm_analysis_free(&analysis);
}

static void the_overview_has_a_column_for_mono_where_there_is_stereo(void** state)
{
   (void)state;
   BmAnalysis analysis = analyse(0.5, 0.2, 1.0);
   const BmReportSignal signals[] = {{.name = "One", .kind = "Stem", .after = &analysis},
                                     {.name = "Two", .kind = "Stem", .after = &analysis}};
   const BmReport report = {.title = "T", .signals = signals, .n_signals = 2};
   for (uint32_t is_stereo = 0; is_stereo < 2; ++is_stereo) {
      analysis.figures.mono_change_lu = is_stereo ? -1.5 : (double)NAN;
      char* const page = written_page(&report);
      char* const table = strstr(page, "All signals, after processing");
      *strstr(table, "</table>") = '\0';
      assert_int_equal(count_of(table, "Folded to mono"), is_stereo);
      assert_int_equal(count_of(table, "Share above 5 kHz"), 1);
      assert_int_equal(count_of(table, "<td>\xE2\x88\x92"
                                       "1.5</td></tr>"),
                       2 * is_stereo);
      free(page);
   }
   bm_analysis_free(&analysis);
}

static void hostile_names_stay_names(void** state)
{
   (void)state;
   static const char hostile[] = "</title><script>alert('x')</script>\" onerror=\"y\" '&amp; \xFF\x01";
   BmAnalysis analysis = analyse(0.5, 0.2, 1.0);
   const BmReportSetting setting = {hostile, hostile, 1.0, hostile, hostile, true, false};
   const double time_s[] = {0.0};
   const double value[] = {0.5};
   const BmReportAutomation automation = {hostile, hostile, 0.0, 1.0, false, true, time_s, value, 1};
   const BmReportTrace trace = {hostile, hostile, time_s, value, 1};
   const BmPlot plot = {.title = hostile, .description = hostile};
   const BmReportInsert insert = {.came = &analysis.figures,
                                  .left = &analysis.figures,
                                  .name = hostile,
                                  .uri = hostile,
                                  .settings = &setting,
                                  .n_settings = 1,
                                  .figures = &plot,
                                  .n_figures = 1};
   const BmReportSignal signal = {.name = hostile,
                                  .kind = hostile,
                                  .note = hostile,
                                  .before = &analysis,
                                  .after = &analysis,
                                  .before_audio = hostile,
                                  .after_audio = "javascript:alert(1)",
                                  .inserts = &insert,
                                  .n_inserts = 1,
                                  .automation = &automation,
                                  .n_automation = 1,
                                  .traces = &trace,
                                  .n_traces = 1,
                                  .figures = &plot,
                                  .n_figures = 1};
   const BmReportSignal signals[] = {signal, signal};
   const BmReportFact fact = {hostile, hostile};
   const BmReport report = {hostile, hostile, &fact, 1, signals, 2};
   char* page = written_page(&report);
   assert_int_equal(count_of(page, "<script"), 1); /* the page's own */
   assert_null(strstr(page, "\" onerror"));
   assert_null(strstr(page, "src=\"javascript"));
   free(page);
   const BmReportIndexPlayer player = {hostile, hostile, hostile, -20.0, false};
   const BmReportIndexEntry entry = {
      hostile, hostile,   hostile,  "javascript:alert(1)", "javascript:alert(2)", &player,
      1,       &analysis, &analysis};
   assert_true(bm_report_write_index(hostile, hostile, &entry, 1, page_path));
   page = read_page(page_path);
   check_markup(page);
   assert_int_equal(count_of(page, "<script"), 1);
   assert_null(strstr(page, "\" onerror"));
   assert_null(strstr(page, "href=\"javascript"));
   free(page);
   bm_analysis_free(&analysis);
}

static void a_page_of_200_tracks_stays_small_and_finds_its_way(void** state)
{
   (void)state;
   BmAnalysis before = analyse(0.5, 0.1, 8.0);
   BmAnalysis after = analyse(0.4, 0.3, 8.0);
   BmReportSignal* const signals = calloc(200, sizeof *signals);
   for (uint32_t n = 0; n < 200; ++n) {
      signals[n] = (BmReportSignal){.name = "Track",
                                    .kind = "Track",
                                    .before = &before,
                                    .after = &after,
                                    .before_audio = "b.wav",
                                    .after_audio = "a.wav"};
   }
   const BmReport report = {.title = "Many", .signals = signals, .n_signals = 200};
   char* const page = written_page(&report);
   assert_true(strlen(page) < 15000000);
   for (uint32_t n = 1; n <= 200; ++n) {
      char link[40];
      snprintf(link, sizeof link, "href=\"#signal-%u\"", n);
      assert_int_equal(count_of(page, link), 1);
      snprintf(link, sizeof link, "<section class=\"signal\" id=\"signal-%u\"", n);
      assert_int_equal(count_of(page, link), 1);
   }
   assert_int_equal(count_of(page, "<details class=\"fold\">"), 199);
   free(page);
   free(signals);
   bm_analysis_free(&before);
   bm_analysis_free(&after);
}

static void the_same_session_gives_the_same_bytes(void** state)
{
   (void)state;
   BmAnalysis analysis = analyse(0.5, 0.2, 2.0);
   const BmReportSignal signal = {.name = "S", .kind = "Stem", .before = &analysis, .after = &analysis};
   const BmReport report = {.title = "T", .signals = &signal, .n_signals = 1};
   char* const first = written_page(&report);
   char* const second = written_page(&report);
   assert_string_equal(first, second);
   free(first);
   free(second);
   bm_analysis_free(&analysis);
}

static void silence_makes_a_page_too(void** state)
{
   (void)state;
   BmAnalysis silence = analyse(0.0, 0.0, 1.0);
   BmAnalysis nothing = analyse(0.0, 0.0, 0.0);
   const BmReportSignal signals[] = {{.name = "S", .kind = "Stem", .before = &silence, .after = &silence},
                                     {.name = "N", .kind = "Stem", .before = &nothing, .after = &nothing}};
   const BmReport report = {.title = "T", .signals = signals, .n_signals = 2};
   free(written_page(&report));
   bm_analysis_free(&silence);
   bm_analysis_free(&nothing);
}

static void the_index_leads_to_every_session(void** state)
{
   (void)state;
   BmAnalysis analysis = analyse(0.5, 0.2, 2.0);
   const BmReportIndexPlayer players[] = {{"Before", "one/stem.before.wav", NULL, -20.0, true},
                                          {"After", "one/stem.wav", "2.5 LU <louder>", -17.5, false}};
   const BmReportIndexEntry entries[] = {
      {"One", "First.", "Preamp", "one/report.html", "one/audition/index.html", players, 2, &analysis,
       &analysis},
      {"Two", NULL, NULL, "two/my report.html", NULL, NULL, 0, NULL, NULL},
   };
   assert_true(bm_report_write_index("Sessions", "All of them.", entries, 2, page_path));
   char* const page = read_page(page_path);
   check_markup(page);
   assert_int_equal(count_of(page, "<figcaption>After <small>2.5 LU &lt;louder&gt;</small></figcaption>"), 1);
   assert_int_equal(count_of(page, "<figcaption>Before</figcaption>"), 1);
   check_page_is_whole(page);
   assert_non_null(strstr(page, "<a href=\"one/report.html\">One</a>"));
   assert_non_null(strstr(page, "<a href=\"two/my%20report.html\">Two</a>"));
   assert_non_null(strstr(page, "<a href=\"one/audition/index.html\">"));
   assert_int_equal(count_of(page, "<audio"), 2);
   /* The louder one is turned down to the other. */
   assert_non_null(strstr(page, "data-over=\"0.00\" aria-label=\"Before: One\""));
   assert_non_null(strstr(page, "data-over=\"2.50\" aria-label=\"After: One\""));
   assert_true(strstr(page, "Start with the volume low") < strstr(page, "<audio"));
   free(page);
   bm_analysis_free(&analysis);
}

static void a_page_that_cannot_be_written_is_said(void** state)
{
   (void)state;
   const BmReport report = {.title = "T"};
   errno = 0;
   assert_false(bm_report_write(&report, "/nonexistent-folder/report.html"));
   assert_int_equal(errno, ENOENT);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_full_page_is_well_formed_and_self_contained),
      cmocka_unit_test(the_table_prints_what_was_measured),
      cmocka_unit_test(what_cancels_in_mono_is_warned_of),
      cmocka_unit_test(what_each_insert_cost_is_a_row_and_the_last_row_adds_them_up),
      cmocka_unit_test(what_asks_for_another_look_is_said_above_all_that_is_folded),
      cmocka_unit_test(the_overview_has_a_column_for_mono_where_there_is_stereo),
      cmocka_unit_test(hostile_names_stay_names),
      cmocka_unit_test(a_page_of_200_tracks_stays_small_and_finds_its_way),
      cmocka_unit_test(the_same_session_gives_the_same_bytes),
      cmocka_unit_test(silence_makes_a_page_too),
      cmocka_unit_test(the_index_leads_to_every_session),
      cmocka_unit_test(a_page_that_cannot_be_written_is_said),
   };
   return cmocka_run_group_tests(tests, make_page_path, remove_page);
}
