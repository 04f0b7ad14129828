/* SPDX-License-Identifier: ISC */
#include "plot.h"

#include "format.h"
#include "sheets.h"

#include <cairo-svg.h>

#include <float.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* The drawing is this wide in its own units, and stretched to the column: text stands outside it. */
#define WIDTH 1000.0
#define USUAL_HEIGHT 220.0
#define SQUARE_SIDE 380.0
#define TICK_ROW 20.0
#define PLAIN_WIDTH 640.0 /* of the frame in a document of its own */
#define GUTTER 44.0       /* for the labels at the left; the style sheet has it too */
#define MAX_TICKS 64

/* cairo knows no colours by name, so each is drawn as a shade of red that stands for its place in this list.
 */
static const char* const colours[] = {"before", "after", "curve", "extra", "quiet", "grid", "axis", "paper"};
#define GRID_COLOUR (BM_N_TONES)
#define AXIS_COLOUR (BM_N_TONES + 1)
#define PAPER_COLOUR (BM_N_TONES + 2)
#define SHADE_STEP 0.1

typedef struct {
   double value;
   char label[BM_NUMBER_BYTES];
   bool is_minor;
} Tick;

typedef struct {
   double min;
   double max;
   bool is_log;
   double length; /* of the side, in drawing units */
   bool is_upwards;
   Tick ticks[MAX_TICKS];
   uint32_t n_ticks;
} Axis;

/* Where a value falls on its side; outside it, at most a little, for the frame to cut it off. */
static double place(const Axis* axis, double value)
{
   const double share = axis->is_log ? log(value / axis->min) / log(axis->max / axis->min)
                                     : (value - axis->min) / (axis->max - axis->min);
   const double bounded = fmin(fmax(share, -0.2), 1.2);
   return axis->length * (axis->is_upwards ? 1.0 - bounded : bounded);
}

/* ---- ticks ---- */

static void add_tick(Axis* axis, double value, bool is_minor, const char* label)
{
   const double slack = axis->is_log ? 0.0 : 1e-9 * (axis->max - axis->min);
   if (axis->n_ticks < MAX_TICKS && value >= axis->min - slack && value <= axis->max + slack) {
      Tick* const tick = &axis->ticks[axis->n_ticks++];
      tick->value = value;
      tick->is_minor = is_minor;
      snprintf(tick->label, sizeof tick->label, "%s", label);
   }
}

static double nice_step(double span, double n_wanted)
{
   const double rough = span / n_wanted;
   const double decade = pow(10.0, floor(log10(rough)));
   const double choices[] = {1.0, 2.0, 5.0, 10.0};
   for (uint32_t n = 0; n < 3; ++n) {
      if (choices[n] * decade >= rough * 0.999) {
         return choices[n] * decade;
      }
   }
   return 10.0 * decade;
}

static void tick_linear(Axis* axis, double n_wanted)
{
   const double step = nice_step(axis->max - axis->min, n_wanted);
   const int decimals = (int)fmax(0.0, -floor(log10(step) + 1e-9));
   const double first = ceil(axis->min / step - 1e-9);
   const double last = floor(axis->max / step + 1e-9);
   for (double n = first; n <= last; ++n) {
      char label[BM_NUMBER_BYTES];
      bm_format_value(label, n * step, decimals, false);
      add_tick(axis, n * step, false, label);
   }
}

static void tick_log(Axis* axis)
{
   const double parts[] = {1.0, 2.0, 5.0};
   for (double decade = pow(10.0, floor(log10(axis->min))); decade <= axis->max; decade *= 10.0) {
      for (uint32_t n = 0; n < 3; ++n) {
         const double value = parts[n] * decade;
         char label[BM_NUMBER_BYTES];
         if (value >= 1000.0) {
            snprintf(label, sizeof label, "%gk", value / 1000.0);
         } else {
            snprintf(label, sizeof label, "%g", value);
         }
         add_tick(axis, value, n > 0, label);
      }
   }
}

