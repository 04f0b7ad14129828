/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_REMOTE_CUTOFF_TUBE_H
#define BM_DYNAMICS_REMOTE_CUTOFF_TUBE_H

#include <stdint.h>

#define BM_REMOTE_CUTOFF_TUBE_POINTS 1025

/**
   The plate current of a remote-cutoff tube over its grid voltage, at a fixed plate voltage.

   Koren's law for one section of the grid, I = E^1.5 with E = s ln(1 + exp((v + cut-off)/s)) (N. Koren,
   "Improved vacuum-tube models for SPICE simulations", Glass Audio 8(5), 1996, equations 4 and 5 at constant
   plate voltage; from memory). The grid of a remote-cutoff tube is wound with uneven pitch, which is several
   tubes of different amplification factor in parallel (Langford-Smith, "Radiotron Designer's Handbook",
   chapter 2; from memory): here a close-wound part that is off at -12 V and an open part, a twentieth of the
   current, that reaches to -30 V. Voltages and shares are our own choice and belong to no real tube.

   Tabulated with its slope and read by cubic Hermite interpolation: within 1e-8 of the current at rest.
*/
typedef struct {
   struct {
      double current;
      double slope; /* per table step */
   } point[BM_REMOTE_CUTOFF_TUBE_POINTS];
} BmRemoteCutoffTube;

#define BM_REMOTE_CUTOFF_TUBE_LOW_V (-96.0)
#define BM_REMOTE_CUTOFF_TUBE_STEP_V 0.125

/** Fill the table. */
void bm_remote_cutoff_tube_init(BmRemoteCutoffTube* self);

/** The law itself, without the table; arbitrary units. */
double bm_remote_cutoff_tube_law(double grid_v);

/** Current and slope (per volt) at `grid_v`; outside -96 to +32 V those of the end. */
static inline double bm_remote_cutoff_tube_current(const BmRemoteCutoffTube* self, double grid_v,
                                                   double* slope_per_v)
{
   double position = (grid_v - BM_REMOTE_CUTOFF_TUBE_LOW_V) * (1.0 / BM_REMOTE_CUTOFF_TUBE_STEP_V);
   position = position > 0.0 ? position : 0.0;
   position = position < BM_REMOTE_CUTOFF_TUBE_POINTS - 1 ? position : BM_REMOTE_CUTOFF_TUBE_POINTS - 1;
   uint32_t index = (uint32_t)position;
   index = index < BM_REMOTE_CUTOFF_TUBE_POINTS - 2 ? index : BM_REMOTE_CUTOFF_TUBE_POINTS - 2;
   const double t = position - index;
   const double rise = self->point[index + 1].current - self->point[index].current;
   const double m0 = self->point[index].slope;
   const double m1 = self->point[index + 1].slope;
   const double c2 = 3.0 * rise - 2.0 * m0 - m1;
   const double c3 = m0 + m1 - 2.0 * rise;
   *slope_per_v = (m0 + t * (2.0 * c2 + t * (3.0 * c3))) * (1.0 / BM_REMOTE_CUTOFF_TUBE_STEP_V);
   return self->point[index].current + t * (m0 + t * (c2 + t * c3));
}

#endif
