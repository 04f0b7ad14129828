/* SPDX-License-Identifier: ISC */
/* If these fail, a curve in a report lies: it stands in the wrong place, hides a peak, or cannot be seen. */
#include "unit_test.h"

#include "page_check.h"
#include "plot.h"
#include "sheets.h"

#include <stdbool.h>

static char* figure_of(const BmPlot* plot)
{
   BmText page = {0};
   bm_plot_add_figure(&page, plot);
   assert_false(page.failed);
   check_markup(page.chars);
   check_page_is_whole(page.chars);
   return page.chars;
}

/* The numbers of the first path that wears `colour`; returns how many. */
static uint32_t path_numbers(const char* figure, const char* colour, double* numbers, uint32_t max_numbers)
{
   char wanted[40];
   snprintf(wanted, sizeof wanted, ":var(--%s)", colour);
   const char* c = strstr(figure, wanted); /* stands in the path before its points */
   assert_non_null(c);
   c = strstr(c, " d=\"") + 4;
   uint32_t n_numbers = 0;
   while (*c != '"') {
      if (strchr("-0123456789", *c)) {
         char* end;
         assert_true(n_numbers < max_numbers);
         numbers[n_numbers++] = strtod(c, &end);
         c = end;
      } else {
         ++c;
      }
   }
   return n_numbers;
}

static BmPlot line_plot(BmPlotSeries* series, const double* x, const double* y, uint32_t n_points)
{
   *series = (BmPlotSeries){.tone = BM_TONE_AFTER, .n_points = n_points, .x = x, .y = y};
   return (BmPlot){.title = "T", .series = series, .n_series = 1, .height_px = 200.0};
}

static void points_stand_where_their_axes_say(void** state)
{
   (void)state;
   /* 1000 units wide, 200 high: a decade of two is half way on a logarithmic axis. */
   const double x[] = {20.0, 200.0, 2000.0};
   const double y[] = {-12.0, 6.0, 12.0}; /* not on one line: cairo would leave the middle out */
   BmPlotSeries series;
   BmPlot plot = line_plot(&series, x, y, 3);
   plot.x = (BmPlotAxis){.scale = BM_AXIS_LOG, .min = 20.0, .max = 2000.0};
   plot.y = (BmPlotAxis){.min = -12.0, .max = 12.0};
   char* const figure = figure_of(&plot);
   double numbers[16];
   assert_int_equal(path_numbers(figure, "after", numbers, 16), 6);
   const double expected[] = {0.0, 200.0, 500.0, 50.0, 1000.0, 0.0};
   for (uint32_t n = 0; n < 6; ++n) {
      assert_close(numbers[n], expected[n], 0.06);
   }
   assert_non_null(strstr(figure, "x=\"50.00%\" y=\"214.0\" text-anchor=\"middle\">200<"));
   assert_non_null(strstr(figure, "y=\"104.0\" text-anchor=\"end\">0<"));
   free(figure);
}

static void time_begins_at_0_and_is_told_in_steps_that_fit_its_length(void** state)
{
   (void)state;
   static const struct {
      double length_s;
      const char* labels[3];
   } cases[] = {
      {0.1, {">0.00 s<", ">0.05 s<", ">0.10 s<"}},
      {2.0, {">0.0 s<", ">0.2 s<", ">2.0 s<"}},
      {90.0, {">0:00<", ">0:10<", ">1:30<"}},
      {7200.0, {">0:00:00<", ">0:15:00<", ">2:00:00<"}},
   };
   const double x[] = {0.0, 0.03, 0.07};
   const double y[] = {0.0, 1.0, 0.5};
   for (size_t n = 0; n < sizeof cases / sizeof *cases; ++n) {
      BmPlotSeries series;
      BmPlot plot = line_plot(&series, x, y, 3);
      plot.x = (BmPlotAxis){.scale = BM_AXIS_TIME, .max = cases[n].length_s};
      plot.y = (BmPlotAxis){.max = 1.0};
      char* const figure = figure_of(&plot);
      for (uint32_t i = 0; i < 3; ++i) {
         if (!strstr(figure, cases[n].labels[i])) {
            fail_msg("an axis of %g s has no label %s", cases[n].length_s, cases[n].labels[i]);
         }
      }
      free(figure);
   }
}

