/* SPDX-License-Identifier: ISC */
#ifndef BM_SATURATION_TUBE_STAGE_H
#define BM_SATURATION_TUBE_STAGE_H

#include "base/delay.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/oversample.h"
#include "base/status.h"
#include "saturation/changeover.h"
#include "saturation/triode.h"

#include <stdbool.h>
#include <stdint.h>

/**
   A triode stage (saturation/triode.h) at the sample rate: oversampled, its droop made up for, without DC.

   Small signals come out as they went in, volt for volt, from 7 Hz up. Silence gives silence whatever moves.
   Delay: whole frames, the same for both qualities.
*/

#define BM_TUBE_STAGE_MAX_PAD_FRAMES 32

/** One copy at one quality. Private. */
typedef struct {
   BmQuality quality;
   double step_s;
   double correction;
   BmOversample oversample;
   BmTriodeMemory triode;
   BmFrame last[3]; /* before the droop correction, oldest first */
   BmDelay pad;
   BmFrame pad_frames[BM_TUBE_STAGE_MAX_PAD_FRAMES];
} BmTubePath;

typedef struct {
   struct {
      double sample_rate_hz;
      uint32_t latency_frames;
      bool is_set;
   } cfg;
   struct {
      BmTriode triode;
      BmOversampleDesign design[2]; /* by quality */
      double output_leak;           /* of the output capacitor, per frame */
   } coef;
   struct {
      BmTubePath path[2];
      BmQuality quality; /* wanted */
      BmChangeover changeover;
      BmGlide rest_v;
      BmTriodeRest rest;
      BmFrame output_capacitor_v;
      bool is_fresh; /* nothing heard since init or reset */
   } mem;
} BmTubeStage;

/** Set up for a circuit; takes about 0.6 ms. Errors: BM_BAD_RATE. */
BmStatus bm_tube_stage_init(BmTubeStage* self, double sample_rate_hz, const BmTriodeCircuit* circuit);

/** Set the grid drive at rest, -4 to 0 V, and the quality. First at once, then gliding. Real-time: yes. */
void bm_tube_stage_set(BmTubeStage* self, double rest_v, BmQuality quality);

/** Volts in and out [n_frames]; `out` may be `in`. Real-time: yes. */
void bm_tube_stage_process(BmTubeStage* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

void bm_tube_stage_reset(BmTubeStage* self);

uint32_t bm_tube_stage_latency_frames(const BmTubeStage* self);

#endif
