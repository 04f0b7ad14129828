/* SPDX-License-Identifier: ISC */
#include "dynamics/remote_cutoff_tube.h"

#include <math.h>

#define SOFTNESS_V 3.0

static const struct {
   double share;
   double cutoff_v;
} sections[] = {{1.0, 12.0}, {0.05, 30.0}};

#define N_SECTIONS (sizeof sections / sizeof *sections)

static double softplus(double z)
{
   return z > 0.0 ? z + log1p(exp(-z)) : log1p(exp(z));
}

double bm_remote_cutoff_tube_law(double grid_v)
{
   double current = 0.0;
   for (uint32_t i = 0; i < N_SECTIONS; ++i) {
      const double e = softplus((grid_v + sections[i].cutoff_v) / SOFTNESS_V);
      current += sections[i].share * e * sqrt(e);
   }
   return current;
}

static double slope_per_v(double grid_v)
{
   double slope = 0.0;
   for (uint32_t i = 0; i < N_SECTIONS; ++i) {
      const double z = (grid_v + sections[i].cutoff_v) / SOFTNESS_V;
      slope += sections[i].share * 1.5 * sqrt(softplus(z)) / (1.0 + exp(-z)) / SOFTNESS_V;
   }
   return slope;
}

void bm_remote_cutoff_tube_init(BmRemoteCutoffTube* self)
{
   for (uint32_t i = 0; i < BM_REMOTE_CUTOFF_TUBE_SEGMENTS; ++i) {
      const double from_v = BM_REMOTE_CUTOFF_TUBE_LOW_V + (i - 0.5) * BM_REMOTE_CUTOFF_TUBE_STEP_V;
      const double to_v = from_v + BM_REMOTE_CUTOFF_TUBE_STEP_V;
      const double from = bm_remote_cutoff_tube_law(from_v);
      const double to = bm_remote_cutoff_tube_law(to_v);
      const double from_slope = slope_per_v(from_v) * BM_REMOTE_CUTOFF_TUBE_STEP_V;
      const double to_slope = slope_per_v(to_v) * BM_REMOTE_CUTOFF_TUBE_STEP_V;
      double* c = self->segment[i].c;
      c[0] = 0.5 * (from + to) + 0.125 * (from_slope - to_slope);
      c[1] = 1.5 * (to - from) - 0.25 * (from_slope + to_slope);
      c[2] = 0.5 * (to_slope - from_slope);
      c[3] = from_slope + to_slope - 2.0 * (to - from);
   }
}