static void what_is_not_a_number_leaves_a_gap(void** state)
{
   (void)state;
   const double x[] = {0.0, 1.0, 2.0, 3.0, 4.0, 5.0};
   const double y[] = {0.0, 1.0, (double)NAN, 0.5, (double)INFINITY, 1.0};
   BmPlotSeries series;
   const BmPlot plot = line_plot(&series, x, y, 6);
   char* const figure = figure_of(&plot);
   const char* const path = strstr(strstr(figure, "var(--after)"), " d=\"");
   char drawn[400];
   snprintf(drawn, sizeof drawn, "%.*s", (int)strcspn(path + 4, "\""), path + 4);
   /* Two pen-downs with a line between their points, and lone points that draw nothing. */
   assert_int_equal(count_of(drawn, "L"), 1);
   free(figure);
}

static void a_long_line_keeps_its_peaks_and_loses_its_length(void** state)
{
   (void)state;
   const uint32_t n_points = 200000;
   double* const x = malloc(n_points * sizeof *x);
   double* const y = malloc(n_points * sizeof *y);
   uint64_t seed = 11;
   for (uint32_t n = 0; n < n_points; ++n) {
      x[n] = n;
      y[n] = 0.2 * bm_test_random(&seed);
   }
   y[123456] = 1.0;
   y[77777] = -1.0;
   BmPlotSeries series;
   BmPlot plot = line_plot(&series, x, y, n_points);
   plot.x = (BmPlotAxis){.min = 0.0, .max = n_points};
   plot.y = (BmPlotAxis){.min = -1.0, .max = 1.0};
   plot.n_columns = 400;
   char* const figure = figure_of(&plot);
   assert_true(strlen(figure) < 40000);
   double* const numbers = malloc(20000 * sizeof *numbers);
   const uint32_t n_numbers = path_numbers(figure, "after", numbers, 20000);
   bool has_peak = false;
   bool has_dip = false;
   for (uint32_t n = 0; n < n_numbers; n += 2) {
      has_peak = has_peak || (numbers[n + 1] == 0.0 && fabs(numbers[n] - 617.28) < 2.5);
      has_dip = has_dip || (numbers[n + 1] == 200.0 && fabs(numbers[n] - 388.885) < 2.5);
   }
   assert_true(has_peak && has_dip);
   free(numbers);
   free(figure);
   free(x);
   free(y);
}

static void every_kind_of_picture_is_drawn_in_a_colour_that_the_style_knows(void** state)
{
   (void)state;
   const double x[] = {1.0, 2.0, 3.0};
   const double y[] = {0.3, 0.9, 0.5};
   const double y_to[] = {0.1, -0.2, 0.0};
   for (int kind = BM_PLOT_LINE; kind <= BM_PLOT_POINTS; ++kind) {
      for (int tone = 0; tone < BM_N_TONES; ++tone) {
         const BmPlotSeries series = {.label = "s",
                                      .kind = (BmPlotKind)kind,
                                      .tone = (BmPlotTone)tone,
                                      .n_points = 3,
                                      .x = x,
                                      .y = y,
                                      .y_to = y_to};
         const BmPlot plot = {
            .title = "T", .series = &series, .n_series = 1, .is_square = kind == BM_PLOT_POINTS};
         char* const figure = figure_of(&plot);
         assert_true(count_of(figure, "<path") >= 2);
         for (const char* c = strstr(figure, "var("); c; c = strstr(c + 1, "var(")) {
            char defined[40];
            snprintf(defined, sizeof defined, "%.*s:", (int)strcspn(c + 4, ")"), c + 4);
            assert_int_equal(count_of(bm_sheet_plot_css, defined), 3); /* light, dark, print */
         }
         assert_null(strstr(figure, "rgb("));
         free(figure);
      }
   }
}

