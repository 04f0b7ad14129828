/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_FET_COMPRESSOR_H
#define BM_DYNAMICS_FET_COMPRESSOR_H

#include "base/frame.h"
#include "base/glide.h"
#include "base/status.h"
#include "dynamics/reduction_meter.h"
#include "dynamics/sidechain_cut.h"
#include "dynamics/static_curve.h"
#include "dynamics/two_qualities.h"

#include <stdbool.h>
#include <stdint.h>

/** From this ratio on the compressor limits. */
#define BM_FET_COMPRESSOR_LIMIT_RATIO 100.0

typedef struct {
   double threshold_db; /**< peak level where the knee is centred, dBFS */
   double ratio;        /**< 2 to 20, or BM_FET_COMPRESSOR_LIMIT_RATIO; the knee is 24 dB / ratio wide */
   double attack_ms;    /**< 0.02 to 0.8: time constant of the reduction in dB, loop closed, above the knee */
   double release_ms;   /**< 50 to 1100: time constant of the reduction in dB */
   double makeup_db;    /**< -12 to 24 */
   double sidechain_low_cut_hz; /**< 20 to 500: corner of what the detector does not hear below */
   double link; /**< 0: each channel for itself .. 1: both follow the one that is reduced more */
   BmQuality quality;
} BmFetCompressorParams;

/** What moves from frame to frame. Levels in units of log2. */
typedef struct {
   BmStaticCurve curve;
   double one_over_ratio;
   double makeup_lin;
   double link;
} BmFetControls;

/** The circuit at one rate. Private to BmFetCompressor. */
typedef struct {
   struct {
      double period_s;
   } cfg;
   struct {
      double attack_rate; /* per frame at the high rate */
      double release_rate;
   } coef;
   struct {
      BmFrame reduction; /* charge of the gate capacitors, log2 units */
      BmFrame wanted_1;  /* what the detector asked for in the last frame */
      BmFrame wanted_2;  /* and in the one before */
      BmFrame most;      /* applied, linked, since the meter's last period */
   } mem;
   BmSidechainCut cut;
} BmFetCore;

/**
   A feedback compressor whose gain is a field-effect transistor used as a resistor: fast enough to follow the
   waveform, and percussive.

   Physics kept:
   - The FET is the lower leg of a non-inverting amplifier, in series with a resistor: the amplifier's gain
   falls as the gate turns the channel off. Its square-law channel, i = beta (u v - v^2/2), with the drain fed
   back to the gate so that a part of the square term is cancelled (Horowitz and Hill, "The Art of
   Electronics", "JFETs as variable resistors"; from memory), leaves a second harmonic; the electrons'
   velocity saturates, v / sqrt(1 + (v/v_c)^2) (Caughey and Thomas, Proc. IEEE 55, 1967, with their exponent 2
   for electrons; from memory), which leaves a third. Both rise with level, and with reduction, because the
   series resistor then takes less of the voltage.
   - The detector listens to the output. A diode charges the gate's capacitor, a resistor discharges it.
   - The charge is logarithmic: reduction in dB moves exponentially. Attack slows down inside the knee, where
     the loop gain is lower, by as much as the ratio, as in any feedback loop.

   Left out: the capacitor's and diode's own curves (the law between detector and gain is the published static
   curve instead), temperature, noise, the amplifiers around it, and what the channel's distortion adds to
   the detector's reading.

   The loop without delay: the detector hears output = gain times low-cut input, so the level it will read
   plus the reduction is the level of the low-cut input, whatever the gain. The law from detector to gain is
   evaluated there in closed form, and the charge takes the exact exponential step towards it. No unit delay,
   no iteration, and the curve is the same at every rate. (The low cut is taken before the gain for the
   detector, not behind it: a gain that moves within microseconds makes highs of its own, which a low cut in
   the loop would hear as signal; measured, 37 dB of reduction where 15 were due.)

   Constants: amounts of distortion, knee width, 40 dB of greatest reduction are common practice or our own
   choice, no source.

   Runs oversampled, twice (live) or four times (render) at 48 kHz. Detector and charge in double precision,
   the gain stage in single, as the filters around it.
*/
typedef struct {
   BmTwoQualities qualities;
   BmFetCore core[2]; /* by BmQuality */
   BmGlide threshold;
   BmGlide one_over_ratio;
   BmGlide makeup_lin;
   BmGlide link;
   BmReductionMeter meter;
   BmFetControls controls[BM_OVERSAMPLE_BLOCK_FRAMES];
   bool controls_rest; /* then only the first counts */
} BmFetCompressor;

/** Set up. Errors: BM_BAD_RATE. */
BmStatus bm_fet_compressor_init(BmFetCompressor* self, double sample_rate_hz);

void bm_fet_compressor_set(BmFetCompressor* self, const BmFetCompressorParams* params);

/** Compress [n_frames]; `out` may be `in`. Real-time: yes. */
void bm_fet_compressor_process(BmFetCompressor* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

void bm_fet_compressor_reset(BmFetCompressor* self);

uint32_t bm_fet_compressor_latency_frames(const BmFetCompressor* self);

/**
   How much these settings raise a plucked take that stands `level_lin` over nominal level, -18 dBFS, linear,
   so far as that can be known before it is heard: the makeup, exactly, and the reduction within some 4 dB.
*/
double bm_fet_compressor_nominal_gain_lin(const BmFetCompressorParams* params, double level_lin);

/** Greatest reduction of either channel in the latest whole millisecond, dB, >= 0. */
double bm_fet_compressor_reduction_db(const BmFetCompressor* self);

#endif
