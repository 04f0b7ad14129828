/* SPDX-License-Identifier: ISC */
#include "pictures.h"

#include "format.h"

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define N_SPECTRUM_POINTS 240
#define SPECTRUM_PER_OCTAVE 6.0
#define SPECTRUM_RANGE_DB 66.0
#define CURVE_REACH_DB 24.0
#define LOUDNESS_RANGE_LU 42.0
#define AUTOMATION_PER_PLOT 3

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
   } levels[] = {{0.0, "0"},
                 {-6.0, BM_MINUS "6"},
                 {-12.0, BM_MINUS "12"},
                 {-18.0, BM_MINUS "18"},
                 {-24.0, BM_MINUS "24"},
                 {-36.0, BM_MINUS "36"},
                 {-48.0, BM_MINUS "48"},
                 {-60.0, BM_MINUS "60"}};
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
   char low[BM_NUMBER_BYTES];
   char high[BM_NUMBER_BYTES];
   bm_format_control(low, automation->min);
   bm_format_control(high, automation->max);
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

void bm_picture_waveform(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
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

void bm_picture_spectra(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
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
      double bottom_curve_db = -6.0;
      double top_curve_db = 6.0;
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
         bottom_curve_db = fmin(bottom_curve_db, fmax(curve_db[n], -CURVE_REACH_DB));
         top_curve_db = fmax(top_curve_db, fmin(curve_db[n], CURVE_REACH_DB));
      }
      const BmPlot curves = {
         .title = "Change of the spectrum",
         .description =
            "Level change over frequency: as the inserts' curve says, and as measured on this signal.",
         .x = {.scale = BM_AXIS_LOG, .min = 20.0, .max = top_hz, .label = "Hz"},
         .y = {.min = 6.0 * floor(bottom_curve_db / 6.0),
               .max = 6.0 * ceil(top_curve_db / 6.0),
               .label = "dB"},
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

void bm_picture_loudness(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
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

/* A level has no zero to be filled from, and what it was in the silence before the first note is of no
 * interest. */
static bool is_level(const BmReportTrace* trace)
{
   static const char* const units[] = {"LUFS", "dBTP", "dBFS"};
   for (uint32_t n = 0; trace->unit && n < sizeof units / sizeof *units; ++n) {
      if (strcmp(trace->unit, units[n]) == 0) {
         return true;
      }
   }
   return false;
}

void bm_picture_traces(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
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
      BmPlot plot = {.title = trace->label,
                     .description = "Over time.",
                     .x = {.scale = BM_AXIS_TIME, .min = 0.0, .max = signal_length_s(signal)},
                     .y = {.label = trace->unit},
                     .series = series,
                     .n_series = 2,
                     .height_px = 170.0,
                     .n_columns = n_columns};
      if (is_level(trace)) {
         plot.series = &series[1];
         plot.n_series = 1;
         plot.y.max = 6.0 * ceil((highest_of(&series[1]) + 1.0) / 6.0);
         plot.y.min = plot.y.max - LOUDNESS_RANGE_LU;
      }
      bm_plot_add_figure(page, &plot);
      release(&scratch, page);
   }
}

void bm_picture_gain_change(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
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

void bm_picture_correlation(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
{
   static const BmPlotTick ticks[] = {{-1.0, BM_MINUS "1", false},
                                      {-0.5, BM_MINUS "0.5", false},
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

void bm_picture_lowest_note(BmText* page, const BmReportSignal* signal, uint32_t n_columns)
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
      char labels[16][BM_NUMBER_BYTES];
      uint32_t n_ticks = 0;
      for (double key = low_key + 1.0; key < high_key && n_ticks < 16; key += steps[step]) {
         const double hz = 440.0 * exp2((key - 69.0) / 12.0);
         bm_format_note(labels[n_ticks], hz);
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
