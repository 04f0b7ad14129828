/* SPDX-License-Identifier: ISC */
#include "report.h"

#include "sheets.h"

#include <float.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NUMBER_BYTES 48
#define MINUS "\xE2\x88\x92"
#define EN_DASH "\xE2\x80\x93"
#define INFINITY_SIGN "\xE2\x88\x9E"
#define NO_BREAK_SPACE "\xC2\xA0"

/* Above so many signals each is folded, and its pictures are drawn coarser, so that the page stays usable. */
#define MAX_UNFOLDED 4
#define MAX_COLUMNS 800
#define MIN_COLUMNS 200
#define TOTAL_COLUMNS 16000

/* EBU R 128, 2020, recommendation: the highest true peak for programmes. */
#define MAX_TRUE_PEAK_DBTP (-1.0)

#define N_SPECTRUM_POINTS 240
#define SPECTRUM_PER_OCTAVE 6.0
#define SPECTRUM_RANGE_DB 66.0
#define LOUDNESS_RANGE_LU 42.0
#define AUTOMATION_PER_PLOT 3

static const char caution[] =
   "Start with the volume low. Loud or long listening can damage hearing for good; your local rules on noise "
   "exposure and the advice of a licensed hearing professional come first.";

/* ---- numbers ---- */

static void print_value(char* text, double value, int decimals, bool with_plus)
{
   if (isnan(value)) {
      snprintf(text, NUMBER_BYTES, EN_DASH);
      return;
   }
   const double scale = pow(10.0, decimals);
   const double rounded = isfinite(value) ? round(value * scale) / scale : value;
   const char* const sign = rounded < 0.0 ? MINUS : with_plus && rounded > 0.0 ? "+" : "";
   if (isinf(value)) {
      snprintf(text, NUMBER_BYTES, "%s" INFINITY_SIGN, sign);
   } else {
      snprintf(text, NUMBER_BYTES, "%s%.*f", sign, decimals, fabs(rounded));
   }
}

/* A control's value: as many digits as it needs, no more. */
static void print_control(char* text, double value)
{
   const double size = fabs(value);
   int decimals = size >= 100.0 ? 0 : size >= 10.0 ? 1 : size >= 1.0 ? 2 : 3;
   while (decimals > 0 &&
          fabs(value * pow(10.0, decimals - 1) - round(value * pow(10.0, decimals - 1))) < 1e-4) {
      --decimals;
   }
   print_value(text, value, decimals, false);
}

static void print_note(char* text, double frequency_hz)
{
   static const char* const names[] = {"C", "C\xE2\x99\xAF", "D", "E\xE2\x99\xAD", "E", "F", "F\xE2\x99\xAF",
                                       "G", "A\xE2\x99\xAD", "A", "B\xE2\x99\xAD", "B"};
   /* Equal temperament, A4 = 440 Hz (ISO 16). */
   const long key = lround(69.0 + 12.0 * log2(frequency_hz / 440.0));
   if (frequency_hz > 0.0 && key >= 0) {
      snprintf(text, NUMBER_BYTES, "%s%ld", names[key % 12], key / 12 - 1);
   } else {
      text[0] = '\0';
   }
}

static void add_value(BmText* page, double value, const BmDescriptor* descriptor)
{
   char number[NUMBER_BYTES];
   print_value(number, value, descriptor->decimals, false);
   bm_text_add(page, number);
   if (strcmp(descriptor->unit, "Hz") == 0 && value > 0.0) {
      char note[NUMBER_BYTES];
      print_note(note, value);
      bm_text_addf(page, " <small>%s</small>", note);
   }
}

/* ---- head and foot ---- */

static void begin_page(BmText* page, const char* title)
{
   bm_text_add(page, "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n"
                     "<meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n"
                     "<meta name=\"color-scheme\" content=\"light dark\">\n<title>");
   bm_text_add_html(page, title);
   bm_text_add(page, "</title>\n<style>\n");
   bm_text_add(page, bm_sheet_plot_css);
   bm_text_add(page, bm_sheet_report_css);
   bm_text_add(page, "</style>\n</head>\n<body>\n<header>\n<div class=\"spine\"></div>\n<h1>");
   bm_text_add_html(page, title);
   bm_text_add(page, "</h1>\n");
}

static void add_paragraph(BmText* page, const char* class_name, const char* words)
{
   if (words && *words) {
      bm_text_addf(page, "<p class=\"%s\">", class_name);
      bm_text_add_html(page, words);
      bm_text_add(page, "</p>\n");
   }
}

static void end_page(BmText* page)
{
   bm_text_add(page, "<footer>\n");
   add_paragraph(page, "", caution);
   bm_text_add(page, "</footer>\n<script>\n");
   bm_text_add(page, bm_sheet_report_js);
   bm_text_add(page, "</script>\n</body>\n</html>\n");
}

static bool save_page(BmText* page, const char* path)
{
   const bool is_saved = bm_text_save(page, path);
   bm_text_free(page);
   return is_saved;
}

/* ---- players ---- */

/* By how much each is louder than the quieter of the two; 0 where that cannot be said. */
static void loudness_over(const BmAnalysis* before, const BmAnalysis* after, double* before_lu,
                          double* after_lu)
{
   const double change_lu =
      before && after ? after->figures.integrated_lufs - before->figures.integrated_lufs : 0.0;
   *before_lu = isfinite(change_lu) ? fmax(0.0, -change_lu) : 0.0;
   *after_lu = isfinite(change_lu) ? fmax(0.0, change_lu) : 0.0;
}

static void add_player(BmText* page, const char* which, const char* caption, const char* name,
                       const char* path, const char* id, double over_lu)
{
   if (!path) {
      return;
   }
   bm_text_addf(page,
                "<figure class=\"%s\"><figcaption>%s</figcaption><audio controls preload=\"none\" "
                "data-signal=\"%s\" data-over=\"%.2f\" aria-label=\"%s: ",
                which, caption, id, over_lu, caption);
   bm_text_add_html(page, name);
   bm_text_add(page, "\" src=\"");
   bm_text_add_url(page, path);
   bm_text_add(page, "\"></audio></figure>\n");
}

