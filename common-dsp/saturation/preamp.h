/* SPDX-License-Identifier: ISC */
#ifndef BM_SATURATION_PREAMP_H
#define BM_SATURATION_PREAMP_H

#include "base/frame.h"
#include "base/glide.h"
#include "base/oversample.h"
#include "base/status.h"
#include "filters/band_eq.h"
#include "saturation/transformer.h"
#include "saturation/tube_stage.h"

#include <stdbool.h>
#include <stdint.h>

/**
   A microphone preamplifier for takes that are clean to a fault: gain, a class-A triode stage, a two-band
   tone section, an output transformer.

   The stage (saturation/tube_stage.h) bends one way more than the other: at -18 dBFS behind the gain 0.45 %
   second harmonic, rising 1 dB a dB, and a third that rises 2 dB a dB. The transformer
   (saturation/transformer.h) adds a third harmonic where the take is low and loud. Latency as in
   saturation/tube_stage.h.
*/
typedef struct {
   double gain_db;      /* 0 .. 40 */
   bool pad;            /* -20 dB in front */
   bool polarity;       /* turned over */
   double low_gain_db;  /* -12 .. 12, shelf at 120 Hz */
   double high_gain_db; /* -12 .. 12, shelf at 6 kHz */
   BmQuality quality;   /* a change cross-fades over about 0.2 s */
} BmPreampParams;

typedef struct {
   BmGlide gain_lin; /* negative: polarity turned over */
   BmTubeStage stage;
   BmBandEq tone;
   BmTransformer transformer;
} BmPreamp;

/** Set up; takes about 2 ms. Errors: BM_BAD_RATE. */
BmStatus bm_preamp_init(BmPreamp* self, double sample_rate_hz);

/** Set all controls; the first time after init or reset at once, then gliding. Real-time: yes. */
void bm_preamp_set(BmPreamp* self, const BmPreampParams* params);

/**
   How much these settings raise a take that stands `level_lin` over nominal level, -18 dBFS, linear. All of
   the gain while the stage bends little; beyond, what is measured of picked and strummed takes, within 2 dB.
   Tone left out.
*/
double bm_preamp_nominal_gain_lin(const BmPreampParams* params, double level_lin);

/** Process [n_frames]; `out` may be `in`. Real-time: yes. */
void bm_preamp_process(BmPreamp* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

/** Forget the sound; parameters stay. */
void bm_preamp_reset(BmPreamp* self);

/** The same at every quality. */
uint32_t bm_preamp_latency_frames(const BmPreamp* self);

#endif
