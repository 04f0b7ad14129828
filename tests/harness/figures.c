/* SPDX-License-Identifier: ISC */
#include "figures.h"

#include "error.h"

#include <stdarg.h>
#include <stdio.h>
#include <stdlib.h>

static void* keep(BmFigures* self, void* block)
{
   self->blocks = bm_realloc(self->blocks, self->n_blocks + 1u, sizeof(void*));
   self->blocks[self->n_blocks++] = block;
   return block;
}

void bm_figures_free(BmFigures* self)
{
   for (uint32_t n = 0; n < self->n_blocks; ++n) {
      free(self->blocks[n]);
   }
   free(self->blocks);
   *self = (BmFigures){.n_plots = 0};
}

double* bm_figures_doubles(BmFigures* self, uint32_t n)
{
   return keep(self, bm_calloc(n ? n : 1, sizeof(double)));
}

BmPlotTick* bm_figures_ticks(BmFigures* self, uint32_t n)
{
   return keep(self, bm_calloc(n ? n : 1, sizeof(BmPlotTick)));
}

const char* bm_figures_text(BmFigures* self, const char* format, ...)
{
   char text[512];
   va_list arguments;
   va_start(arguments, format);
   vsnprintf(text, sizeof text, format, arguments);
   va_end(arguments);
   return keep(self, bm_copy(text));
}

BmPlot* bm_figures_add(BmFigures* self, const char* title, const char* description)
{
   if (self->n_plots == BM_FIGURES_MAX) {
      return NULL;
   }
   BmPlot* plot = &self->plots[self->n_plots++];
   *plot = (BmPlot){.title = title,
                    .description = description,
                    .series = keep(self, bm_calloc(BM_FIGURE_SERIES_MAX, sizeof(BmPlotSeries)))};
   return plot;
}

BmPlotSeries* bm_figures_add_series(BmPlot* plot, const char* label, BmPlotTone tone, const double* x,
                                    const double* y, uint32_t n_points)
{
   if (!plot || plot->n_series == BM_FIGURE_SERIES_MAX) {
      return NULL;
   }
   /* The array was made here, so it may be written here. */
   BmPlotSeries* series = (BmPlotSeries*)(uintptr_t)&plot->series[plot->n_series++];
   *series = (BmPlotSeries){
      .label = label, .kind = BM_PLOT_LINE, .tone = tone, .n_points = n_points, .x = x, .y = y};
   return series;
}