static void tick_time(Axis* axis)
{
   const double steps_s[] = {0.01, 0.02, 0.05, 0.1,   0.2,   0.5,   1.0,   2.0,    5.0,   10.0,
                             15.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0};
   const uint32_t n_steps = sizeof steps_s / sizeof *steps_s;
   const double span_s = axis->max - axis->min;
   uint32_t chosen = 0;
   while (chosen + 1 < n_steps && span_s / steps_s[chosen] > 11.0) {
      ++chosen;
   }
   const double step_s = steps_s[chosen];
   for (double n = ceil(axis->min / step_s - 1e-9); n * step_s <= axis->max + 1e-9; ++n) {
      const double time_s = n * step_s;
      char label[BM_NUMBER_BYTES];
      if (step_s < 1.0) {
         char number[BM_NUMBER_BYTES];
         bm_format_value(number, time_s, step_s < 0.1 ? 2 : 1, false);
         snprintf(label, sizeof label, "%.*s s", (int)sizeof label - 3, number);
      } else {
         const long whole_s = lround(time_s);
         if (axis->max >= 3600.0) {
            snprintf(label, sizeof label, "%ld:%02ld:%02ld", whole_s / 3600, whole_s / 60 % 60, whole_s % 60);
         } else {
            snprintf(label, sizeof label, "%ld:%02ld", whole_s / 60, whole_s % 60);
         }
      }
      add_tick(axis, time_s, fmod(fabs(n) + 0.5, 2.0) > 1.0, label);
   }
}

/* ---- axes ---- */

static void include(double value, bool is_log, double* min, double* max)
{
   if (isfinite(value) && (!is_log || value > 0.0)) {
      *min = fmin(*min, value);
      *max = fmax(*max, value);
   }
}

static Axis settle_axis(const BmPlot* plot, const BmPlotAxis* wanted, bool is_upwards, double length)
{
   Axis axis = {.min = wanted->min,
                .max = wanted->max,
                .is_log = wanted->scale == BM_AXIS_LOG,
                .length = length,
                .is_upwards = is_upwards};
   if (!(axis.max > axis.min) || (axis.is_log && axis.min <= 0.0)) {
      axis.min = DBL_MAX;
      axis.max = -DBL_MAX;
      for (uint32_t s = 0; s < plot->n_series; ++s) {
         const BmPlotSeries* const series = &plot->series[s];
         for (uint32_t n = 0; n < series->n_points; ++n) {
            include(is_upwards ? series->y[n] : series->x[n], axis.is_log, &axis.min, &axis.max);
            if (is_upwards && series->y_to) {
               include(series->y_to[n], axis.is_log, &axis.min, &axis.max);
            }
         }
      }
      if (axis.min > axis.max) {
         axis.min = axis.is_log ? 20.0 : 0.0;
         axis.max = axis.is_log ? 20000.0 : 1.0;
      } else if (axis.is_log) {
         axis.max = fmax(axis.max, 1.01 * axis.min);
      } else if (is_upwards || axis.min == axis.max) {
         const double step = nice_step(fmax(axis.max - axis.min, 1e-6 + 0.01 * fabs(axis.max)), 5.0);
         axis.min = step * floor(axis.min / step - 0.05);
         axis.max = step * ceil(axis.max / step + 0.05);
      }
   }
   if (wanted->ticks) {
      for (uint32_t n = 0; n < wanted->n_ticks; ++n) {
         add_tick(&axis, wanted->ticks[n].value, wanted->ticks[n].is_minor, wanted->ticks[n].label);
      }
   } else if (axis.is_log) {
      tick_log(&axis);
   } else if (wanted->scale == BM_AXIS_TIME) {
      tick_time(&axis);
   } else {
      tick_linear(&axis, is_upwards ? fmax(2.0, length / 45.0) : 8.0);
   }
   return axis;
}

/* ---- drawing ---- */

static void set_colour(cairo_t* cairo, uint32_t colour, double opacity)
{
   cairo_set_source_rgba(cairo, SHADE_STEP * (colour + 1), 0.0, 0.0, opacity);
}

static void set_pen(cairo_t* cairo, const BmPlotSeries* series)
{
   static const double dashes[] = {7.0, 4.0};
   static const double dots[] = {1.5, 4.0};
   cairo_set_line_width(cairo, series->is_thin ? 1.0 : 1.8);
   cairo_set_dash(cairo, series->tone == BM_TONE_QUIET ? dots : dashes,
                  series->tone == BM_TONE_CURVE || series->tone == BM_TONE_QUIET ? 2 : 0, 0.0);
   set_colour(cairo, series->tone, 1.0);
}

