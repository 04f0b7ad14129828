/* SPDX-License-Identifier: ISC */
/* Pictures with the numbers they are drawn from, in one hand. */
#ifndef BM_HARNESS_FIGURES_H
#define BM_HARNESS_FIGURES_H

#include "plot.h"

#include <stdint.h>

#define BM_FIGURES_MAX 8
#define BM_FIGURE_SERIES_MAX 5

typedef struct {
   BmPlot plots[BM_FIGURES_MAX];
   uint32_t n_plots;
   void** blocks; /**< [n_blocks] what the plots borrow */
   uint32_t n_blocks;
} BmFigures;

void bm_figures_free(BmFigures* self);

/** Zeroed room for `n` doubles that lives as long as the figures. */
double* bm_figures_doubles(BmFigures* self, uint32_t n);

/** Empty room for `n` ticks that lives as long as the figures. */
BmPlotTick* bm_figures_ticks(BmFigures* self, uint32_t n);

/** A printf-formatted string that lives as long as the figures. */
const char* bm_figures_text(BmFigures* self, const char* format, ...) __attribute__((format(printf, 2, 3)));

/** Begin a picture, without series yet; NULL when there are BM_FIGURES_MAX. */
BmPlot* bm_figures_add(BmFigures* self, const char* title, const char* description);

/** Add a line to a picture; `x` and `y` [n_points] must live as long as the figures. NULL is allowed for
 * `plot`. */
BmPlotSeries* bm_figures_add_series(BmPlot* plot, const char* label, BmPlotTone tone, const double* x,
                                    const double* y, uint32_t n_points);

#endif
