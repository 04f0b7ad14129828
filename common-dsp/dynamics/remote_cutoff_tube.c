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
   for (uint32_t i = 0; i < BM_REMOTE_CUTOFF_TUBE_POINTS; ++i) {
      const double grid_v = BM_REMOTE_CUTOFF_TUBE_LOW_V + i * BM_REMOTE_CUTOFF_TUBE_STEP_V;
      self->point[i].current = bm_remote_cutoff_tube_law(grid_v);
      self->point[i].slope = slope_per_v(grid_v) * BM_REMOTE_CUTOFF_TUBE_STEP_V;
   }
}