static bool is_drawable(const Axis* x_axis, const Axis* y_axis, double x, double y)
{
   return isfinite(x) && isfinite(y) && (!x_axis->is_log || x > 0.0) && (!y_axis->is_log || y > 0.0);
}

/* Lines. Points that crowd into one column become its first, lowest, highest and last. */
static void draw_line(cairo_t* cairo, const Axis* x_axis, const Axis* y_axis, const BmPlotSeries* series,
                      double n_columns)
{
   const double column = x_axis->length / n_columns;
   const bool is_crowded = series->n_points > 2.0 * n_columns;
   bool is_down = false;
   double held_y = 0.0;
   for (uint32_t n = 0; n < series->n_points;) {
      if (!is_drawable(x_axis, y_axis, series->x[n], series->y[n])) {
         is_down = false;
         ++n;
         continue;
      }
      const double x = place(x_axis, series->x[n]);
      const double y = place(y_axis, series->y[n]);
      if (!is_down) {
         cairo_move_to(cairo, x, y);
      } else {
         if (series->kind == BM_PLOT_HELD) {
            cairo_line_to(cairo, x, held_y);
         }
         cairo_line_to(cairo, x, y);
      }
      is_down = true;
      held_y = y;
      double low = y;
      double high = y;
      uint32_t next = n + 1;
      while (next < series->n_points && is_drawable(x_axis, y_axis, series->x[next], series->y[next]) &&
             is_crowded && floor(place(x_axis, series->x[next]) / column) == floor(x / column)) {
         held_y = place(y_axis, series->y[next]);
         low = fmin(low, held_y);
         high = fmax(high, held_y);
         ++next;
      }
      if (next > n + 1) {
         cairo_line_to(cairo, x, low);
         cairo_line_to(cairo, x, high);
         cairo_line_to(cairo, x, held_y);
      }
      n = next;
   }
   cairo_stroke(cairo);
}

static void draw_band(cairo_t* cairo, const Axis* x_axis, const Axis* y_axis, const BmPlotSeries* series)
{
   for (uint32_t first = 0; first < series->n_points;) {
      uint32_t end = first;
      while (end < series->n_points && is_drawable(x_axis, y_axis, series->x[end], series->y[end]) &&
             is_drawable(x_axis, y_axis, series->x[end], series->y_to[end])) {
         ++end;
      }
      for (uint32_t n = first; n < end; ++n) {
         cairo_line_to(cairo, place(x_axis, series->x[n]), place(y_axis, series->y[n]));
      }
      for (uint32_t n = end; n > first; --n) {
         cairo_line_to(cairo, place(x_axis, series->x[n - 1]), place(y_axis, series->y_to[n - 1]));
      }
      if (end > first) {
         cairo_close_path(cairo);
      }
      first = end + 1;
   }
   cairo_fill(cairo);
}

/* Whether another stroke of the same column reaches as high: a crowd of strokes is as wide as its columns. */
static bool is_hidden(const Axis* x_axis, const BmPlotSeries* series, uint32_t n, double n_columns)
{
   const double column = x_axis->length / n_columns;
   const double own = floor(place(x_axis, series->x[n]) / column);
   for (uint32_t m = n; m-- > 0 && floor(place(x_axis, series->x[m]) / column) == own;) {
      if (series->y[m] >= series->y[n]) {
         return true;
      }
   }
   for (uint32_t m = n + 1; m < series->n_points && floor(place(x_axis, series->x[m]) / column) == own; ++m) {
      if (series->y[m] > series->y[n]) {
         return true;
      }
   }
   return false;
}

