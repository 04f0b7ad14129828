/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_PLOT_H
#define BM_HARNESS_PLOT_H

#include "text.h"

#include <stdbool.h>
#include <stdint.h>

/** How a series is drawn. A point that is not finite leaves a gap. */
typedef enum {
   BM_PLOT_LINE,   /**< straight lines through the points, in their order (a loop is allowed) */
   BM_PLOT_HELD,   /**< each value held until the next point */
   BM_PLOT_BAND,   /**< filled between y and y_to */
   BM_PLOT_BARS,   /**< filled from the axis' lower end, one bar a point; side by side where series share x */
   BM_PLOT_STEMS,  /**< a thin stroke from the axis' lower end to each point: an echogram */
   BM_PLOT_POINTS, /**< dots: a goniometer */
} BmPlotKind;

/** Whose colour a series wears. The style sheet gives each a light and a dark form; the tones differ in
    lightness too, and lines by dashes, so that no meaning hangs on hue. */
typedef enum {
   BM_TONE_BEFORE,
   BM_TONE_AFTER,
   BM_TONE_CURVE, /**< a processor's own curve, dashed */
   BM_TONE_EXTRA, /**< a third signal or a control */
   BM_TONE_QUIET, /**< context: a target, a threshold, dotted */
   BM_N_TONES
} BmPlotTone;

typedef struct {
   const char* label; /**< for the legend; NULL leaves it out */
   BmPlotKind kind;
   BmPlotTone tone;
   bool is_thin;
   uint32_t n_points;
   const double* x;    /**< [n_points] */
   const double* y;    /**< [n_points] */
   const double* y_to; /**< [n_points], for a band: its other edge */
} BmPlotSeries;

typedef struct {
   double value;
   const char* label;
   bool is_minor; /**< the label is left out where there is little room */
} BmPlotTick;

typedef enum {
   BM_AXIS_LINEAR,
   BM_AXIS_LOG,
   BM_AXIS_TIME, /**< linear, in seconds, printed as minutes and seconds; follows the players */
} BmPlotScale;

typedef struct {
   const char* label; /**< quantity and unit, as "Level, dBFS" */
   BmPlotScale scale;
   double min; /**< min == max: taken from the data, widened to whole ticks */
   double max;
   const BmPlotTick* ticks; /**< NULL: chosen by the scale */
   uint32_t n_ticks;
} BmPlotAxis;

/** A picture. Words are plain UTF-8; the writer escapes them. */
typedef struct {
   const char* title;       /**< the caption */
   const char* description; /**< what a reader who cannot see it should know: the finding, not the drawing */
   BmPlotAxis x;
   BmPlotAxis y;
   const BmPlotSeries* series;
   uint32_t n_series;
   double height_px;   /**< 0: the usual */
   bool is_square;     /**< equal sides, for goniometers and loops */
   uint32_t n_columns; /**< long lines keep the extremes of this many columns; 0: 1000 */
} BmPlot;

/**
   Add the picture to a page as a `figure` with inline SVG: lines drawn by cairo, coloured by the page's style
   sheet, as wide as the column it stands in, while text and lines keep their size.

   The page's style sheet holds bm_plot_style and gives each colour that it names a light and a dark form.
*/
void bm_plot_add_figure(BmText* page, const BmPlot* plot);

/** Add `n_plots` pictures, one under the other, as one SVG document with its style inside. */
void bm_plot_add_svg(BmText* document, const BmPlot* plots, uint32_t n_plots);

/**
   Add one picture as an SVG document for any viewer, on light paper of its own: no style sheet, no variables.

   Axes carry their labels, so the picture can stand in a page without a caption.
*/
void bm_plot_add_plain_svg(BmText* document, const BmPlot* plot);

#endif
