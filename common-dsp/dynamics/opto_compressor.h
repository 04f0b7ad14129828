/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_OPTO_COMPRESSOR_H
#define BM_DYNAMICS_OPTO_COMPRESSOR_H

#include "base/fade.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/status.h"
#include "dynamics/reduction_meter.h"
#include "dynamics/sidechain_cut.h"

#include <stdbool.h>
#include <stdint.h>

typedef struct {
   double threshold_db;         /**< peak level that is reduced by 2.8 dB (compress), dBFS */
   bool limit;                  /**< the steeper law; a change cross-fades */
   double emphasis;             /**< 0: the detector hears all alike .. 1: highs up to 24 dB louder */
   bool release_is_set;         /**< false: the cell's own memory; a change cross-fades */
   double release_ms;           /**< time constant of the cell's conductance when set by hand */
   double makeup_db;            /**< -12 to 24 */
   double sidechain_low_cut_hz; /**< 20 to 500: corner of what the detector does not hear below */
   double link;                 /**< 0: each channel's lamp for itself .. 1: both as bright as the brighter */
} BmOptoCompressorParams;

/** What moves from frame to frame. */
typedef struct {
   double drive; /* 1 / threshold */
   double emphasis_gain;
   double makeup_lin;
   double link;
   double limit;   /* 0 to 1 */
   double by_hand; /* how far the release is set, 0 to 1 */
} BmOptoControls;

typedef struct {
   BmFrame emphasis_low;
   BmFrame asked; /* of the lamp, in the frame before */
   BmFrame light;
   BmFrame carriers; /* = conductance n */
   BmFrame fast_traps;
   BmFrame slow_traps;
} BmOptoMemory;

/**
   A feedback compressor whose gain is a lamp shining on a photo-resistor: smooth, with a release that
   remembers.

   Physics kept:
   - The divider: a series resistor and the cell across the output, gain 1/(1 + n), n the cell's conductance.
   - The lamp: its driver hears the output (with treble emphasis), full-wave, and saturates; light lags by one
     time constant. In steady state the conductance it asks for is n = (y/threshold)^3 for a sine of peak y,
   so x/y = 1 + (y/threshold)^3: the ratio grows with level, 2.5 at 6 dB of reduction, 3 at 10, towards 4. The
     limiting law has the ninth power.
   - The cell: rate equations of a photoconductor with traps (Rose, "Concepts in photoconductivity and allied
     problems", 1963; from memory). Carriers n recombine; two kinds of traps m catch them and let them go
   again: dn/dt = (light - n)/t0 - dm1/dt - dm2/dt,   dm/dt = c n (M - m) - m/t. Traps fill while there is
   light, so that the conductance falls quickly at first and then waits for the traps to empty: the longer for
   a longer and brighter exposure, until they are full. In steady state they cancel out, so the curve does not
   depend on them.

   Left out: temperature, the cell's exponent (light to conductance) as a thing apart from the driver's, its
   own small distortion, spread between cells.

   The feedback loop has no delay-free path: the gain follows from the present state of the cell, an
   integrator, which is then moved by the rate equations over one frame. The lamp hears what it is asked for
   one frame later. The equilibrium does not depend on the step, and the steps are short (8 kHz: 0.125 ms)
   against the shortest time constant, 18 ms. Low cut and emphasis are taken before the gain, or they would go
   on ringing with what came in before an attack (measured on a low note: 2 dB too much).

   Constants: found by a search for an attack of about 10 ms, half of the reduction let go in 40 to 80 ms, the
   rest in 0.5 to 5 s (common practice, no source). They belong to no real cell.
*/
typedef struct {
   struct {
      double period_s;
   } cfg;
   struct {
      double lamp, recombination, catch_fast, catch_slow, free_fast, free_slow; /* per frame */
      double release;
      double emphasis_pole;
   } coef;
   BmOptoMemory mem;
   BmSidechainCut cut;
   BmGlide drive; /* 1 / threshold */
   BmGlide emphasis_gain;
   BmGlide makeup_lin;
   BmGlide link;
   BmFade limit;
   BmFade release_is_set;
   BmReductionMeter meter;
} BmOptoCompressor;

/** Set up. Errors: BM_BAD_RATE. */
BmStatus bm_opto_compressor_init(BmOptoCompressor* self, double sample_rate_hz);

void bm_opto_compressor_set(BmOptoCompressor* self, const BmOptoCompressorParams* params);

/** Compress [n_frames]; `out` may be `in`. Real-time: yes. Latency: none. */
void bm_opto_compressor_process(BmOptoCompressor* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

void bm_opto_compressor_reset(BmOptoCompressor* self);

/**
   How much these settings raise a plucked take that stands `level_lin` over nominal level, -18 dBFS, linear,
   so far as that can be known before it is heard: the makeup, exactly, and the reduction within some 4 dB.
*/
double bm_opto_compressor_nominal_gain_lin(const BmOptoCompressorParams* params, double level_lin);

/** Reduction of the channel reduced more, at the end of the latest whole millisecond, dB, >= 0. */
double bm_opto_compressor_reduction_db(const BmOptoCompressor* self);

#endif