/* Of a crowd of strokes each column keeps the highest: an echogram shows every echo that stands out. */
static void crowded_strokes_keep_the_highest(void** state)
{
   (void)state;
   enum { N = 5000 };
   double* const x = malloc(N * sizeof *x);
   double* const y = malloc(N * sizeof *y);
   for (uint32_t n = 0; n < N; ++n) {
      x[n] = n;
      y[n] = -40.0 + (n % 7);
   }
   y[1234] = -5.0;
   BmPlotSeries series;
   BmPlot plot = line_plot(&series, x, y, N);
   series.kind = BM_PLOT_STEMS;
   plot.x = (BmPlotAxis){.min = 0.0, .max = N};
   plot.y = (BmPlotAxis){.min = -50.0, .max = 0.0};
   plot.n_columns = 250;
   char* const figure = figure_of(&plot);
   double numbers[4 * 252];
   const uint32_t n_numbers = path_numbers(figure, "after", numbers, 4 * 252);
   assert_between(n_numbers / 4.0, 250.0, 251.0);
   bool has_highest = false;
   for (uint32_t n = 0; n < n_numbers; n += 4) {
      has_highest = has_highest || (fabs(numbers[n] - 246.8) < 0.11 && fabs(numbers[n + 3] - 20.0) < 0.11);
      assert_true(numbers[n + 3] <= 0.02 * 200.0 * 34.0 + 0.11);
   }
   assert_true(has_highest);
   free(figure);
   free(x);
   free(y);
}

/* The manual is read in file viewers, some of which know neither style sheets nor a dark theme. */
static void a_plain_picture_has_its_own_paper_colours_and_words(void** state)
{
   (void)state;
   const double x[] = {20.0, 200.0, 20000.0};
   const double y[] = {0.0, 3.0, -60.0};
   const BmPlotSeries series[] = {
      {.label = "A <first> line", .tone = BM_TONE_BEFORE, .n_points = 3, .x = x, .y = y},
      {.label = "Bars", .kind = BM_PLOT_BARS, .tone = BM_TONE_QUIET, .n_points = 3, .x = x, .y = y}};
   const BmPlot plot = {.title = "Title & all",
                        .description = "What it shows",
                        .x = {.label = "Frequency, Hz", .scale = BM_AXIS_LOG, .min = 20.0, .max = 20000.0},
                        .y = {.label = "Level, dB", .min = -12.0, .max = 6.0},
                        .series = series,
                        .n_series = 2};
   BmText document = {0};
   bm_plot_add_plain_svg(&document, &plot);
   assert_false(document.failed);
   check_markup(document.chars);
   static const char* const absent[] = {"var(", "class=", "<style", "rgb(", "--"};
   for (size_t n = 0; n < sizeof absent / sizeof *absent; ++n) {
      assert_null(strstr(document.chars, absent[n]));
   }
   static const char* const present[] = {">Title &amp; all<",
                                         "<desc>What it shows<",
                                         ">Frequency, Hz<",
                                         ">Level, dB<",
                                         ">A &lt;first&gt; line<",
                                         ">Bars<",
                                         ">1k<",
                                         ">0<",
                                         "stroke:#b4590f",
                                         "<rect width=\"100%\" height=\"100%\" fill=\"#fbf9f5\"/>"};
   for (size_t n = 0; n < sizeof present / sizeof *present; ++n) {
      if (!strstr(document.chars, present[n])) {
         fail_msg("the picture has no %s", present[n]);
      }
   }
   bm_text_free(&document);
}

static void a_picture_of_nothing_is_still_a_picture(void** state)
{
   (void)state;
   const double one[] = {3.0};
   const double broken[] = {(double)NAN};
   const struct {
      const double* y;
      uint32_t n_points;
   } cases[] = {{NULL, 0}, {one, 1}, {broken, 1}};
   for (uint32_t n = 0; n < 3; ++n) {
      for (int scale = BM_AXIS_LINEAR; scale <= BM_AXIS_TIME; ++scale) {
         BmPlotSeries series;
         BmPlot plot = line_plot(&series, cases[n].y, cases[n].y, cases[n].n_points);
         plot.x.scale = (BmPlotScale)scale;
         free(figure_of(&plot));
      }
   }
}