static void draw_marks(cairo_t* cairo, const Axis* x_axis, const Axis* y_axis, const BmPlotSeries* series,
                       double offset, double bar_width, double n_columns)
{
   const bool is_crowded = series->kind == BM_PLOT_STEMS && series->n_points > n_columns;
   for (uint32_t n = 0; n < series->n_points; ++n) {
      if (!is_drawable(x_axis, y_axis, series->x[n], series->y[n]) ||
          (is_crowded && is_hidden(x_axis, series, n, n_columns))) {
         continue;
      }
      const double x = place(x_axis, series->x[n]) + offset;
      const double y = place(y_axis, series->y[n]);
      if (series->kind == BM_PLOT_BARS) {
         cairo_rectangle(cairo, x, y, bar_width, y_axis->length - y);
      } else if (series->kind == BM_PLOT_STEMS) {
         cairo_move_to(cairo, x, y_axis->length);
         cairo_line_to(cairo, x, y);
      } else {
         cairo_move_to(cairo, x, y);
         cairo_line_to(cairo, x, y);
      }
   }
   if (series->kind == BM_PLOT_BARS) {
      cairo_fill(cairo);
   } else {
      cairo_stroke(cairo);
   }
}

/* Bars of several series stand side by side around their x. */
static double bar_slot(const BmPlot* plot, const Axis* x_axis, uint32_t* n_bar_series)
{
   double gap = x_axis->length;
   *n_bar_series = 0;
   for (uint32_t s = 0; s < plot->n_series; ++s) {
      const BmPlotSeries* const series = &plot->series[s];
      if (series->kind == BM_PLOT_BARS) {
         ++*n_bar_series;
         for (uint32_t n = 1; n < series->n_points; ++n) {
            gap = fmin(gap, fabs(place(x_axis, series->x[n]) - place(x_axis, series->x[n - 1])));
         }
      }
   }
   return *n_bar_series ? 0.8 * fmin(gap, 0.25 * x_axis->length) / *n_bar_series : 0.0;
}

static void draw_grid(cairo_t* cairo, const Axis* x_axis, const Axis* y_axis)
{
   cairo_set_line_width(cairo, 1.0);
   set_colour(cairo, GRID_COLOUR, 1.0);
   for (uint32_t n = 0; n < x_axis->n_ticks; ++n) {
      const double x = place(x_axis, x_axis->ticks[n].value);
      cairo_move_to(cairo, x, 0.0);
      cairo_line_to(cairo, x, y_axis->length);
   }
   for (uint32_t n = 0; n < y_axis->n_ticks; ++n) {
      const double y = place(y_axis, y_axis->ticks[n].value);
      cairo_move_to(cairo, 0.0, y);
      cairo_line_to(cairo, x_axis->length, y);
   }
   cairo_stroke(cairo);
   if (!y_axis->is_log && y_axis->min < 0.0 && y_axis->max > 0.0) {
      set_colour(cairo, AXIS_COLOUR, 1.0);
      cairo_move_to(cairo, 0.0, place(y_axis, 0.0));
      cairo_line_to(cairo, x_axis->length, place(y_axis, 0.0));
      cairo_stroke(cairo);
   }
}

static void draw(cairo_t* cairo, const BmPlot* plot, const Axis* x_axis, const Axis* y_axis)
{
   cairo_set_line_join(cairo, CAIRO_LINE_JOIN_ROUND);
   draw_grid(cairo, x_axis, y_axis);
   uint32_t n_bar_series;
   const double bar_width = bar_slot(plot, x_axis, &n_bar_series);
   const double n_columns = plot->n_columns ? plot->n_columns : WIDTH;
   uint32_t n_bars_drawn = 0;
   bool has_band = false;
   for (uint32_t s = 0; s < plot->n_series; ++s) {
      const BmPlotSeries* const series = &plot->series[s];
      set_pen(cairo, series);
      switch (series->kind) {
      case BM_PLOT_LINE:
      case BM_PLOT_HELD:
         if (has_band) {
            /* A rim, to be seen on the band's colour. */
            cairo_save(cairo);
            cairo_set_dash(cairo, NULL, 0, 0.0);
            cairo_set_line_width(cairo, 4.5);
            set_colour(cairo, PAPER_COLOUR, 0.9);
            draw_line(cairo, x_axis, y_axis, series, n_columns);
            cairo_restore(cairo);
         }
         draw_line(cairo, x_axis, y_axis, series, n_columns);
         break;
      case BM_PLOT_BAND:
         set_colour(cairo, series->tone, series->is_thin ? 0.3 : 0.85);
         draw_band(cairo, x_axis, y_axis, series);
         has_band = has_band || !series->is_thin;
         break;
      case BM_PLOT_BARS:
         draw_marks(cairo, x_axis, y_axis, series, bar_width * (n_bars_drawn - 0.5 * n_bar_series),
                    0.9 * bar_width, n_columns);
         ++n_bars_drawn;
         break;
      case BM_PLOT_STEMS:
         draw_marks(cairo, x_axis, y_axis, series, 0.0, 0.0, n_columns);
         break;
      case BM_PLOT_POINTS:
         cairo_set_line_cap(cairo, CAIRO_LINE_CAP_ROUND);
         cairo_set_line_width(cairo, series->is_thin ? 2.0 : 4.0);
         draw_marks(cairo, x_axis, y_axis, series, 0.0, 0.0, n_columns);
         cairo_set_line_cap(cairo, CAIRO_LINE_CAP_BUTT);
         break;
      }
   }
}