static void add_players(BmText* page, const BmReportSignal* signal, const char* id)
{
   if (!signal->before_audio && !signal->after_audio) {
      return;
   }
   double before_lu;
   double after_lu;
   loudness_over(signal->before, signal->after, &before_lu, &after_lu);
   bm_text_add(page, "<div class=\"players\">\n");
   add_player(page, "before", "Before", signal->name, signal->before_audio, id, before_lu);
   add_player(page, "after", "After", signal->name, signal->after_audio, id, after_lu);
   bm_text_add(page, "</div>\n");
   if (signal->before_audio && signal->after_audio) {
      char number[NUMBER_BYTES];
      print_value(number, fmax(before_lu, after_lu), 1, false);
      bm_text_addf(
         page,
         "<label class=\"level\" hidden><input type=\"checkbox\" id=\"equal-%s\" checked> <span>Play both at "
         "equal loudness (%s is turned down by %s" NO_BREAK_SPACE "dB)</span></label>\n",
         id, before_lu > after_lu ? "Before" : "After", number);
   }
   add_paragraph(page, "caution", caution);
}

/* ---- pictures ---- */

static uint32_t columns_for(uint32_t n_signals)
{
   const uint32_t each = TOTAL_COLUMNS / (n_signals ? n_signals : 1);
   return each > MAX_COLUMNS ? MAX_COLUMNS : each < MIN_COLUMNS ? MIN_COLUMNS : each;
}

static double length_s(const BmAnalysis* analysis)
{
   return analysis ? (double)analysis->figures.n_frames / analysis->figures.sample_rate_hz : 0.0;
}

static double signal_length_s(const BmReportSignal* signal)
{
   return fmax(fmax(length_s(signal->before), length_s(signal->after)), 1e-3);
}

static double outline_peak(const BmAnalysis* analysis)
{
   double peak = 0.0;
   for (uint32_t n = 0; analysis && n < analysis->outline.n_columns; ++n) {
      peak = fmax(peak, fmax(fabs((double)analysis->outline.min[n]), fabs((double)analysis->outline.max[n])));
   }
   return peak;
}

/* Arrays that a picture borrows while it is drawn. */
typedef struct {
   double* blocks[64];
   uint32_t n_blocks;
   bool has_failed;
} Scratch;

static double* take_doubles(Scratch* scratch, uint64_t n_doubles)
{
   double* const block = scratch->n_blocks < 64 ? calloc(n_doubles ? n_doubles : 1, sizeof *block) : NULL;
   if (!block) {
      scratch->has_failed = true;
      return NULL;
   }
   scratch->blocks[scratch->n_blocks++] = block;
   return block;
}

static void release(Scratch* scratch, BmText* page)
{
   for (uint32_t n = 0; n < scratch->n_blocks; ++n) {
      free(scratch->blocks[n]);
   }
   page->failed = page->failed || scratch->has_failed;
   *scratch = (Scratch){.n_blocks = 0};
}

/* The outline as a band from `foot` to its height times `direction`; both ways if direction is 0. */
static BmPlotSeries outline_series(Scratch* scratch, const BmAnalysis* analysis, uint32_t n_columns,
                                   double direction)
{
   const BmOutline* const outline = &analysis->outline;
   const uint32_t step =
      outline->n_columns > n_columns ? (outline->n_columns + n_columns - 1) / n_columns : 1;
   const uint32_t n_points = (outline->n_columns + step - 1) / step;
   double* const x = take_doubles(scratch, n_points);
   double* const y = take_doubles(scratch, n_points);
   double* const y_to = take_doubles(scratch, n_points);
   BmPlotSeries series = {.kind = BM_PLOT_BAND, .x = x, .y = y, .y_to = y_to};
   if (scratch->has_failed) {
      return series;
   }
   const double column_s = (double)outline->column_frames / analysis->figures.sample_rate_hz;
   for (uint32_t point = 0; point < n_points; ++point) {
      double low = 0.0;
      double high = 0.0;
      for (uint32_t n = point * step; n < (point + 1) * step && n < outline->n_columns; ++n) {
         low = fmin(low, (double)outline->min[n]);
         high = fmax(high, (double)outline->max[n]);
      }
      x[point] = column_s * step * (point + 0.5);
      y[point] = direction == 0.0 ? high : direction * fmax(high, -low);
      y_to[point] = direction == 0.0 ? low : 0.0;
   }
   series.n_points = n_points;
   return series;
}

/* Levels on a linear scale of amplitude, both ways from the middle. */
static uint32_t waveform_ticks(double peak, BmPlotTick* ticks)
{
   static const struct {
      double level_dbfs;
      const char* label;
   } levels[] = {{0.0, "0"},          {-6.0, MINUS "6"},   {-12.0, MINUS "12"}, {-18.0, MINUS "18"},
                 {-24.0, MINUS "24"}, {-36.0, MINUS "36"}, {-48.0, MINUS "48"}, {-60.0, MINUS "60"}};
   uint32_t n_ticks = 0;
   for (uint32_t n = 0; n < sizeof levels / sizeof *levels && n_ticks < 4; ++n) {
      const double height = pow(10.0, 0.05 * levels[n].level_dbfs);
      if (height <= peak && (n_ticks == 0 || height > 0.2 * peak)) {
         ticks[n_ticks++] = (BmPlotTick){.value = height, .label = levels[n].label};
         ticks[n_ticks++] = (BmPlotTick){.value = -height, .label = levels[n].label};
      }
   }
   return n_ticks;
}

