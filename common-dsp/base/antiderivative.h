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
typedef struct __attribute__((aligned(16))) {
   double integral[5]; /* the antiderivative's polynomial over the position within the segment, 0 to 1 */
   double along;       /* a straight line that the caller may have read as well */
   double along_rise;
   double unused; /* whole vectors */
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

/** Where an input lies, in segments from the curve's beginning; what lies beyond an end is brought to it. */
BM_INLINE BmFrame bm_curve_position(const BmCurve* self, BmFrame x)
{
   const BmFrame t = (x - self->first) * self->per_unit;
   return bm_frame_min(bm_frame_max(t, bm_frame_both(0.0)), bm_frame_both(self->n_segments));
}

/**
   Two frames' positions in, one after the other, in place the antialiased curve out; `along` takes the
   straight lines' values there. With `n_frames` 1 the second is worth nothing. Real-time: yes.
*/
BM_INLINE void bm_curve_step(const BmCurve* self, BmCurveMemory* memory, BmFramePair* frames,
                             BmFramePair* along, uint32_t n_frames)
{
   const BmFramePair zero = {0.0, 0.0, 0.0, 0.0};
   const BmFramePair t = *frames;
   const BmFramePair step = t - BM_FRAME_PAIR(memory->position, BM_FIRST_OF_PAIR(t));
   /* Where the input moves less than a thousandth of a segment the quotient would lose digits; the curve
      itself in the middle of the step is then right to third order. */
   const BmFramePairBits is_small = step * step < zero + 1e-6;
   const BmFramePair per_step = 1.0 / BM_PAIR_SELECT(is_small, zero + 1.0, step);
   const BmFramePair whole = (t - 0.5) + BM_TO_WHOLE;
   const BmFramePair f = t - (whole - BM_TO_WHOLE);
   const BmFramePairBits segment = (BmFramePairBits)whole & 0xFFFF;
   BmFramePair c[4];
   BmFramePair d[4];
   for (uint32_t lane = 0; lane < 4; ++lane) {
      const BmCurveSegment* s = &self->segments[segment[lane]];
      c[lane] = *(const BmFramePair*)s->integral;
      d[lane] = *(const BmFramePair*)(s->integral + 4);
   }
   bm_turn_rows(c);
   bm_turn_rows(d);
   const BmFramePair f2 = f * f;
   const BmFramePair integral = (c[0] + f * c[1]) + f2 * ((c[2] + f * c[3]) + f2 * d[0]);
   *along = d[1] + d[2] * f;
   const BmFramePair risen = integral - BM_FRAME_PAIR(memory->integral, BM_FIRST_OF_PAIR(integral));
   const BmFramePair m = f - 0.5 * step;
   const BmFramePair middle = (c[1] + m * (2.0 * c[2])) + m * m * (3.0 * c[3] + m * (4.0 * d[0]));
   *frames = BM_PAIR_SELECT(is_small, middle, risen * per_step);
   memory->position = n_frames > 1 ? BM_SECOND_OF_PAIR(t) : BM_FIRST_OF_PAIR(t);
   memory->integral = n_frames > 1 ? BM_SECOND_OF_PAIR(integral) : BM_FIRST_OF_PAIR(integral);
}

#endif
