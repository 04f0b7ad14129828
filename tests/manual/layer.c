/* SPDX-License-Identifier: ISC */
#include "layer.h"

#include "saturation/hysteresis.h"
#include "saturation/tape.h"

#include <math.h>

#define PI 3.14159265358979323846

enum { STEPS_A_PERIOD = 400, N_PERIODS = 6 };
#define TONE_HZ 1000.0

/* The last of some periods of a sine; coercive field where the magnetisation passes zero on its way down. */
static double add_loop(BmFigures* figures, BmPlot* plot, const char* label, BmPlotTone tone, double bias_a_m,
                       double amplitude_a_m)
{
   BmHysteresis layer;
   bm_hysteresis_init(&layer, TONE_HZ * STEPS_A_PERIOD);
   bm_hysteresis_set_bias(&layer, bias_a_m);
   double* field = bm_figures_doubles(figures, STEPS_A_PERIOD + 1u);
   double* magnetisation = bm_figures_doubles(figures, STEPS_A_PERIOD + 1u);
   double coercive = 0.0;
   for (uint32_t n = 0; n <= N_PERIODS * STEPS_A_PERIOD; ++n) {
      const uint32_t at = n % STEPS_A_PERIOD;
      BmFrame frame = bm_frame_both(amplitude_a_m * sin(2.0 * PI * at / STEPS_A_PERIOD));
      const double field_ka_m = 1e-3 * frame[0];
      bm_hysteresis_process(&layer, &frame, &frame, 1);
      const double now_ka_m = 1e-3 * frame[0];
      if (at && magnetisation[at - 1] > 0.0 && now_ka_m <= 0.0) {
         const double share = magnetisation[at - 1] / (magnetisation[at - 1] - now_ka_m);
         coercive = fabs(field[at - 1] + share * (field_ka_m - field[at - 1]));
      }
      field[at] = field_ka_m;
      magnetisation[at] = now_ka_m;
   }
   field[STEPS_A_PERIOD] = field[0];
   magnetisation[STEPS_A_PERIOD] = magnetisation[0];
   bm_figures_add_series(plot, label, tone, field, magnetisation, STEPS_A_PERIOD + 1u);
   return coercive;
}

void bm_manual_add_layer(BmFigures* figures)
{
   BmPlot* plot = bm_figures_add(figures, "The layer's hysteresis", NULL);
   if (!plot) {
      return;
   }
   plot->is_square = true;
   plot->x = (BmPlotAxis){.label = "Field H, kA/m", .min = -100.0, .max = 100.0};
   plot->y = (BmPlotAxis){.label = "Magnetisation M, kA/m", .min = -350.0, .max = 350.0};
   const double wide = add_loop(figures, plot, "No bias, 100 kA/m", BM_TONE_BEFORE, 0.0, 100e3);
   add_loop(figures, plot, "No bias, 50 kA/m", BM_TONE_EXTRA, 0.0, 50e3);
   add_loop(figures, plot, "No bias, 25 kA/m", BM_TONE_QUIET, 0.0, 25e3);
   const double biased =
      add_loop(figures, plot, "Nominal bias", BM_TONE_AFTER, BM_TAPE_NOMINAL_BIAS_A_M, 100e3);
   plot->description = bm_figures_text(figures,
                                       "The Jiles-Atherton layer alone, outside the machine, under a 1 kHz "
                                       "field. Without bias it keeps what it was given: the "
                                       "largest loop crosses zero at %.1f kA/m. The bias shakes it loose and "
                                       "leaves the curve in its middle, crossing at %.2f. "
                                       "Flux density is B = µ0 (H + M): 350 kA/m of M are 0.44 T.",
                                       wide, biased);
}
