/* SPDX-License-Identifier: ISC */
/* If this fails, the manual draws another tape than the one that sounds. */
#include "unit_test.h"

#include "layer.h"

#include <math.h>

/* The largest of the loop without bias against the Jiles-Atherton equations integrated elsewhere
   (Runge-Kutta, 4000 steps a quarter, with the constants of DAFx-19): at 100 kA/m the peak is 238.7
   kA/m, 89.1 remain at no field, and 20.0 kA/m bring it back to nothing. */
static void the_loops_are_those_of_jiles_and_atherton(void** state)
{
   (void)state;
   BmFigures figures = {.n_plots = 0};
   bm_manual_add_layer(&figures);
   assert_int_equal(figures.n_plots, 1);
   const BmPlotSeries* loop = &figures.plots[0].series[0];
   double highest = 0.0;
   double coercive = 0.0;
   for (uint32_t n = 1; n < loop->n_points; ++n) {
      highest = fmax(highest, loop->y[n]);
      if (loop->y[n - 1] > 0.0 && loop->y[n] <= 0.0) {
         coercive = -loop->x[n];
      }
   }
   const uint32_t half = (loop->n_points - 1) / 2;
   assert_close(highest, 238.7, 2.4);
   assert_close(loop->y[half], 89.1, 0.9);
   assert_close(coercive, 20.0, 1.5); /* a step of the drawing is 1.5 kA/m there */
   for (uint32_t n = 0; n <= half; ++n) {
      assert_close(loop->y[n], -loop->y[n + half], 0.5);
   }
   bm_figures_free(&figures);
}

/* Within its loop, the bias leaves next to nothing at no field: 89.1 kA/m become less than a tenth. */
static void the_bias_erases_what_the_loop_keeps(void** state)
{
   (void)state;
   BmFigures figures = {.n_plots = 0};
   bm_manual_add_layer(&figures);
   const BmPlotSeries* curve = &figures.plots[0].series[3];
   assert_between(curve->y[(curve->n_points - 1) / 2], 0.0, 8.9);
   bm_figures_free(&figures);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_loops_are_those_of_jiles_and_atherton),
      cmocka_unit_test(the_bias_erases_what_the_loop_keeps),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
