/* SPDX-License-Identifier: ISC */
#include "saturation/triode.h"

#include <math.h>
#include <string.h>

/* Set RSD-1 of the paper: perveance, exponent and softness of the cathode current, then of the grid current.
 */
static const double mu = 103.2;
static const double cathode_perveance = 2.242e-3;
static const double cathode_exponent = 1.26;
static const double cathode_softness = 3.40;
static const double grid_perveance = 6.177e-4;
static const double grid_exponent = 1.314;
static const double grid_softness = 9.901;
static const double grid_offset_a = 8.025e-8;

/* (log(1 + exp(softness x)) / softness)^exponent and its derivative */
static double soft_power(double x, double softness, double exponent, double* slope)
{
   const double e = softness * x;
   const double soft = (e > 30.0 ? e : log1p(exp(e))) / softness;
   const double rise = e > 30.0 ? 1.0 : 1.0 / (1.0 + exp(-e));
   const double value = pow(soft, exponent);
   *slope = soft > 0.0 ? exponent * value / soft * rise : 0.0;
   return value;
}

double bm_triode_cathode_a(double grid_v, double plate_v)
{
   double slope;
   return cathode_perveance * soft_power(plate_v / mu + grid_v, cathode_softness, cathode_exponent, &slope);
}

double bm_triode_grid_a(double grid_v)
{
   double slope;
   return grid_perveance * soft_power(grid_v, grid_softness, grid_exponent, &slope) + grid_offset_a;
}

/* What the leak leaves of the source's voltage; the source's resistance falls by the same factor. */
static inline double leak_share(const BmTriodeCircuit* circuit)
{
   return circuit->grid_ohm / (circuit->grid_ohm + circuit->source_ohm);
}

/* The grid voltage for a drive: v + R Ig(v) = drive, by Newton's method; the left side is convex and rises,
   so after one step from anywhere the way down is monotonic. */
static double solve_grid_v(const BmTriodeCircuit* circuit, double drive_v, double start_v)
{
   const double source_ohm = circuit->source_ohm * leak_share(circuit);
   double v = start_v;
   for (int i = 0; i < 40; ++i) {
      double slope;
      const double current =
         grid_perveance * soft_power(v, grid_softness, grid_exponent, &slope) + grid_offset_a;
      const double step = (v + source_ohm * current - drive_v) / (1.0 + source_ohm * grid_perveance * slope);
      v -= step;
      if (fabs(step) < 1e-8) { /* what is left is of the order of its square */
         break;
      }
   }
   return v;
}

/* Where one solution was, the next is near. */
typedef struct {
   double grid_v;
   double cathode_a;
} Solution;

typedef struct {
   const BmTriodeCircuit* circuit;
   double cathode_v;
   Solution* last;
} Load;

/* The plate voltage on the load line: Ik = f((V - R (Ik - Ig)) / mu + v); convex and falling, so Newton's way
   up is monotonic after one step. */
static double solve_plate_v(double drive_v, const void* parameters)
{
   const Load* load = (const Load*)parameters;
   const BmTriodeCircuit* circuit = load->circuit;
   const double v = solve_grid_v(circuit, drive_v, load->last->grid_v);
   const double grid_a = bm_triode_grid_a(v);
   const double per_a = circuit->plate_ohm / mu;
   const double open = v + (circuit->supply_v - load->cathode_v) / mu + per_a * grid_a;
   double cathode_a = load->last->cathode_a;
   for (int i = 0; i < 40; ++i) {
      double slope;
      const double f =
         cathode_perveance * soft_power(open - per_a * cathode_a, cathode_softness, cathode_exponent, &slope);
      const double step = (f - cathode_a) / (1.0 + per_a * cathode_perveance * slope);
      cathode_a += step;
      if (fabs(step) < 1e-11) {
         break;
      }
   }
   *load->last = (Solution){v, cathode_a};
   return circuit->supply_v - circuit->plate_ohm * (cathode_a - grid_a);
}

void bm_triode_init(BmTriode* self, const BmTriodeCircuit* circuit)
{
   self->circuit = *circuit;
   /* The cathode's own share of the plate-to-cathode voltage: found by repetition, each round 100 times
    * nearer. */
   Solution last = {0.0, 0.0};
   Load load = {circuit, 0.0, &last};
   for (int round = 0; round < 6; ++round) {
      double low = -8.0;
      double high = 0.0;
      for (int i = 0; i < 48; ++i) {
         const double middle = 0.5 * (low + high);
         const double plate_a = (circuit->supply_v - solve_plate_v(middle, &load)) / circuit->plate_ohm;
         *(plate_a * circuit->cathode_ohm > -middle ? &high : &low) = middle;
      }
      load.cathode_v = -0.5 * (low + high);
   }
   bm_curve_init(&self->plate_v, self->segments, BM_TRIODE_SEGMENTS, BM_TRIODE_FIRST_V, BM_TRIODE_LAST_V,
                 solve_plate_v, &load);
   /* Straight lines between the knots: it only charges a capacitor. */
   double grid_v = BM_TRIODE_FIRST_V;
   for (uint32_t i = 0; i <= BM_TRIODE_SEGMENTS; ++i) {
      const double drive_v = BM_TRIODE_FIRST_V + i / self->plate_v.per_unit;
      grid_v = solve_grid_v(circuit, drive_v, grid_v);
      self->segments[i].along = (drive_v - grid_v) / (circuit->source_ohm * leak_share(circuit));
      if (i > 0) {
         self->segments[i - 1].along_rise = self->segments[i].along - self->segments[i - 1].along;
      }
   }
}

static inline double plate_current(const BmTriode* self, double plate_v)
{
   return (self->circuit.supply_v - plate_v) / self->circuit.plate_ohm;
}

