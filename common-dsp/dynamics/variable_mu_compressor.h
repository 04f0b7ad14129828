/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_VARIABLE_MU_COMPRESSOR_H
#define BM_DYNAMICS_VARIABLE_MU_COMPRESSOR_H

#include "base/frame.h"
#include "base/glide.h"
#include "base/status.h"
#include "dynamics/reduction_meter.h"
#include "dynamics/remote_cutoff_tube.h"
#include "dynamics/sidechain_cut.h"
#include "dynamics/two_qualities.h"

#include <stdbool.h>
#include <stdint.h>

typedef struct {
   double threshold_db; /**< peak level where the rectifier begins to conduct, dBFS */
   double attack_ms;    /**< 5 to 100: to 63 % of a reduction of 10 dB, in dB */
   double release_s;    /**< 0.2 to 25: time constant after a sustained level; an eighth of it after a peak */
   double balance;      /**< -1 to 1; 0: both tubes alike, +-1: currents 30 % over and under */
   double makeup_db;    /**< -12 to 24 */
   double sidechain_low_cut_hz; /**< 20 to 500: corner of what the detector does not hear below */
   double link; /**< 0: each channel for itself .. 1: both follow the one that is reduced more */
   BmQuality quality;
} BmVariableMuCompressorParams;

/** What moves from frame to frame. */
typedef struct {
   double one_over_threshold;
   double imbalance;
   double makeup_lin;
   double link;
} BmVariableMuControls;

/** The circuit at one rate. Private to BmVariableMuCompressor. */
typedef struct {
   struct {
      double period_s;
      uint32_t control_frames; /* for which the control voltage is a straight line */
      double per_control_frames;
   } cfg;
   struct {
      double attack, fast_release;      /* per frame */
      double slow_charge, slow_release; /* per control_frames */
      double coupling;
      double scale; /* output for a current, so that the gain at rest is 1 */
   } coef;
   struct {
      BmFrame fast_v;         /* the capacitor on the grids, below rest, at the end of the line */
      BmFrame slow_v;         /* its reservoir */
      BmFrame charge_v;       /* what the capacitor has taken up since the line began */
      BmFrame waiting_v;      /* and in the line before, so that no frame waits for the one before it */
      BmFrame control_v;      /* linked, where the line began */
      BmFrame control_step_v; /* per frame */
      BmFrame rest_current;   /* with that on the grids */
      BmFrame rest_current_step;
      BmFrame slope_per_v; /* of the tubes, where the line ends */
      BmFrame even_low;
      uint32_t position_frames; /* since the line began */
   } mem;
   BmSidechainCut cut;
} BmVariableMuCore;

/**
   A feedback compressor whose gain is the transconductance of a push-pull pair of remote-cutoff tubes: full,
   steady, with a ratio that grows with level.

   Physics kept:
   - The pair: signal to the two grids in opposite phase, control voltage to both alike, output the difference
   of the plate currents: see remote_cutoff_tube.h. The gain falls as the grids go negative; odd harmonics
   rise with the signal on the grids and with reduction, since the tubes are then worked where their curve
   bends more. Even harmonics cancel if the tubes are alike and appear with `balance`.
   - The rectifier: full-wave, delayed (a bias keeps it shut below the threshold), current by Child and
     Langmuir's three-halves power, limited by what its driver can give. With the tubes' law the ratio grows
     from 1.5 to over 8 within 20 dB.
   - Two capacitors: the rectifier charges the one on the grids, from which a reservoir fills slowly. A peak
     leaves the reservoir empty and is let go at an eighth of the release time, a sustained level only as the
     reservoir drains.

   Left out: transformers, plate voltage and its sag, grid current, noise, and the thump of an unbalanced pair
   (the control voltage's own share of the difference).

   The feedback loop has no delay-free path: the gain follows from the charge of the grids' capacitor, an
   integrator. It moves in straight lines of a twelve-thousandth of a second, each by all that the rectifier
   gave in the line before the last: a sixth of a millisecond late, beside 14 ms of the shortest attack's time
   constant. The equilibrium does not depend on it. What the detector's low cut holds is scaled as the gain
   moves, as if it stood before the gain: else it would go on ringing with what came in before an attack
   (measured on a low note: 79 dB of reduction where 33 were due).

   Constants: our own choice, to meet those figures; they belong to no real circuit. Runs oversampled, twice
   (live) or four times (render) at 48 kHz.
*/
typedef struct {
   BmTwoQualities qualities;
   BmVariableMuCore core[2]; /* by BmQuality */
   BmRemoteCutoffTube tube;
   BmGlide one_over_threshold;
   BmGlide imbalance;
   BmGlide makeup_lin;
   BmGlide link;
   BmReductionMeter meter;
   BmVariableMuControls controls[BM_OVERSAMPLE_BLOCK_FRAMES];
   bool controls_rest; /* then only the first counts */
} BmVariableMuCompressor;

/** Set up. Errors: BM_BAD_RATE. */
BmStatus bm_variable_mu_compressor_init(BmVariableMuCompressor* self, double sample_rate_hz);

void bm_variable_mu_compressor_set(BmVariableMuCompressor* self, const BmVariableMuCompressorParams* params);

/** Compress [n_frames]; `out` may be `in`. Real-time: yes. */
void bm_variable_mu_compressor_process(BmVariableMuCompressor* self, const BmFrame* in, BmFrame* out,
                                       uint32_t n_frames);

void bm_variable_mu_compressor_reset(BmVariableMuCompressor* self);

uint32_t bm_variable_mu_compressor_latency_frames(const BmVariableMuCompressor* self);

/**
   How much these settings raise a plucked take that stands `level_lin` over nominal level, -18 dBFS, linear,
   so far as that can be known before it is heard: the makeup, exactly, and the reduction within some 4 dB.
*/
double bm_variable_mu_compressor_nominal_gain_lin(const BmVariableMuCompressorParams* params,
                                                  double level_lin);

/** Reduction of the channel reduced more, at the end of the latest whole millisecond, dB, >= 0. */
double bm_variable_mu_compressor_reduction_db(const BmVariableMuCompressor* self);

#endif