/* ---- from cairo's SVG to ours ---- */

static cairo_status_t take_bytes(void* handle, const unsigned char* bytes, unsigned n_bytes)
{
   BmText* const text = handle;
   bm_text_addf(text, "%.*s", (int)n_bytes, (const char*)bytes);
   return text->failed ? CAIRO_STATUS_NO_MEMORY : CAIRO_STATUS_SUCCESS;
}

/* A colour as the page's theme has it; for a document without a theme, the light one that the sheet names
   first. */
static void add_colour(BmText* page, const char* name, bool is_plain)
{
   char declaration[32];
   snprintf(declaration, sizeof declaration, "--%s: ", name);
   const char* const found = is_plain ? strstr(bm_sheet_plot_css, declaration) : NULL;
   if (found) {
      const char* const value = found + strlen(declaration);
      bm_text_addf(page, "%.*s", (int)strcspn(value, ";"), value);
   } else {
      bm_text_addf(page, "var(--%s)", name);
   }
}

/* Copy the paths of cairo's document: colours by name, so that the page's theme rules them, and a
   hundredth of a unit is fine enough. */
static void copy_paths(BmText* page, const char* svg, bool is_plain)
{
   const char* c = svg ? strstr(svg, "<path") : NULL;
   const char* const end = svg ? strstr(svg, "</svg>") : NULL;
   while (c && c < end) {
      if (strncmp(c, "</g>", 4) == 0) {
         c += 4;
      } else if (strncmp(c, "rgb(", 4) == 0) {
         const long shade = lround(0.01 * strtod(c + 4, NULL) / SHADE_STEP);
         const long n_colours = sizeof colours / sizeof *colours;
         add_colour(page, colours[shade >= 1 && shade <= n_colours ? shade - 1 : AXIS_COLOUR], is_plain);
         c += strcspn(c, ")") + 1;
      } else if ((*c >= '0' && *c <= '9') || (*c == '-' && c[1] >= '0' && c[1] <= '9')) {
         char* after;
         const double value = strtod(c, &after);
         char number[BM_NUMBER_BYTES];
         /* Places have one width, so that two versions of a picture can be compared column by column;
            opacities and line widths keep no trailing zeros. */
         const bool is_place = fabs(value) >= 10.0;
         snprintf(number, sizeof number, is_place ? "%06.2f" : "%.2f", value);
         char* last = number + strlen(number) - 1;
         while (!is_place && *last == '0') {
            *last-- = '\0';
         }
         if (*last == '.') {
            *last = '\0';
         }
         bm_text_add(page, strcmp(number, "-0") == 0 ? "0" : number);
         c = after;
      } else {
         const size_t n_plain = strcspn(c + 1, "<r-0123456789") + 1;
         const bool is_line = n_plain == 3 && strncmp(c, " L ", 3) == 0;
         bm_text_addf(page, "%.*s", is_line ? 1 : (int)n_plain, is_line ? c + 1 : c);
         c += n_plain;
      }
   }
}

static void add_drawing(BmText* page, const BmPlot* plot, const Axis* x_axis, const Axis* y_axis,
                        bool is_plain)
{
   BmText svg = {0};
   cairo_surface_t* const surface =
      cairo_svg_surface_create_for_stream(take_bytes, &svg, x_axis->length, y_axis->length);
   cairo_t* const cairo = cairo_create(surface);
   draw(cairo, plot, x_axis, y_axis);
   const bool has_failed = cairo_status(cairo) != CAIRO_STATUS_SUCCESS;
   cairo_destroy(cairo);
   cairo_surface_finish(surface);
   cairo_surface_destroy(surface);
   copy_paths(page, svg.chars, is_plain);
   page->failed = page->failed || svg.failed || has_failed;
   bm_text_free(&svg);
}