double bm_triode_self_bias_v(const BmTriode* self)
{
   double low = BM_TRIODE_FIRST_V;
   double high = 0.0;
   for (int i = 0; i < 48; ++i) {
      const double middle = 0.5 * (low + high);
      const double plate_a = plate_current(self, bm_curve_at(&self->plate_v, middle));
      *(plate_a * self->circuit.cathode_ohm > -middle ? &high : &low) = middle;
   }
   return 0.5 * (low + high);
}

BmTriodeRest bm_triode_rest(const BmTriode* self, double drive_v)
{
   const double position = (drive_v - BM_TRIODE_FIRST_V) * self->plate_v.per_unit;
   const int32_t index = (int32_t)position;
   const BmCurveSegment* segment = &self->segments[index];
   const double plate_v = bm_curve_at(&self->plate_v, drive_v);
   const double grid_a = segment->along + segment->along_rise * (position - index);
   return (BmTriodeRest){
      .drive_v = drive_v,
      .plate_v = plate_v,
      .inverse_gain = 1.0 / (bm_curve_slope(&self->plate_v, drive_v) * leak_share(&self->circuit)),
      .cathode_a = plate_current(self, plate_v) + grid_a,
      .grid_a = grid_a,
   };
}

void bm_triode_settle(const BmTriode* self, const BmTriodeRest* rest, BmTriodeMemory* memory)
{
   memset(memory, 0, sizeof *memory);
   bm_curve_settle(&self->plate_v, &memory->curve, bm_frame_both(rest->drive_v));
}

/* `n_together` is 2 or, if a frame has but one step, 1. */
BM_INLINE void process(const BmTriode* self, const BmTriodeRest* rest, BmTriodeMemory* memory, BmFrame* volts,
                       uint32_t n_steps, uint32_t factor, double step_s, uint32_t n_together)
{
   const BmTriodeCircuit* circuit = &self->circuit;
   const BmCurve plate_curve = self->plate_v;
   const double share = leak_share(circuit);
   /* What moves the grid is kept in segments of the curve, so that little stands between a current and the
      next place on it. */
   const double cathode_segments = (1.0 + 1.0 / mu) * plate_curve.per_unit;
   const double source_segments = share * plate_curve.per_unit;
   const double rest_segments = (rest->drive_v - plate_curve.first) * plate_curve.per_unit;
   const BmFrame last_segment = bm_frame_both(plate_curve.n_segments);
   const double cathode_rise = cathode_segments * step_s / circuit->cathode_farad;
   const double cathode_kept = 1.0 - step_s / (circuit->cathode_farad * circuit->cathode_ohm);
   const double coupling_rise = source_segments * share * step_s / circuit->coupling_farad;
   const double coupling_leak = share * step_s / (circuit->coupling_farad * circuit->grid_ohm);
   const double coupling_kept = 1.0 - coupling_leak;
   const double plate_siemens = 1.0 / circuit->plate_ohm;
   const double rest_a = rest->plate_v * plate_siemens - rest->grid_a;
   const double rest_out_v = rest->plate_v * rest->inverse_gain;
   const double rest_grid_a = rest->grid_a;
   const double inverse_gain = rest->inverse_gain;
   const BmFrame zero = {0.0, 0.0};
   BmCurveMemory curve = memory->curve;
   BmFrame cathode = memory->cathode_segments;
   BmFrame coupling = memory->coupling_segments;
   for (uint32_t n = 0; n < n_steps; n += n_together) {
      /* The capacitors are charged by the currents of a frame ago: nothing beside their time constants, and
         it lets the steps of a frame run side by side. */
      BmFrame* const cathode_a = memory->cathode_a + (n & (factor - 1));
      BmFrame* const grid_a = memory->grid_a + (n & (factor - 1));
      BmFrame position[2];
      for (uint32_t k = 0; k < n_together; ++k) {
         const BmFrame source = source_segments * volts[n + k];
         cathode = cathode_kept * cathode + cathode_rise * cathode_a[k];
         coupling = coupling_kept * coupling + (coupling_rise * grid_a[k] + coupling_leak * source);
         const BmFrame at = (rest_segments + source) - (coupling + cathode);
         position[k] = bm_frame_min(bm_frame_max(at, zero), last_segment);
      }
      BmFramePair plate_v = BM_FRAME_PAIR(position[0], position[n_together - 1]);
      BmFramePair current_a;
      bm_curve_step(&plate_curve, &curve, &plate_v, &current_a, n_together);
      const BmFramePair total_a = (current_a + rest_a) - plate_v * plate_siemens;
      const BmFramePair out_v = plate_v * inverse_gain - rest_out_v;
      current_a -= rest_grid_a;
      if (n_together == 2) {
         *(BmFramePair*)grid_a = current_a;
         *(BmFramePair*)cathode_a = total_a;
         *(BmFramePair*)(volts + n) = out_v;
      } else {
         grid_a[0] = BM_FIRST_OF_PAIR(current_a);
         cathode_a[0] = BM_FIRST_OF_PAIR(total_a);
         volts[n] = BM_FIRST_OF_PAIR(out_v);
      }
   }
   memory->curve = curve;
   memory->cathode_segments = cathode;
   memory->coupling_segments = coupling;
}

BM_CLONES void bm_triode_process(const BmTriode* self, const BmTriodeRest* rest, BmTriodeMemory* memory,
                                 BmFrame* volts, uint32_t n_frames, uint32_t factor, double step_s)
{
   if (factor > 1) {
      process(self, rest, memory, volts, n_frames * factor, factor, step_s, 2);
   } else {
      process(self, rest, memory, volts, n_frames, factor, step_s, 1);
   }
}
