/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_ANTIDERIVATIVE_H
#define BM_BASE_ANTIDERIVATIVE_H

#include "base/clones.h"
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
   double integral[5]; /* the antiderivative's polynomial over the position within the segment, 0 to 1 */
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
   Draw `function` from `first` to `last` into `segments` [n_segments + 1, n_segments at least 4], which stay
   the caller's; the last stands for all that lies beyond.

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

/** Where a frame lies on the curve: the segment of each lane, and how far into it. */
typedef struct {
   int32_t segment[2];
   BmFrame fraction;
} BmCurvePlace;

/** One frame in, the antialiased curve out; `place` tells where it was. Real-time: yes. */
BM_INLINE BmFrame bm_curve_step(const BmCurve* self, BmCurveMemory* memory, BmFrame x, BmCurvePlace* place)
{
   const BmFrame zero = {0.0, 0.0};
   BmFrame t = (x - self->first) * self->per_unit;
   t = bm_frame_min(bm_frame_max(t, zero), bm_frame_both(self->n_segments));
   place->segment[0] = (int32_t)t[0];
   place->segment[1] = (int32_t)t[1];
   const BmCurveSegment* l = &self->segments[place->segment[0]];
   const BmCurveSegment* r = &self->segments[place->segment[1]];
   const BmFrame f = t - (BmFrame){(double)place->segment[0], (double)place->segment[1]};
   place->fraction = f;
   const BmFrame c0 = {l->integral[0], r->integral[0]};
   const BmFrame c1 = {l->integral[1], r->integral[1]};
   const BmFrame c2 = {l->integral[2], r->integral[2]};
   const BmFrame c3 = {l->integral[3], r->integral[3]};
   const BmFrame c4 = {l->integral[4], r->integral[4]};
   const BmFrame integral = c0 + f * (c1 + f * (c2 + f * (c3 + f * c4)));
   const BmFrame step = t - memory->position;
   /* Where the input moves less than a thousandth of a segment the quotient would lose digits; the curve
      itself in the middle of the step is then right to third order. */
   const BmFrame m = f - 0.5 * step;
   const BmFrame middle = c1 + m * (2.0 * c2 + m * (3.0 * c3 + m * (4.0 * c4)));
   const BmFrameMask is_small = bm_frame_abs(step) < 1e-3;
   const BmFrame mean = (integral - memory->integral) / bm_frame_select(is_small, bm_frame_both(1.0), step);
   memory->position = t;
   memory->integral = integral;
   return bm_frame_select(is_small, middle, mean);
}

#endif