static double plot_height(const BmPlot* plot)
{
   return plot->is_square ? SQUARE_SIDE : plot->height_px > 0.0 ? plot->height_px : USUAL_HEIGHT;
}

/* The drawing and its tick labels, for inside an `svg` as wide as the picture is to be. */
static void add_canvas(BmText* page, const BmPlot* plot, double height)
{
   const double length = plot->is_square ? SQUARE_SIDE : WIDTH;
   const Axis x_axis = settle_axis(plot, &plot->x, false, length);
   const Axis y_axis = settle_axis(plot, &plot->y, true, height);
   bm_text_addf(page,
                "<svg class=\"drawing\" width=\"100%%\" height=\"%.0f\" viewBox=\"0 0 %.0f %.0f\" "
                "preserveAspectRatio=\"none\">",
                height, length, height);
   add_drawing(page, plot, &x_axis, &y_axis, false);
   bm_text_add(page, "</svg>");
   for (uint32_t n = 0; n < y_axis.n_ticks; ++n) {
      const double y = place(&y_axis, y_axis.ticks[n].value);
      bm_text_addf(page, "<text class=\"tick\" x=\"-7\" y=\"%.1f\" text-anchor=\"end\">", y + 4.0);
      bm_text_add_html(page, y_axis.ticks[n].label);
      bm_text_add(page, "</text>");
   }
   for (uint32_t n = 0; n < x_axis.n_ticks; ++n) {
      const double share = 100.0 * place(&x_axis, x_axis.ticks[n].value) / length;
      bm_text_addf(page, "<text class=\"tick%s\" x=\"%.2f%%\" y=\"%.1f\" text-anchor=\"middle\">",
                   x_axis.ticks[n].is_minor ? " minor" : "", share, height + 14.0);
      bm_text_add_html(page, x_axis.ticks[n].label);
      bm_text_add(page, "</text>");
   }
   if (plot->x.scale == BM_AXIS_TIME) {
      bm_text_addf(page,
                   "<line class=\"playhead\" data-from=\"%.3f\" data-to=\"%.3f\" y1=\"0\" y2=\"%.0f\"/>",
                   x_axis.min, x_axis.max, height);
   }
}

static void add_quantity(BmText* page, const BmPlot* plot)
{
   bm_text_add_html(page, plot->y.label);
   if (plot->x.label) {
      bm_text_add(page, ", over ");
      bm_text_add_html(page, plot->x.label);
   }
}

static bool has_legend(const BmPlot* plot)
{
   for (uint32_t s = 0; s < plot->n_series; ++s) {
      if (plot->series[s].label) {
         return true;
      }
   }
   return false;
}

static const char* tone_class(const BmPlotSeries* series)
{
   return colours[series->tone];
}

static const char* kind_class(const BmPlotSeries* series)
{
   return series->kind == BM_PLOT_BAND || series->kind == BM_PLOT_BARS ? "area" : "line";
}

void bm_plot_add_figure(BmText* page, const BmPlot* plot)
{
   const double height = plot_height(plot);
   bm_text_addf(page, "<figure class=\"plot%s\"><figcaption><b>", plot->is_square ? " square" : "");
   bm_text_add_html(page, plot->title);
   bm_text_add(page, "</b>");
   if (plot->y.label) {
      bm_text_add(page, " <span class=\"quantity\">");
      add_quantity(page, plot);
      bm_text_add(page, "</span>");
   }
   bm_text_add(page, "</figcaption>");
   bm_text_add(page, has_legend(plot) ? "<ul class=\"legend\">" : "");
   for (uint32_t s = 0; s < plot->n_series; ++s) {
      const BmPlotSeries* const series = &plot->series[s];
      if (series->label) {
         bm_text_addf(page, "<li><i class=\"%s %s%s\"></i>", tone_class(series), kind_class(series),
                      series->is_thin ? " thin" : "");
         bm_text_add_html(page, series->label);
         bm_text_add(page, "</li>");
      }
   }
   bm_text_add(page, has_legend(plot) ? "</ul>" : "");
   bm_text_addf(page, "<svg class=\"canvas%s\" role=\"img\" width=\"100%%\" height=\"%.0f\" aria-label=\"",
                plot->x.scale == BM_AXIS_TIME ? " timed" : "", height + TICK_ROW);
   bm_text_add_html(page, plot->title);
   bm_text_add(page, plot->description ? ". " : "");
   bm_text_add_html(page, plot->description);
   bm_text_add(page, "\">");
   add_canvas(page, plot, height);
   bm_text_add(page, "</svg></figure>\n");
}

