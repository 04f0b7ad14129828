/* SPDX-License-Identifier: ISC */
#include "base/antiderivative.h"

#include <math.h>

void bm_curve_init(BmCurve* self, BmCurveSegment* segments, uint32_t n_segments, double first, double last,
                   BmCurveFunction function, const void* parameters)
{
   self->segments = segments;
   self->first = first;
   self->per_unit = n_segments / (last - first);
   self->n_segments = n_segments;
   const double length = (last - first) / n_segments;
   const double end = function(last, parameters);
   /* While the spline is found: c[1] value, c[2] right side, then slope, c[3] elimination factor. */
   for (uint32_t i = 0; i < n_segments; ++i) {
      segments[i].integral[1] = function(first + i * length, parameters);
      segments[i].along = 0.0;
      segments[i].along_rise = 0.0;
      segments[i].unused = 0.0;
   }
   /* Slopes that make the second derivative continuous: a tridiagonal system. Those at both ends are the
      function's own. */
   const double reach = 1e-3 * length;
   const double first_slope =
      (function(first + reach, parameters) - segments[0].integral[1]) / reach * length;
   const double last_slope = (end - function(last - reach, parameters)) / reach * length;
   double factor = 0.0;
   double right_side = first_slope;
   for (uint32_t i = 1; i < n_segments; ++i) {
      const double next = i + 1 < n_segments ? segments[i + 1].integral[1] : end;
      const double pivot = 4.0 - factor;
      right_side = (3.0 * (next - segments[i - 1].integral[1]) - right_side) / pivot;
      factor = 1.0 / pivot;
      segments[i].integral[2] = right_side;
      segments[i].integral[3] = factor;
   }
   double next_slope = last_slope;
   double next_value = end;
   for (uint32_t i = n_segments; i-- > 0;) {
      double* c = segments[i].integral;
      const double slope = i ? c[2] - c[3] * next_slope : first_slope;
      const double rise = next_value - c[1];
      c[2] = slope / 2.0;
      c[3] = (3.0 * rise - 2.0 * slope - next_slope) / 3.0;
      c[4] = (slope + next_slope - 2.0 * rise) / 4.0;
      next_slope = slope;
      next_value = c[1];
   }
   segments[n_segments] = (BmCurveSegment){{0.0, end, 0.0, 0.0, 0.0}, 0.0, 0.0, 0.0};
   double integral = 0.0;
   for (uint32_t i = 0; i <= n_segments; ++i) {
      double* c = segments[i].integral;
      c[0] = integral;
      integral += c[1] + c[2] + c[3] + c[4];
   }
}

static const double* find(const BmCurve* self, double x, double* position)
{
   const double t = fmin(fmax((x - self->first) * self->per_unit, 0.0), self->n_segments);
   *position = t - floor(t);
   return self->segments[(uint32_t)t].integral;
}

double bm_curve_at(const BmCurve* self, double x)
{
   double f;
   const double* c = find(self, x, &f);
   return c[1] + f * (2.0 * c[2] + f * (3.0 * c[3] + f * 4.0 * c[4]));
}

double bm_curve_slope(const BmCurve* self, double x)
{
   double f;
   const double* c = find(self, x, &f);
   return self->per_unit * (2.0 * c[2] + f * (6.0 * c[3] + f * 12.0 * c[4]));
}

void bm_curve_settle(const BmCurve* self, BmCurveMemory* memory, BmFrame x)
{
   const BmFrame position = bm_curve_position(self, x);
   BmFramePair frames = BM_FRAME_PAIR(position, position);
   BmFramePair along;
   memory->position = bm_frame_both(0.0);
   memory->integral = bm_frame_both(0.0);
   bm_curve_step(self, memory, &frames, &along, 1);
}
