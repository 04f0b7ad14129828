/* SPDX-License-Identifier: ISC */
#ifndef BM_SATURATION_TRIODE_H
#define BM_SATURATION_TRIODE_H

#include "base/antiderivative.h"
#include "base/frame.h"
#include "base/oversample.h"

#include <stdint.h>

/**
   A common-cathode triode stage: source, coupling capacitor, grid, plate load, bypassed cathode resistor.

   Tube: K. Dempwolf, U. Zoelzer, "A physically-motivated triode model for circuit simulations", DAFx-11, eqs.
   for cathode and grid current, with the paper's set RSD-1 of a high-mu twin triode (values from memory).
   Circuit: grid current through the source resistance bends the positive side, cut-off the negative; the
   coupling capacitor is charged by grid current and the cathode capacitor by the mean current, so that loud
   passages shift the operating point, and quiet ones let it return with the capacitors' time constants.

   For a resting cathode the stage has no memory, so its two implicit equations are solved once for a curve of
   plate voltage over grid drive (base/antiderivative.h). What the cathode's movement changes at the plate by
   way of 1/mu is treated as so much less grid drive, which is exact while no grid current flows.

   Kept: both limits, grid current, both memories. Left out: Miller capacitance, heater, noise, supply sag.
*/
typedef struct {
   double supply_v;
   double plate_ohm;
   double cathode_ohm;
   double cathode_farad;
   double source_ohm;
   double coupling_farad;
   double grid_ohm; /* leak, behind the coupling capacitor */
} BmTriodeCircuit;

#define BM_TRIODE_SEGMENTS 1024
#define BM_TRIODE_FIRST_V (-8.0)
#define BM_TRIODE_LAST_V 24.0

/** A circuit's curves. Shared by all that runs through it. */
typedef struct {
   BmTriodeCircuit circuit;
   BmCurve plate_v; /* over grid drive: what the source would bring the grid to, over the cathode, without
                       grid current */
   BmCurveSegment segments[BM_TRIODE_SEGMENTS + 1]; /* along it, the grid's current */
} BmTriode;

/** The stage without a signal. */
typedef struct {
   double drive_v;
   double plate_v;
   double inverse_gain; /* 1 / slope, negative: the stage turns polarity over */
   double cathode_a;
   double grid_a;
} BmTriodeRest;

/** What one stream through a stage remembers. */
typedef struct {
   BmCurveMemory curve;
   BmFrame cathode_segments;  /* the cathode's voltage off rest, as what it moves the grid by on the curve */
   BmFrame coupling_segments; /* the coupling capacitor's */
   BmFrame cathode_a[BM_OVERSAMPLE_MAX_FACTOR]; /* of the frame before, off rest */
   BmFrame grid_a[BM_OVERSAMPLE_MAX_FACTOR];
} BmTriodeMemory;

/** Cathode and grid current in A of the tube alone, from grid and plate voltage over the cathode. */
double bm_triode_cathode_a(double grid_v, double plate_v);
double bm_triode_grid_a(double grid_v);

/** Solve a circuit: about 0.6 ms. */
void bm_triode_init(BmTriode* self, const BmTriodeCircuit* circuit);

/** The grid voltage, negative, at which the circuit biases itself by its cathode resistor. */
double bm_triode_self_bias_v(const BmTriode* self);

/** The stage at rest with a grid drive of `drive_v`. Real-time: yes. */
BmTriodeRest bm_triode_rest(const BmTriode* self, double drive_v);

/** Begin at rest. */
void bm_triode_settle(const BmTriode* self, const BmTriodeRest* rest, BmTriodeMemory* memory);

/**
   [n_frames * factor] steps of `step_s`, `factor` to a frame: source voltage in, the stage's output over its
   small-signal gain out (so: the source voltage again, while it is small). Delay: half a step, and cos(w / 2)
   of it in level.
*/
void bm_triode_process(const BmTriode* self, const BmTriodeRest* rest, BmTriodeMemory* memory, BmFrame* volts,
                       uint32_t n_frames, uint32_t factor, double step_s);

#endif