/* Room for the title, and for the legend if there is one. */
static double head_of(const BmPlot* plot)
{
   return has_legend(plot) ? 46.0 : 28.0;
}

void bm_plot_add_svg(BmText* document, const BmPlot* plots, uint32_t n_plots)
{
   const double width = 800.0;
   const double margin = 24.0;
   double height = margin;
   for (uint32_t p = 0; p < n_plots; ++p) {
      height += head_of(&plots[p]) + plot_height(&plots[p]) + TICK_ROW + margin;
   }
   bm_text_addf(document,
                "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%.0f\" height=\"%.0f\" viewBox=\"0 0 %.0f "
                "%.0f\">\n<style>",
                width, height, width, height);
   bm_text_add(document, bm_sheet_plot_css);
   bm_text_add(document, "</style>\n<rect class=\"paper\" width=\"100%\" height=\"100%\"/>\n");
   double y = margin;
   for (uint32_t p = 0; p < n_plots; ++p) {
      const BmPlot* const plot = &plots[p];
      const double side = plot_height(plot);
      const double head = head_of(plot);
      const double plot_width = plot->is_square ? SQUARE_SIDE : width - 2.0 * margin;
      bm_text_addf(document, "<text class=\"title\" x=\"%.0f\" y=\"%.0f\">", margin, y + 12.0);
      bm_text_add_html(document, plot->title);
      if (plot->y.label) {
         bm_text_add(document, " <tspan class=\"quantity\">");
         add_quantity(document, plot);
         bm_text_add(document, "</tspan>");
      }
      bm_text_add(document, "</text>\n");
      double x = margin;
      for (uint32_t s = 0; s < plot->n_series; ++s) {
         const BmPlotSeries* const series = &plot->series[s];
         if (series->label) {
            bm_text_addf(
               document,
               "<path class=\"%s %s\" d=\"M%.0f %.0fh20\"/><text class=\"key\" x=\"%.0f\" y=\"%.0f\">",
               tone_class(series), kind_class(series), x, y + 28.0, x + 26.0, y + 32.0);
            bm_text_add_html(document, series->label);
            bm_text_add(document, "</text>\n");
            x += 50.0 + 7.0 * (double)strlen(series->label);
         }
      }
      bm_text_addf(document,
                   "<svg class=\"canvas\" role=\"img\" x=\"%.0f\" y=\"%.0f\" width=\"%.0f\" height=\"%.0f\" "
                   "aria-label=\"",
                   margin + GUTTER, y + head, plot_width - GUTTER, side + TICK_ROW);
      bm_text_add_html(document, plot->title);
      bm_text_add(document, plot->description ? ". " : "");
      bm_text_add_html(document, plot->description);
      bm_text_add(document, "\">");
      add_canvas(document, plot, side);
      bm_text_add(document, "</svg>\n");
      y += head + side + TICK_ROW + margin;
   }
   bm_text_add(document, "</svg>\n");
}

/* ---- a document for any viewer ---- */

static void begin_word(BmText* document, const char* colour, double size_px, const char* anchor, double x,
                       double y)
{
   bm_text_add(document, "<text fill=\"");
   add_colour(document, colour, true);
   bm_text_addf(document, "\" font-size=\"%.0f\" text-anchor=\"%s\" x=\"%.2f\" y=\"%.2f\"", size_px, anchor,
                x, y);
}

static void end_word(BmText* document, const char* word)
{
   bm_text_add(document, ">");
   bm_text_add_html(document, word);
   bm_text_add(document, "</text>\n");
}

