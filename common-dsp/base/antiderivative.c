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
   for (uint32_t i = 0; i < n_segments; ++i) {
      segments[i].value[0] = function(first + i * length, parameters);
   }
   /* Slopes that make the second derivative continuous: a tridiagonal system, forward elimination in value[2]
      (the factor) and value[1] (the right side). The slopes at both ends are the function's own. */
   const double reach = 1e-3 * length;
   const double first_slope = (function(first + reach, parameters) - segments[0].value[0]) / reach * length;
   const double last_slope = (end - function(last - reach, parameters)) / reach * length;
   double factor = 0.0;
   double right_side = first_slope;
   segments[0].value[1] = right_side;
   for (uint32_t i = 1; i < n_segments; ++i) {
      const double next = i + 1 < n_segments ? segments[i + 1].value[0] : end;
      const double pivot = 4.0 - factor;
      right_side = (3.0 * (next - segments[i - 1].value[0]) - right_side) / pivot;
      factor = 1.0 / pivot;
      segments[i].value[1] = right_side;
      segments[i].value[2] = factor;
   }
   double next_slope = last_slope;
   double next_value = end;
   for (uint32_t i = n_segments; i-- > 0;) {
      BmCurveSegment* s = &segments[i];
      const double slope = i ? s->value[1] - s->value[2] * next_slope : first_slope;
      const double rise = next_value - s->value[0];
      s->value[1] = slope;
      s->value[2] = 3.0 * rise - 2.0 * slope - next_slope;
      s->value[3] = slope + next_slope - 2.0 * rise;
      next_slope = slope;
      next_value = s->value[0];
   }
   double integral = 0.0;
   for (uint32_t i = 0; i < n_segments; ++i) {
      const double* v = segments[i].value;
      segments[i].integral = integral;
      integral += v[0] + v[1] / 2.0 + v[2] / 3.0 + v[3] / 4.0;
   }
}

static const BmCurveSegment* find(const BmCurve* self, double x, double* position)
{
   const double t = fmin(fmax((x - self->first) * self->per_unit, 0.0), self->n_segments);
   const double whole = fmin(floor(t), self->n_segments - 1.0);
   *position = t - whole;
   return &self->segments[(uint32_t)whole];
}

double bm_curve_at(const BmCurve* self, double x)
{
   double f;
   const double* v = find(self, x, &f)->value;
   return v[0] + f * (v[1] + f * (v[2] + f * v[3]));
}

double bm_curve_slope(const BmCurve* self, double x)
{
   double f;
   const double* v = find(self, x, &f)->value;
   return self->per_unit * (v[1] + f * (2.0 * v[2] + 3.0 * f * v[3]));
}

void bm_curve_settle(const BmCurve* self, BmCurveMemory* memory, BmFrame x)
{
   memory->position = bm_frame_both(0.0);
   memory->integral = bm_frame_both(0.0);
   (void)bm_curve_step(self, memory, x);
}