static BmPlotSeries automation_series(Scratch* scratch, const BmReportAutomation* automation, BmPlotTone tone,
                                      double peak, double end_s, BmText* label)
{
   /* Before the first breakpoint and behind the last the value stands. */
   const uint32_t n_points = automation->n_points ? automation->n_points + 2 : 0;
   double* const x = take_doubles(scratch, n_points);
   double* const y = take_doubles(scratch, n_points);
   char low[NUMBER_BYTES];
   char high[NUMBER_BYTES];
   print_control(low, automation->min);
   print_control(high, automation->max);
   bm_text_addf(label, "%s: %s to %s%s%s", automation->label, low, high, automation->unit ? " " : "",
                automation->unit ? automation->unit : "");
   BmPlotSeries series = {.label = label->chars,
                          .kind = automation->is_held ? BM_PLOT_HELD : BM_PLOT_LINE,
                          .tone = tone,
                          .n_points = n_points,
                          .x = x,
                          .y = y};
   if (scratch->has_failed) {
      series.n_points = 0;
   }
   const bool is_log = automation->is_log && automation->min > 0.0;
   for (uint32_t n = 0; n < series.n_points; ++n) {
      const uint32_t point = n == 0 ? 0 : n > automation->n_points ? automation->n_points - 1 : n - 1;
      const double value = automation->value[point];
      const double share = is_log ? log(value / automation->min) / log(automation->max / automation->min)
                                  : (value - automation->min) / (automation->max - automation->min);
      x[n] = n == 0                     ? fmin(0.0, automation->time_s[0])
             : n > automation->n_points ? fmax(end_s, automation->time_s[point])
                                        : automation->time_s[point];
      y[n] = peak * (1.9 * fmin(fmax(share, 0.0), 1.0) - 0.95);
   }
   return series;
}