static void words_in_a_picture_are_words(void** state)
{
   (void)state;
   const BmPlotTick tick = {0.5, "<b>\"&", false};
   const BmPlotSeries series = {.label = "</li><script>"};
   const BmPlot plot = {.title = "<script>alert(1)</script>",
                        .description = "\" onload=\"alert(1)",
                        .x = {.min = 0.0, .max = 1.0, .label = "<u>", .ticks = &tick, .n_ticks = 1},
                        .y = {.min = 0.0, .max = 1.0, .label = "<i>"},
                        .series = &series,
                        .n_series = 1};
   char* const figure = figure_of(&plot);
   assert_null(strstr(figure, "<script"));
   assert_null(strstr(figure, "\" onload"));
   free(figure);
   BmText document = {0};
   bm_plot_add_svg(&document, &plot, 1);
   check_markup(document.chars);
   assert_null(strstr(document.chars, "<script"));
   assert_null(strstr(document.chars, "\" onload"));
   bm_text_free(&document);
}

static double relative_luminance(const char* hex)
{
   /* WCAG 2.2, "relative luminance". */
   static const double weights[] = {0.2126, 0.7152, 0.0722};
   double luminance = 0.0;
   for (uint32_t n = 0; n < 3; ++n) {
      const char digits[] = {hex[1 + 2 * n], hex[2 + 2 * n], '\0'};
      const double share = (double)strtol(digits, NULL, 16) / 255.0;
      luminance += weights[n] * (share <= 0.04045 ? share / 12.92 : pow((share + 0.055) / 1.055, 2.4));
   }
   return luminance;
}

/* Contrast of two colours of the theme that begins at `theme` in the style sheet. */
static double contrast(const char* theme, const char* a, const char* b)
{
   const char* const names[] = {a, b};
   double luminance[2];
   for (uint32_t n = 0; n < 2; ++n) {
      char wanted[40];
      snprintf(wanted, sizeof wanted, "--%s: #", names[n]);
      const char* const found = strstr(theme, wanted);
      assert_non_null(found);
      luminance[n] = relative_luminance(strchr(found, '#'));
   }
   return (fmax(luminance[0], luminance[1]) + 0.05) / (fmin(luminance[0], luminance[1]) + 0.05);
}

static void colours_keep_their_contrast_in_light_dark_and_print(void** state)
{
   (void)state;
   /* WCAG 2.2: 4.5 for text (1.4.3), 3 for lines that carry meaning (1.4.11). The ratio between before and
      after is ours: they shall differ without hue too. */
   const char* theme = bm_sheet_plot_css;
   uint32_t n_themes = 0;
   while ((theme = strstr(theme, "--paper: #"))) {
      const char* const papers[] = {"paper", "sheet"};
      for (uint32_t n = 0; n < 2; ++n) {
         const char* const texts[] = {"ink", "muted", "before", "after", "warn"};
         for (uint32_t t = 0; t < 5; ++t) {
            assert_between(contrast(theme, texts[t], papers[n]), 4.5, 21.0);
         }
         const char* const lines[] = {"curve", "extra", "quiet"};
         for (uint32_t t = 0; t < 3; ++t) {
            assert_between(contrast(theme, lines[t], papers[n]), 3.0, 21.0);
         }
      }
      assert_between(contrast(theme, "before", "after"), 1.5, 21.0);
      ++theme;
      ++n_themes;
   }
   assert_int_equal(n_themes, 3);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(points_stand_where_their_axes_say),
      cmocka_unit_test(time_begins_at_0_and_is_told_in_steps_that_fit_its_length),
      cmocka_unit_test(what_is_not_a_number_leaves_a_gap),
      cmocka_unit_test(a_long_line_keeps_its_peaks_and_loses_its_length),
      cmocka_unit_test(every_kind_of_picture_is_drawn_in_a_colour_that_the_style_knows),
      cmocka_unit_test(crowded_strokes_keep_the_highest),
      cmocka_unit_test(a_plain_picture_has_its_own_paper_colours_and_words),
      cmocka_unit_test(a_picture_of_nothing_is_still_a_picture),
      cmocka_unit_test(words_in_a_picture_are_words),
      cmocka_unit_test(colours_keep_their_contrast_in_light_dark_and_print),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
