/* SPDX-License-Identifier: ISC */
#ifndef BM_SATURATION_TUBE_H
#define BM_SATURATION_TUBE_H

#include "base/frame.h"
#include "base/oversample.h"
#include "base/status.h"
#include "saturation/drive.h"
#include "saturation/tube_stage.h"

#include <stdint.h>

/**
   Tube saturation: one triode stage (saturation/triode.h) driven as hard as wanted, its gain taken out.

   At 0 dB drive and bias 0 a sine of -18 dBFS has 1 % second harmonic. Loud passages shift the operating
   point (cathode: about 10 ms; coupling: charged by grid current, let go over 50 ms), so a pluck's first
   instant meets the stage at rest. Latency and delay as in saturation/tube_stage.h.
*/
typedef struct {
   double drive_db; /* -12 .. 24, taken back behind the stage */
   double bias; /* -1 colder, softer, more even .. 0 self-biased .. 1 hotter, odd about the operating point */
   BmQuality quality; /* a change cross-fades over about 0.2 s */
} BmTubeParams;

typedef struct {
   BmTubeStage stage;
   BmDrive drive;
} BmTube;

/** Set up; takes about 0.6 ms. Errors: BM_BAD_RATE. */
BmStatus bm_tube_init(BmTube* self, double sample_rate_hz);

/** Set all controls; the first time after init or reset at once, then gliding. Real-time: yes. */
void bm_tube_set(BmTube* self, const BmTubeParams* params);

/** Process [n_frames]; `out` may be `in`. Real-time: yes. */
void bm_tube_process(BmTube* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

/** Forget the sound; parameters stay. */
void bm_tube_reset(BmTube* self);

/** The same at every quality. */
uint32_t bm_tube_latency_frames(const BmTube* self);

#endif
