/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_STATIC_CURVE_H
#define BM_DYNAMICS_STATIC_CURVE_H

#include "base/clones.h"

/**
   The static curve of a compressor with a soft knee.

   Source: Giannoulis, Massberg and Reiss, "Digital dynamic range compressor design: a tutorial and analysis",
   JAES 60(6), 2012, equation 4. Levels are logarithmic, in any one unit.
*/
typedef struct {
   double threshold;
   double knee;  /* width, > 0 */
   double slope; /* 1 - 1/ratio, 0 to 1 */
} BmStaticCurve;

/** How far a level lies above the knee's beginning. */
BM_INLINE double bm_static_curve_above(const BmStaticCurve* self, double level)
{
   const double above = level - (self->threshold - 0.5 * self->knee);
   return above > 0.0 ? above : 0.0;
}

/** How far a level is reduced (>= 0): input level minus output level. */
BM_INLINE double bm_static_curve_reduction(const BmStaticCurve* self, double level)
{
   const double above = bm_static_curve_above(self, level);
   const double in_knee = above < self->knee ? above : self->knee;
   return self->slope * (in_knee * in_knee * (0.5 / self->knee) + (above - in_knee));
}

/** The curve's local slope d(reduction)/d(level), 0 to `slope`. */
BM_INLINE double bm_static_curve_slope(const BmStaticCurve* self, double level)
{
   const double above = bm_static_curve_above(self, level);
   return (above < self->knee ? above : self->knee) * (self->slope / self->knee);
}

#endif