/* Before grows up from the middle, after grows down, as the two halves of a bookmatched plate. */
static void add_waveform(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
{
   static const BmPlotTone tones[AUTOMATION_PER_PLOT] = {BM_TONE_EXTRA, BM_TONE_CURVE, BM_TONE_QUIET};
   const double peak = fmax(fmax(outline_peak(signal->before), outline_peak(signal->after)), 1e-4);
   const uint32_t n_plots =
      signal->n_automation ? (signal->n_automation + AUTOMATION_PER_PLOT - 1) / AUTOMATION_PER_PLOT : 1;
   for (uint32_t p = 0; p < n_plots; ++p) {
      Scratch scratch = {.n_blocks = 0};
      BmText labels[AUTOMATION_PER_PLOT] = {{0}};
      BmPlotSeries series[2 + AUTOMATION_PER_PLOT];
      uint32_t n_series = 0;
      const bool is_mirrored = signal->before && signal->after;
      if (signal->before) {
         series[n_series] = outline_series(&scratch, signal->before, n_columns, is_mirrored ? 1.0 : 0.0);
         series[n_series].label = is_mirrored ? "Before, upwards" : "Before";
         series[n_series++].tone = BM_TONE_BEFORE;
      }
      if (signal->after) {
         series[n_series] = outline_series(&scratch, signal->after, n_columns, is_mirrored ? -1.0 : 0.0);
         series[n_series].label = is_mirrored ? "After, downwards" : "After";
         series[n_series++].tone = BM_TONE_AFTER;
      }
      for (uint32_t n = 0; n < AUTOMATION_PER_PLOT && p * AUTOMATION_PER_PLOT + n < signal->n_automation;
           ++n) {
         series[n_series++] = automation_series(&scratch, &signal->automation[p * AUTOMATION_PER_PLOT + n],
                                                tones[n], peak, signal_length_s(signal), &labels[n]);
      }
      BmPlotTick ticks[8];
      const BmPlot plot = {
         .title = p == 0 ? "Waveform" : "Waveform, more automation",
         .description =
            is_mirrored
               ? "Peaks over time; the signal before processing is drawn upwards, after it downwards."
               : "Peaks over time.",
         .x = {.scale = BM_AXIS_TIME, .min = 0.0, .max = signal_length_s(signal)},
         .y = {.min = -1.02 * peak,
               .max = 1.02 * peak,
               .ticks = ticks,
               .n_ticks = waveform_ticks(peak, ticks),
               .label = "peaks, dBFS"},
         .series = series,
         .n_series = n_series,
         .height_px = 200.0,
         .n_columns = n_columns,
      };
      bm_plot_add_figure(page, &plot);
      for (uint32_t n = 0; n < AUTOMATION_PER_PLOT; ++n) {
         bm_text_free(&labels[n]);
      }
      release(&scratch, page);
   }
}

static double highest_frequency(const BmReportSignal* signal)
{
   const BmAnalysis* const any = signal->after ? signal->after : signal->before;
   return any ? fmin(20000.0, 0.5 * any->figures.sample_rate_hz) : 20000.0;
}

static BmPlotSeries spectrum_series(Scratch* scratch, const BmAnalysis* analysis, const double* frequency_hz,
                                    double* highest_db)
{
   double* const level_db = take_doubles(scratch, N_SPECTRUM_POINTS);
   BmPlotSeries series = {.kind = BM_PLOT_LINE, .x = frequency_hz, .y = level_db};
   if (!scratch->has_failed) {
      bm_spectrum_smooth(&analysis->spectrum, SPECTRUM_PER_OCTAVE, frequency_hz, N_SPECTRUM_POINTS, level_db);
      series.n_points = N_SPECTRUM_POINTS;
      for (uint32_t n = 0; n < N_SPECTRUM_POINTS; ++n) {
         *highest_db = isfinite(level_db[n]) ? fmax(*highest_db, level_db[n]) : *highest_db;
         /* Silence is under every floor. */
         level_db[n] = fmax(level_db[n], -400.0);
      }
   }
   return series;
}

/* The curves of the inserts in series, at `frequency_hz`; false if none has one. */
static bool add_up_curves(const BmReportSignal* signal, const double* frequency_hz, double* magnitude_db)
{
   bool has_curve = false;
   for (uint32_t i = 0; i < signal->n_inserts; ++i) {
      const BmResponse* const response = signal->inserts[i].response;
      if (!response || response->n_points < 2 || signal->inserts[i].is_bypassed) {
         continue;
      }
      has_curve = true;
      uint32_t at = 0;
      for (uint32_t n = 0; n < N_SPECTRUM_POINTS; ++n) {
         while (at + 2 < response->n_points && response->frequency_hz[at + 1] < frequency_hz[n]) {
            ++at;
         }
         const double span = log(response->frequency_hz[at + 1] / response->frequency_hz[at]);
         const double share = fmin(fmax(log(frequency_hz[n] / response->frequency_hz[at]) / span, 0.0), 1.0);
         magnitude_db[n] +=
            (1.0 - share) * response->magnitude_db[at] + share * response->magnitude_db[at + 1];
      }
   }
   return has_curve;
}

static void add_spectra(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
{
   Scratch scratch = {.n_blocks = 0};
   double* const frequency_hz = take_doubles(&scratch, N_SPECTRUM_POINTS);
   double* const curve_db = take_doubles(&scratch, N_SPECTRUM_POINTS);
   double* const change_db = take_doubles(&scratch, N_SPECTRUM_POINTS);
   if (scratch.has_failed) {
      release(&scratch, page);
      return;
   }
   const double top_hz = highest_frequency(signal);
   bm_log_frequencies(20.0, top_hz, frequency_hz, N_SPECTRUM_POINTS);

   double highest_db = -400.0;
   BmPlotSeries series[2];
   uint32_t n_series = 0;
   if (signal->before) {
      series[n_series] = spectrum_series(&scratch, signal->before, frequency_hz, &highest_db);
      series[n_series].label = "Before";
      series[n_series++].tone = BM_TONE_BEFORE;
   }
   if (signal->after) {
      series[n_series] = spectrum_series(&scratch, signal->after, frequency_hz, &highest_db);
      series[n_series].label = "After";
      series[n_series++].tone = BM_TONE_AFTER;
   }
   const double top_db = highest_db > -300.0 ? 6.0 * ceil((highest_db + 3.0) / 6.0) : 0.0;
   const BmPlot spectra = {
      .title = "Spectrum",
      .description = "Mean level over frequency in sixths of an octave, before and after.",
      .x = {.scale = BM_AXIS_LOG, .min = 20.0, .max = top_hz, .label = "Hz"},
      .y = {.min = top_db - SPECTRUM_RANGE_DB, .max = top_db, .label = "dBFS in each sixth of an octave"},
      .series = series,
      .n_series = n_series,
      .height_px = 240.0,
      .n_columns = n_columns,
   };
   bm_plot_add_figure(page, &spectra);

   const bool has_curve = add_up_curves(signal, frequency_hz, curve_db);
   if (has_curve && !scratch.has_failed) {
      BmPlotSeries both[2];
      uint32_t n_both = 0;
      double reach_db = 6.0;
      if (n_series == 2) {
         for (uint32_t n = 0; n < N_SPECTRUM_POINTS; ++n) {
            /* Where there is next to nothing the quotient says nothing. */
            const bool is_heard = series[0].y[n] > top_db - SPECTRUM_RANGE_DB &&
                                  series[1].y[n] > top_db - SPECTRUM_RANGE_DB - 20.0;
            change_db[n] = is_heard ? series[1].y[n] - series[0].y[n] : (double)NAN;
         }
         both[n_both++] = (BmPlotSeries){.label = "Measured, after over before",
                                         .kind = BM_PLOT_LINE,
                                         .tone = BM_TONE_AFTER,
                                         .n_points = N_SPECTRUM_POINTS,
                                         .x = frequency_hz,
                                         .y = change_db};
      }
      both[n_both++] = (BmPlotSeries){.label = "The inserts' own curve",
                                      .kind = BM_PLOT_LINE,
                                      .tone = BM_TONE_CURVE,
                                      .n_points = N_SPECTRUM_POINTS,
                                      .x = frequency_hz,
                                      .y = curve_db};
      for (uint32_t n = 0; n < N_SPECTRUM_POINTS; ++n) {
         reach_db = fmax(reach_db, fmin(fabs(curve_db[n]), 24.0));
      }
      reach_db = 6.0 * ceil(reach_db / 6.0 + 0.1);
      const BmPlot curves = {
         .title = "Change of the spectrum",
         .description =
            "Level change over frequency: as the inserts' curve says, and as measured on this signal.",
         .x = {.scale = BM_AXIS_LOG, .min = 20.0, .max = top_hz, .label = "Hz"},
         .y = {.min = -reach_db, .max = reach_db, .label = "dB"},
         .series = both,
         .n_series = n_both,
         .height_px = 240.0,
         .n_columns = n_columns,
      };
      bm_plot_add_figure(page, &curves);
   }
   release(&scratch, page);
}

/* A series of the analysis over time; every value through a float. */
static BmPlotSeries time_series(Scratch* scratch, const BmAnalysis* analysis, const float* values)
{
   const uint32_t n_points = analysis->series.n_points;
   double* const x = take_doubles(scratch, n_points);
   double* const y = take_doubles(scratch, n_points);
   BmPlotSeries series = {.kind = BM_PLOT_LINE, .x = x, .y = y};
   if (!scratch->has_failed) {
      series.n_points = n_points;
      for (uint32_t n = 0; n < n_points; ++n) {
         x[n] = BM_SERIES_STEP_S * (n + 1);
         y[n] = (double)values[n];
      }
   }
   return series;
}

static double highest_of(const BmPlotSeries* series)
{
   double highest = -DBL_MAX;
   for (uint32_t n = 0; n < series->n_points; ++n) {
      highest = isfinite(series->y[n]) ? fmax(highest, series->y[n]) : highest;
   }
   return highest;
}

static void add_loudness(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
{
   Scratch scratch = {.n_blocks = 0};
   BmPlotSeries series[4];
   uint32_t n_series = 0;
   double highest = -DBL_MAX;
   const struct {
      const BmAnalysis* analysis;
      BmPlotTone tone;
      const char* momentary;
      const char* short_term;
   } sides[] = {{signal->before, BM_TONE_BEFORE, "Before, 400 ms", "Before, 3 s"},
                {signal->after, BM_TONE_AFTER, "After, 400 ms", "After, 3 s"}};
   for (uint32_t side = 0; side < 2; ++side) {
      const BmAnalysis* const analysis = sides[side].analysis;
      if (analysis && analysis->series.n_points) {
         series[n_series] = time_series(&scratch, analysis, analysis->series.momentary_lufs);
         series[n_series].is_thin = true;
         series[n_series].tone = sides[side].tone;
         series[n_series].label = sides[side].momentary;
         highest = fmax(highest, highest_of(&series[n_series++]));
         if (isfinite(analysis->figures.short_term_max_lufs)) {
            series[n_series] = time_series(&scratch, analysis, analysis->series.short_term_lufs);
            series[n_series].tone = sides[side].tone;
            series[n_series++].label = sides[side].short_term;
         }
      }
   }
   if (n_series && highest > -DBL_MAX) {
      const double top = 6.0 * ceil((highest + 1.0) / 6.0);
      const BmPlot plot = {
         .title = "Loudness over time",
         .description = "Momentary and short-term loudness, before and after.",
         .x = {.scale = BM_AXIS_TIME, .min = 0.0, .max = signal_length_s(signal)},
         .y = {.min = top - LOUDNESS_RANGE_LU, .max = top, .label = "LUFS"},
         .series = series,
         .n_series = n_series,
         .height_px = 200.0,
         .n_columns = n_columns,
      };
      bm_plot_add_figure(page, &plot);
   }
   release(&scratch, page);
}

static void add_traces(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
{
   for (uint32_t t = 0; t < signal->n_traces; ++t) {
      const BmReportTrace* const trace = &signal->traces[t];
      Scratch scratch = {.n_blocks = 0};
      double* const zero = take_doubles(&scratch, trace->n_points);
      const BmPlotSeries series[] = {
         {.kind = BM_PLOT_BAND,
          .tone = BM_TONE_EXTRA,
          .is_thin = true,
          .n_points = scratch.has_failed || trace->n_points > 2 * n_columns ? 0 : trace->n_points,
          .x = trace->time_s,
          .y = trace->value,
          .y_to = zero},
         {.kind = BM_PLOT_LINE,
          .tone = BM_TONE_EXTRA,
          .n_points = trace->n_points,
          .x = trace->time_s,
          .y = trace->value}};
      const BmPlot plot = {.title = trace->label,
                           .description = "Over time.",
                           .x = {.scale = BM_AXIS_TIME, .min = 0.0, .max = signal_length_s(signal)},
                           .y = {.label = trace->unit},
                           .series = series,
                           .n_series = 2,
                           .height_px = 170.0,
                           .n_columns = n_columns};
      bm_plot_add_figure(page, &plot);
      release(&scratch, page);
   }
}

/* What the processing did to the level over time: momentary loudness after minus before. */
static void add_gain_change(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
{
   if (!signal->before || !signal->after) {
      return;
   }
   Scratch scratch = {.n_blocks = 0};
   BmPlotSeries series = time_series(&scratch, signal->before, signal->before->series.momentary_lufs);
   double* const change = take_doubles(&scratch, series.n_points);
   double lowest = DBL_MAX;
   double highest = -DBL_MAX;
   for (uint32_t n = 0; change && n < series.n_points; ++n) {
      const double before = series.y[n];
      const double after =
         n < signal->after->series.n_points ? (double)signal->after->series.momentary_lufs[n] : (double)NAN;
      /* BS.1770's absolute gate: under it there is no programme. */
      change[n] = before > -70.0 && after > -70.0 ? after - before : (double)NAN;
      if (isfinite(change[n])) {
         lowest = fmin(lowest, change[n]);
         highest = fmax(highest, change[n]);
      }
   }
   if (change && highest - lowest > 0.2) {
      series.y = change;
      series.tone = BM_TONE_EXTRA;
      const BmPlot plot = {.title = "Gain change",
                           .description = "Momentary loudness after processing minus before, over time.",
                           .x = {.scale = BM_AXIS_TIME, .min = 0.0, .max = signal_length_s(signal)},
                           .y = {.label = "LU, after minus before"},
                           .series = &series,
                           .n_series = 1,
                           .height_px = 170.0,
                           .n_columns = n_columns};
      bm_plot_add_figure(page, &plot);
   }
   release(&scratch, page);
}

static void add_correlation(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
{
   static const BmPlotTick ticks[] = {{-1.0, MINUS "1", false},
                                      {-0.5, MINUS "0.5", false},
                                      {0.0, "0", false},
                                      {0.5, "0.5", false},
                                      {1.0, "1", false}};
   const struct {
      const BmAnalysis* analysis;
      BmPlotTone tone;
      const char* label;
   } sides[] = {{signal->before, BM_TONE_BEFORE, "Before"}, {signal->after, BM_TONE_AFTER, "After"}};
   Scratch scratch = {.n_blocks = 0};
   BmPlotSeries series[2];
   uint32_t n_series = 0;
   bool is_wide = false;
   for (uint32_t side = 0; side < 2; ++side) {
      const BmAnalysis* const analysis = sides[side].analysis;
      if (analysis && isfinite(analysis->figures.correlation)) {
         is_wide = is_wide || analysis->figures.correlation < 0.9995;
         series[n_series] = time_series(&scratch, analysis, analysis->series.correlation);
         series[n_series].tone = sides[side].tone;
         series[n_series].is_thin = sides[side].tone == BM_TONE_BEFORE;
         series[n_series++].label = sides[side].label;
      }
   }
   if (is_wide) {
      const BmPlot plot = {
         .title = "Correlation",
         .description = "Left against right over time: 1 alike, 0 unrelated, below 0 they cancel in mono.",
         .x = {.scale = BM_AXIS_TIME, .min = 0.0, .max = signal_length_s(signal)},
         .y = {.min = -1.05,
               .max = 1.05,
               .ticks = ticks,
               .n_ticks = 5,
               .label = "left with right; below 0 cancels in mono"},
         .series = series,
         .n_series = n_series,
         .height_px = 170.0,
         .n_columns = n_columns};
      bm_plot_add_figure(page, &plot);
   }
   release(&scratch, page);
}

static void add_lowest_note(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
{
   const BmAnalysis* const analysis = signal->before ? signal->before : signal->after;
   if (!analysis || !analysis->series.n_points) {
      return;
   }
   Scratch scratch = {.n_blocks = 0};
   BmPlotSeries series = time_series(&scratch, analysis, analysis->series.lowest_note_hz);
   series.tone = signal->before ? BM_TONE_BEFORE : BM_TONE_AFTER;
   double low_hz = DBL_MAX;
   double high_hz = 0.0;
   for (uint32_t n = 0; n < series.n_points; ++n) {
      if (series.y[n] > 0.0) {
         low_hz = fmin(low_hz, series.y[n]);
         high_hz = fmax(high_hz, series.y[n]);
      }
   }
   if (high_hz > 0.0) {
      const double low_key = floor(69.0 + 12.0 * log2(low_hz / 440.0) - 0.5);
      const double high_key = ceil(69.0 + 12.0 * log2(high_hz / 440.0) + 0.5);
      const double steps[] = {1.0, 2.0, 3.0, 4.0, 6.0, 12.0};
      uint32_t step = 0;
      while (step < 5 && (high_key - low_key) / steps[step] > 6.0) {
         ++step;
      }
      BmPlotTick ticks[16];
      char labels[16][NUMBER_BYTES];
      uint32_t n_ticks = 0;
      for (double key = low_key + 1.0; key < high_key && n_ticks < 16; key += steps[step]) {
         const double hz = 440.0 * exp2((key - 69.0) / 12.0);
         char note[NUMBER_BYTES];
         print_note(note, hz);
         snprintf(labels[n_ticks], sizeof labels[n_ticks], "%s", note);
         ticks[n_ticks] = (BmPlotTick){.value = hz, .label = labels[n_ticks]};
         ++n_ticks;
      }
      const BmPlot plot = {.title = "Lowest note",
                           .description = "The lowest sounding fundamental over time.",
                           .x = {.scale = BM_AXIS_TIME, .min = 0.0, .max = signal_length_s(signal)},
                           .y = {.scale = BM_AXIS_LOG,
                                 .min = 440.0 * exp2((low_key - 69.0) / 12.0),
                                 .max = 440.0 * exp2((high_key - 69.0) / 12.0),
                                 .ticks = ticks,
                                 .n_ticks = n_ticks,
                                 .label = "lowest sounding fundamental"},
                           .series = &series,
                           .n_series = 1,
                           .height_px = 170.0,
                           .n_columns = n_columns};
      bm_plot_add_figure(page, &plot);
   }
   release(&scratch, page);
}

/* ---- figures and settings ---- */

static const BmDescriptor* find_descriptor(const char* key)
{
   uint32_t n_descriptors;
   const BmDescriptor* const all = bm_descriptors(&n_descriptors);
   for (uint32_t n = 0; n < n_descriptors; ++n) {
      if (strcmp(all[n].key, key) == 0) {
         return &all[n];
      }
   }
   return NULL;
}

static void add_key(BmText* page, const BmReportSignal* signal, const char* key)
{
   const BmDescriptor* const descriptor = find_descriptor(key);
   const BmAnalysis* const main = signal->after ? signal->after : signal->before;
   const double value = bm_measurement_value(&main->figures, descriptor);
   if (isnan(value)) {
      return;
   }
   char number[NUMBER_BYTES];
   print_value(number, value, descriptor->decimals, false);
   bm_text_addf(page, "<div><dt>%s</dt><dd class=\"value\">%s <small>%s</small></dd>", descriptor->label,
                number, descriptor->unit);
   if (strcmp(key, "true_peak_dbtp") == 0 && value > MAX_TRUE_PEAK_DBTP) {
      bm_text_add(page, "<dd class=\"change warn\">over " MINUS "1 dBTP (EBU R 128)</dd>");
   } else if (signal->before && signal->after) {
      const double change = value - bm_measurement_value(&signal->before->figures, descriptor);
      if (isfinite(change)) {
         print_value(number, change, descriptor->decimals, true);
         bm_text_addf(page, "<dd class=\"change\">%s%s%s</dd>",
                      strcmp(number, descriptor->decimals == 2 ? "0.00" : "0.0") == 0 ? "unchanged" : number,
                      strcmp(number, descriptor->decimals == 2 ? "0.00" : "0.0") == 0 ? "" : " against ",
                      strcmp(number, descriptor->decimals == 2 ? "0.00" : "0.0") == 0 ? "" : "before");
      }
   }
   bm_text_add(page, "</div>\n");
}

static void add_keys(BmText* page, const BmReportSignal* signal)
{
   if (!signal->before && !signal->after) {
      return;
   }
   static const char* const keys[] = {"integrated_lufs", "true_peak_dbtp", "crest_db", "attack_to_sustain_db",
                                      "mono_change_lu"};
   bm_text_add(page, "<dl class=\"keys\">\n");
   for (uint32_t n = 0; n < sizeof keys / sizeof *keys; ++n) {
      add_key(page, signal, keys[n]);
   }
   bm_text_add(page, "</dl>\n");
}

static void add_measurements(BmText* page, const BmReportSignal* signal)
{
   if (!signal->before && !signal->after) {
      return;
   }
   const bool has_both = signal->before && signal->after;
   bm_text_add(page, "<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"Measurements\"><table>"
                     "<caption>What changed</caption><thead><tr><th scope=\"col\">Measure</th>");
   bm_text_add(page, signal->before ? "<th scope=\"col\" class=\"before\">Before</th>" : "");
   bm_text_add(page, signal->after ? "<th scope=\"col\" class=\"after\">After</th>" : "");
   bm_text_add(page, has_both ? "<th scope=\"col\">Change</th>" : "");
   bm_text_add(page, "</tr></thead><tbody>\n");
   uint32_t n_descriptors;
   const BmDescriptor* const all = bm_descriptors(&n_descriptors);
   for (uint32_t n = 0; n < n_descriptors; ++n) {
      const BmDescriptor* const descriptor = &all[n];
      const double before =
         signal->before ? bm_measurement_value(&signal->before->figures, descriptor) : (double)NAN;
      const double after =
         signal->after ? bm_measurement_value(&signal->after->figures, descriptor) : (double)NAN;
      if (isnan(before) && isnan(after)) {
         continue;
      }
      bm_text_addf(page, "<tr><th scope=\"row\">%s <small>%s</small></th>", descriptor->label,
                   descriptor->unit);
      if (signal->before) {
         bm_text_add(page, "<td>");
         add_value(page, before, descriptor);
         bm_text_add(page, "</td>");
      }
      if (signal->after) {
         bm_text_add(page, "<td>");
         add_value(page, after, descriptor);
         bm_text_add(page, "</td>");
      }
      if (has_both) {
         char number[NUMBER_BYTES];
         print_value(number, isfinite(after - before) ? after - before : (double)NAN, descriptor->decimals,
                     true);
         bm_text_addf(page, "<td>%s</td>", number);
      }
      bm_text_add(page, "</tr>\n");
   }
   bm_text_add(page, "</tbody></table></div>\n");
}

static void add_settings(BmText* page, const BmReportInsert* insert, bool is_changed)
{
   bm_text_addf(
      page,
      "<table><caption>%s</caption><thead><tr><th scope=\"col\">Control</th><th scope=\"col\">Value</th></tr>"
      "</thead><tbody>\n",
      is_changed ? "Settings" : "At their defaults");
   for (uint32_t n = 0; n < insert->n_settings; ++n) {
      const BmReportSetting* const setting = &insert->settings[n];
      if ((setting->is_changed || setting->is_automated) != is_changed) {
         continue;
      }
      bm_text_add(page, "<tr><th scope=\"row\">");
      bm_text_add_html(page, setting->name);
      bm_text_add(page, "</th><td>");
      if (setting->is_automated) {
         bm_text_add(page, "automated, from ");
      }
      if (setting->value_label) {
         bm_text_add_html(page, setting->value_label);
      } else {
         char number[NUMBER_BYTES];
         print_control(number, setting->value);
         bm_text_add(page, number);
         if (setting->unit && *setting->unit) {
            bm_text_add(page, " <small>");
            bm_text_add_html(page, setting->unit);
            bm_text_add(page, "</small>");
         }
      }
      bm_text_add(page, "</td></tr>\n");
   }
   bm_text_add(page, "</tbody></table>\n");
}

static void add_insert(BmText* page, const BmReportInsert* insert, uint32_t number)
{
   uint32_t n_changed = 0;
   for (uint32_t n = 0; n < insert->n_settings; ++n) {
      n_changed += insert->settings[n].is_changed || insert->settings[n].is_automated;
   }
   const uint32_t n_default = insert->n_settings - n_changed;
   bm_text_addf(page, "<div class=\"insert\"><h4>%u. ", number);
   bm_text_add_html(page, insert->name);
   bm_text_add(page, insert->is_bypassed ? " (bypassed)" : "");
   bm_text_add(page, "</h4><p class=\"where\"><code>");
   bm_text_add_html(page, insert->uri);
   bm_text_add(page, "</code>");
   if (insert->latency_frames) {
      bm_text_addf(page, ", latency %u frames, compensated", insert->latency_frames);
   }
   bm_text_add(page, "</p>\n");
   if (n_changed) {
      add_settings(page, insert, true);
   }
   if (n_default) {
      bm_text_addf(page, "<details><summary>%u control%s at the default</summary>\n", n_default,
                   n_default == 1 ? "" : "s");
      add_settings(page, insert, false);
      bm_text_add(page, "</details>\n");
   }
   for (uint32_t n = 0; n < insert->n_figures; ++n) {
      bm_plot_add_figure(page, &insert->figures[n]);
   }
   bm_text_add(page, "</div>\n");
}

/* ---- the page ---- */

static void add_signal(BmText* page, const BmReportSignal* signal, uint32_t number, uint32_t n_signals)
{
   char id[NUMBER_BYTES];
   snprintf(id, sizeof id, "signal-%u", number);
   const bool is_folded = n_signals > MAX_UNFOLDED;
   const uint32_t n_columns = columns_for(n_signals);
   bm_text_addf(page, "<section class=\"signal\" id=\"%s\" aria-labelledby=\"%s-name\">\n", id, id);
   if (is_folded) {
      bm_text_addf(page, "<details class=\"fold\"%s><summary>", number == 1 ? " open" : "");
   }
   bm_text_addf(page, "<h2 id=\"%s-name\"><span class=\"kind\">", id);
   bm_text_add_html(page, signal->kind);
   bm_text_add(page, "</span>");
   bm_text_add_html(page, signal->name);
   bm_text_add(page, "</h2>\n");
   bm_text_add(page, is_folded ? "</summary>\n" : "");
   add_paragraph(page, "note", signal->note);
   add_keys(page, signal);
   add_players(page, signal, id);
   if (signal->before || signal->after) {
      add_waveform(page, signal, n_columns);
      bm_text_add(page, "<div class=\"columns\">\n");
      add_spectra(page, signal, n_columns);
      add_loudness(page, signal, n_columns);
      add_traces(page, signal, n_columns);
      if (!signal->n_traces) {
         add_gain_change(page, signal, n_columns);
      }
      add_correlation(page, signal, n_columns);
      add_lowest_note(page, signal, n_columns);
      for (uint32_t n = 0; n < signal->n_figures; ++n) {
         bm_plot_add_figure(page, &signal->figures[n]);
      }
      bm_text_add(page, "</div>\n");
   }
   bm_text_add(page, "<div class=\"columns\">\n<div>\n");
   add_measurements(page, signal);
   bm_text_add(page, "</div>\n");
   if (signal->n_inserts) {
      bm_text_add(page, "<div>\n<h3>What it went through</h3>\n");
      for (uint32_t n = 0; n < signal->n_inserts; ++n) {
         add_insert(page, &signal->inserts[n], n + 1);
      }
      bm_text_add(page, "</div>\n");
   }
   bm_text_add(page, "</div>\n");
   bm_text_add(page, is_folded ? "</details>\n</section>\n" : "</section>\n");
}

static void add_overview(BmText* page, const BmReport* report)
{
   static const char* const keys[] = {"integrated_lufs", "true_peak_dbtp", "crest_db"};
   bm_text_add(page,
               "<h3>In this session</h3>\n<div class=\"wide\" tabindex=\"0\" role=\"region\" "
               "aria-label=\"All signals\"><table>"
               "<caption>All signals, after processing</caption><thead><tr><th scope=\"col\">Signal</th>");
   for (uint32_t k = 0; k < sizeof keys / sizeof *keys; ++k) {
      const BmDescriptor* const descriptor = find_descriptor(keys[k]);
      bm_text_addf(page, "<th scope=\"col\">%s <small>%s</small></th>", descriptor->label, descriptor->unit);
   }
   bm_text_add(page, "</tr></thead><tbody>\n");
   for (uint32_t s = 0; s < report->n_signals; ++s) {
      const BmReportSignal* const signal = &report->signals[s];
      const BmAnalysis* const main = signal->after ? signal->after : signal->before;
      bm_text_addf(page, "<tr><th scope=\"row\"><a href=\"#signal-%u\">", s + 1);
      bm_text_add_html(page, signal->name);
      bm_text_add(page, "</a> <small>");
      bm_text_add_html(page, signal->kind);
      bm_text_add(page, "</small></th>");
      for (uint32_t k = 0; k < sizeof keys / sizeof *keys; ++k) {
         const BmDescriptor* const descriptor = find_descriptor(keys[k]);
         bm_text_add(page, "<td>");
         add_value(page, main ? bm_measurement_value(&main->figures, descriptor) : (double)NAN, descriptor);
         bm_text_add(page, "</td>");
      }
      bm_text_add(page, "</tr>\n");
   }
   bm_text_add(page, "</tbody></table></div>\n");
}

static void add_definitions(BmText* page)
{
   bm_text_add(page, "<section class=\"signal\">\n<details class=\"definitions\"><summary>How each figure is "
                     "measured</summary>\n<dl>\n");
   uint32_t n_descriptors;
   const BmDescriptor* const all = bm_descriptors(&n_descriptors);
   for (uint32_t n = 0; n < n_descriptors; ++n) {
      bm_text_add(page, "<dt>");
      bm_text_add_html(page, all[n].label);
      bm_text_add(page, "</dt><dd>");
      bm_text_add_html(page, all[n].definition);
      bm_text_add(page, "</dd>\n");
   }
   bm_text_add(page, "</dl></details>\n</section>\n");
}

bool bm_report_write(const BmReport* report, const char* path)
{
   BmText page = {0};
   begin_page(&page, report->title);
   add_paragraph(&page, "lead", report->summary);
   if (report->n_facts) {
      bm_text_add(&page, "<dl class=\"facts\">\n");
      for (uint32_t n = 0; n < report->n_facts; ++n) {
         bm_text_add(&page, "<div><dt>");
         bm_text_add_html(&page, report->facts[n].label);
         bm_text_add(&page, "</dt><dd>");
         bm_text_add_html(&page, report->facts[n].value);
         bm_text_add(&page, "</dd></div>\n");
      }
      bm_text_add(&page, "</dl>\n");
   }
   bm_text_add(&page, "</header>\n<main>\n");
   if (report->n_signals > 1) {
      add_overview(&page, report);
   }
   for (uint32_t n = 0; n < report->n_signals; ++n) {
      add_signal(&page, &report->signals[n], n + 1, report->n_signals);
   }
   add_definitions(&page);
   bm_text_add(&page, "</main>\n");
   end_page(&page);
   return save_page(&page, path);
}

bool bm_report_write_index(const char* title, const char* summary, const BmReportIndexEntry* entries,
                           uint32_t n_entries, const char* path)
{
   BmText page = {0};
   begin_page(&page, title);
   add_paragraph(&page, "lead", summary);
   bm_text_add(&page, "</header>\n<main>\n<ul class=\"sessions\">\n");
   for (uint32_t n = 0; n < n_entries; ++n) {
      const BmReportIndexEntry* const entry = &entries[n];
      char id[NUMBER_BYTES];
      snprintf(id, sizeof id, "session-%u", n + 1);
      bm_text_addf(&page, "<li class=\"session\" id=\"%s\"><h2><a href=\"", id);
      bm_text_add_url(&page, entry->page);
      bm_text_add(&page, "\">");
      bm_text_add_html(&page, entry->title);
      bm_text_add(&page, "</a></h2>\n");
      add_paragraph(&page, "note", entry->summary);
      if (entry->after) {
         char loudness[NUMBER_BYTES];
         char peak[NUMBER_BYTES];
         print_value(loudness, entry->after->figures.integrated_lufs, 1, false);
         print_value(peak, entry->after->figures.true_peak_dbtp, 1, false);
         bm_text_addf(&page, "<p class=\"figures\">%s LUFS, true peak %s dBTP, %u signal%s</p>\n", loudness,
                      peak, entry->n_signals, entry->n_signals == 1 ? "" : "s");
         const BmReportSignal signal = {.before = entry->before, .after = entry->after};
         add_waveform(&page, &signal, 300);
      }
      if (entry->audio) {
         bm_text_add(&page, "<div class=\"players\">");
         add_player(&page, "after", "Listen", entry->title, entry->audio, id, 0.0);
         bm_text_add(&page, "</div>\n");
      }
      bm_text_add(&page, "</li>\n");
   }
   bm_text_add(&page, "</ul>\n</main>\n");
   end_page(&page);
   return save_page(&page, path);
}
