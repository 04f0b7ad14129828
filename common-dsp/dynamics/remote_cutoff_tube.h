/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_REMOTE_CUTOFF_TUBE_H
#define BM_DYNAMICS_REMOTE_CUTOFF_TUBE_H

#include "base/clones.h"

#include <stdint.h>

#define BM_REMOTE_CUTOFF_TUBE_SEGMENTS 1024

/**
   The plate current of a remote-cutoff tube over its grid voltage, at a fixed plate voltage.

   Koren's law for one section of the grid, I = E^1.5 with E = s ln(1 + exp((v + cut-off)/s)) (N. Koren,
   "Improved vacuum-tube models for SPICE simulations", Glass Audio 8(5), 1996, equations 4 and 5 at constant
   plate voltage; from memory). The grid of a remote-cutoff tube is wound with uneven pitch, which is several
   tubes of different amplification factor in parallel (Langford-Smith, "Radiotron Designer's Handbook",
   chapter 2; from memory): here a close-wound part that is off at -12 V and an open part, a twentieth of the
   current, that reaches to -30 V. Voltages and shares are our own choice and belong to no real tube.

   Tabulated as cubics that meet in value and slope: within 1e-8 of the current at rest.
*/
typedef struct {
   struct __attribute__((aligned(16))) {
      double c[4]; /* over the position off the segment's middle, -1/2 to 1/2 */
   } segment[BM_REMOTE_CUTOFF_TUBE_SEGMENTS];
} BmRemoteCutoffTube;

#define BM_REMOTE_CUTOFF_TUBE_LOW_V (-96.0)
#define BM_REMOTE_CUTOFF_TUBE_STEP_V 0.125

/** Fill the table. */
void bm_remote_cutoff_tube_init(BmRemoteCutoffTube* self);

/** The law itself, without the table; arbitrary units. */
double bm_remote_cutoff_tube_law(double grid_v);

/** Current at `grid_v`, -96 to 31 V. */
BM_INLINE double bm_remote_cutoff_tube_current(const BmRemoteCutoffTube* self, double grid_v)
{
   const double position = (grid_v - BM_REMOTE_CUTOFF_TUBE_LOW_V) * (1.0 / BM_REMOTE_CUTOFF_TUBE_STEP_V);
   const int32_t index = (int32_t)(position + 0.5);
   const double t = position - index;
   const double* c = self->segment[index].c;
   return c[0] + t * (c[1] + t * (c[2] + t * c[3]));
}

/** Its slope, per volt. */
BM_INLINE double bm_remote_cutoff_tube_slope_per_v(const BmRemoteCutoffTube* self, double grid_v)
{
   const double position = (grid_v - BM_REMOTE_CUTOFF_TUBE_LOW_V) * (1.0 / BM_REMOTE_CUTOFF_TUBE_STEP_V);
   const int32_t index = (int32_t)(position + 0.5);
   const double t = position - index;
   const double* c = self->segment[index].c;
   return (c[1] + t * (2.0 * c[2] + t * (3.0 * c[3]))) * (1.0 / BM_REMOTE_CUTOFF_TUBE_STEP_V);
}

#endif
