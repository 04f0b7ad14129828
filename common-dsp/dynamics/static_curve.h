/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_STATIC_CURVE_H
#define BM_DYNAMICS_STATIC_CURVE_H

#include "base/frame.h"

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

/** How far a level is reduced (>= 0): input level minus output level. */
static inline BmFrame bm_static_curve_reduction(const BmStaticCurve* self, BmFrame level)
{
   const BmFrame zero = {0.0, 0.0};
   const BmFrame above = level - (self->threshold - 0.5 * self->knee);
   const BmFrame in_knee = bm_frame_min(bm_frame_max(above, zero), bm_frame_both(self->knee));
   return self->slope * (in_knee * in_knee * (0.5 / self->knee) + (bm_frame_max(above, in_knee) - in_knee));
}

/** The curve's local slope d(reduction)/d(level), 0 to `slope`. */
static inline BmFrame bm_static_curve_slope(const BmStaticCurve* self, BmFrame level)
{
   const BmFrame zero = {0.0, 0.0};
   const BmFrame above = level - (self->threshold - 0.5 * self->knee);
   return bm_frame_min(bm_frame_max(above, zero), bm_frame_both(self->knee)) * (self->slope / self->knee);
}

#endif
