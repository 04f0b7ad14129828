/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_ANTIDERIVATIVE_H
#define BM_BASE_ANTIDERIVATIVE_H

#include "base/frame.h"

#include <stdint.h>

/**
   A curve that distorts without folding back as much: first-order antiderivative antialiasing.

   Each frame gives the curve's mean between the last input and this one, (F(x1) - F(x0)) / (x1 - x0) with F
   its antiderivative: J. Parker, V. Zavalishin, E. Le Bivic, "Reducing the aliasing of nonlinear waveshaping
   using continuous-time convolution", DAFx-16; S. Bilbao, F. Esqueda, J. Parker, V. Valimaki, "Antiderivative
   antialiasing for memoryless nonlinearities", IEEE Signal Process. Lett. 24 (2017). Delay: half a frame; a
   linear curve's response is cos(w / 2).

   Any curve will do: it is held as a cubic spline, whose antiderivative is exact, so nothing is lost where
   the input moves little. Outside its range the curve keeps its last value.
*/
typedef struct {
   double value[4]; /* of the position within the segment, 0 to 1 */
   double integral; /* up to the segment, in segments */
} BmCurveSegment;

typedef struct {
   const BmCurveSegment* segments;
   double first;
   double per_unit; /* segments in a unit of x */
   double n_segments;
} BmCurve;

/** What one stream through a curve remembers. */
typedef struct {
   BmFrame position;
   BmFrame integral;
} BmCurveMemory;

typedef double (*BmCurveFunction)(double x, const void* parameters);

/**
   Draw `function` from `first` to `last` into `segments` [n_segments, at least 4], which stays the caller's.

   For a smooth function the error falls with the fourth power of the segments' length.
*/
void bm_curve_init(BmCurve* self, BmCurveSegment* segments, uint32_t n_segments, double first, double last,
                   BmCurveFunction function, const void* parameters);

/** The curve itself. */
double bm_curve_at(const BmCurve* self, double x);

/** The curve's slope. */
double bm_curve_slope(const BmCurve* self, double x);

/** Begin as if `x` had been put in forever. */
void bm_curve_settle(const BmCurve* self, BmCurveMemory* memory, BmFrame x);

/** One frame in, the antialiased curve out. Real-time: yes. */
static inline BmFrame bm_curve_step(const BmCurve* self, BmCurveMemory* memory, BmFrame x)
{
   const BmFrame zero = {0.0, 0.0};
   BmFrame t = (x - self->first) * self->per_unit;
   t = bm_frame_min(bm_frame_max(t, zero), bm_frame_both(self->n_segments));
   const BmFrame inside = bm_frame_min(t, bm_frame_both(self->n_segments - 1.0));
   const int32_t left = (int32_t)inside[0];
   const int32_t right = (int32_t)inside[1];
   const BmCurveSegment* l = &self->segments[left];
   const BmCurveSegment* r = &self->segments[right];
   const BmFrame f = t - (BmFrame){(double)left, (double)right};
   const BmFrame v0 = {l->value[0], r->value[0]};
   const BmFrame v1 = {l->value[1], r->value[1]};
   const BmFrame v2 = {l->value[2], r->value[2]};
   const BmFrame v3 = {l->value[3], r->value[3]};
   const BmFrame before = {l->integral, r->integral};
   const BmFrame integral = before + f * (v0 + f * (0.5 * v1 + f * ((1.0 / 3.0) * v2 + 0.25 * f * v3)));
   const BmFrame step = t - memory->position;
   /* Where the input moves little the quotient would lose digits; the spline's Taylor series has them all. */
   const BmFrame value = v0 + f * (v1 + f * (v2 + f * v3));
   const BmFrame slope = v1 + f * (2.0 * v2 + 3.0 * f * v3);
   const BmFrame bend = v2 + 3.0 * f * v3;
   const BmFrame near = value - step * (0.5 * slope - step * ((1.0 / 3.0) * bend - 0.25 * step * v3));
   const BmFrameMask is_near = bm_frame_abs(step) < 1.0 / 64.0;
   const BmFrame far = (integral - memory->integral) / bm_frame_select(is_near, bm_frame_both(1.0), step);
   memory->position = t;
   memory->integral = integral;
   return bm_frame_select(is_near, near, far);
}

#endif