static void add_key(BmText* document, const BmPlotSeries* series, double x, double y)
{
   const bool is_area = strcmp(kind_class(series), "area") == 0;
   bm_text_addf(document, "<path fill=\"none\" stroke-width=\"%s\"%s d=\"M%.0f %.0fh22\" stroke=\"",
                is_area           ? "9"
                : series->is_thin ? "1"
                                  : "2.5",
                is_area                         ? ""
                : series->tone == BM_TONE_CURVE ? " stroke-dasharray=\"7 4\""
                : series->tone == BM_TONE_QUIET ? " stroke-dasharray=\"1.5 4\""
                                                : "",
                x, y - 4.0);
   add_colour(document, tone_class(series), true);
   bm_text_add(document, "\"/>");
   begin_word(document, "ink", 12.0, "start", x + 28.0, y);
   end_word(document, series->label);
}

void bm_plot_add_plain_svg(BmText* document, const BmPlot* plot)
{
   const double left = 62.0;
   const double right = 22.0;
   const double foot = 46.0;
   const double key_row = 20.0;
   const double length = plot->is_square ? SQUARE_SIDE : PLAIN_WIDTH;
   const double height = plot_height(plot);
   const double width = left + length + right;
   /* The legend first: how many rows it takes says where the frame stands. */
   double key_x[32];
   double key_y[32];
   double x = left;
   double head = 32.0;
   for (uint32_t s = 0; s < plot->n_series && s < 32; ++s) {
      if (plot->series[s].label) {
         const double needed = 52.0 + 6.6 * (double)strlen(plot->series[s].label);
         if (x > left && x + needed > width) {
            x = left;
            head += key_row;
         }
         key_x[s] = x;
         key_y[s] = head + 15.0;
         x += needed;
      }
   }
   head += has_legend(plot) ? key_row + 8.0 : 4.0;
   const Axis x_axis = settle_axis(plot, &plot->x, false, length);
   const Axis y_axis = settle_axis(plot, &plot->y, true, height);
   bm_text_addf(document,
                "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"%.0f\" height=\"%.0f\" viewBox=\"0 0 %.0f "
                "%.0f\" font-family=\"sans-serif\" role=\"img\">\n<title>",
                width, head + height + foot, width, head + height + foot);
   bm_text_add_html(document, plot->title);
   bm_text_add(document, "</title>\n");
   if (plot->description) {
      bm_text_add(document, "<desc>");
      bm_text_add_html(document, plot->description);
      bm_text_add(document, "</desc>\n");
   }
   bm_text_add(document, "<rect width=\"100%\" height=\"100%\" fill=\"");
   add_colour(document, "paper", true);
   bm_text_add(document, "\"/>\n");
   begin_word(document, "ink", 14.0, "start", left, 22.0);
   bm_text_add(document, " font-weight=\"bold\"");
   end_word(document, plot->title);
   for (uint32_t s = 0; s < plot->n_series && s < 32; ++s) {
      if (plot->series[s].label) {
         add_key(document, &plot->series[s], key_x[s], key_y[s]);
      }
   }
   bm_text_addf(document, "<svg x=\"%.0f\" y=\"%.0f\" width=\"%.0f\" height=\"%.0f\">", left, head, length,
                height);
   add_drawing(document, plot, &x_axis, &y_axis, true);
   bm_text_add(document, "</svg>\n");
   for (uint32_t n = 0; n < y_axis.n_ticks; ++n) {
      begin_word(document, "muted", 12.0, "end", left - 7.0,
                 head + place(&y_axis, y_axis.ticks[n].value) + 4.0);
      end_word(document, y_axis.ticks[n].label);
   }
   for (uint32_t n = 0; n < x_axis.n_ticks; ++n) {
      begin_word(document, "muted", 12.0, "middle", left + place(&x_axis, x_axis.ticks[n].value),
                 head + height + 17.0);
      end_word(document, x_axis.ticks[n].label);
   }
   begin_word(document, "muted", 12.0, "middle", left + 0.5 * length, head + height + 37.0);
   end_word(document, plot->x.label);
   begin_word(document, "muted", 12.0, "middle", 0.0, 0.0);
   bm_text_addf(document, " transform=\"translate(16 %.1f) rotate(-90)\"", head + 0.5 * height);
   end_word(document, plot->y.label);
   bm_text_add(document, "</svg>\n");
}
