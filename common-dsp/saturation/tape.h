/* SPDX-License-Identifier: ISC */
#ifndef BM_SATURATION_TAPE_H
#define BM_SATURATION_TAPE_H

#include "base/control_clock.h"
#include "base/delay.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/oversample.h"
#include "base/status.h"
#include "filters/band_eq.h"
#include "saturation/changeover.h"
#include "saturation/drive.h"
#include "saturation/hysteresis.h"
#include "saturation/loss_filter.h"
#include "saturation/tape_machine.h"

#include <stdbool.h>
#include <stdint.h>

/**
   A tape recorder in one pass: record amplifier, magnetic layer, replay.

   In order: drive; at the high rate the record amplifier (flux of IEC 60094-1 times a treble lift against the
   losses, set at nominal bias) and the layer (saturation/hysteresis.h) in a small steady field
   that stands for a magnetised head and gives the second harmonic; back at the sample rate the replay
   amplifier (inverse of the IEC flux) with the losses of saturation/tape_machine.h as one linear-phase
   filter; the contour of the head's finite length at low frequencies, with the cut below it; drive taken
   back, so that what is quiet comes out as loud as it came in.

   Level: a sine of 1 kHz reaches its MOL, 3 % third harmonic (IEC 60094-5), at a peak of BM_TAPE_MOL_DBFS
   with 0 dB drive and nominal bias.

   Bias, as a factor of the nominal one: more of it lowers distortion and takes highs; less of it raises
   distortion and leaves highs brighter than the machine was set up for.

   Kept: hysteresis, saturation before the treble cut, losses, contour, optional speed deviation and hiss.
   Left out: crosstalk, print-through, dropouts, azimuth.
*/
#define BM_TAPE_MOL_DBFS (-9.0)

/* Bias field at a setting of 1: of the order of the layer's coercivity (saturation/hysteresis.h). */
#define BM_TAPE_NOMINAL_BIAS_A_M 20e3

typedef struct {
   double drive_db;       /* -12 .. 24 */
   double bias_lin;       /* 0.5 .. 2, nominal 1 */
   BmTapeSpeed speed;     /* a change cross-fades over about 0.1 s */
   double wander_percent; /* 0 .. 0.3, largest deviation of the speed; delays by up to 3.2 ms, 0: none */
   double wander_rate_hz; /* 0.3 .. 8 */
   double hiss_lin;       /* root mean square of what is heard of it up to 20 kHz, 0: none */
   BmQuality quality;     /* a change cross-fades like speed */
   bool without_losses;   /* an ideal head and tape: no losses, no contour, a low cut at 5 Hz */
} BmTapeParams;

/* No tape strays further than this from its speed, whatever is set or moved. */
#define BM_TAPE_MAX_WANDER_LIN 0.003

#define BM_TAPE_MAX_LATENCY_FRAMES BM_DRIVE_MAX_DELAY_FRAMES
/* Room for 3.2 ms at 16 times 68 kHz, and a block; a power of two. */
#define BM_TAPE_WANDER_FRAMES 4096

/** A frame on its way to the replay head: single precision, as the way back to the sample rate has it. */
typedef float BmTapeFrame __attribute__((vector_size(8)));

/** One recorder at one speed and quality. Private to BmTape. */
typedef struct {
   struct {
      BmTapeSpeed speed;
      BmQuality quality;
      bool without_losses;
      BmTapeMachine machine;
      double sample_rate_hz;
      double high_rate_hz;
   } cfg;
   struct {
      double field_per_input_a_m;
      double output_per_magnetisation;
      double record_direct;
      double record_previous;
      double record_pole;
      BmFrame rest_magnetisation_a_m;
      double hiss_lin; /* white noise in front of replay, per hiss heard */
   } coef;
   BmOversample oversample;
   BmHysteresis hysteresis;
   BmLossFilter losses;
   BmBandEq contour;
   BmDelay pad;
   struct {
      BmFrame record_in;
      BmFrame record_driven;
      BmFrame record_out[2]; /* oldest first */
      BmTapeFrame wander[BM_TAPE_WANDER_FRAMES];
      BmFrame pad[BM_TAPE_MAX_LATENCY_FRAMES];
      uint32_t wander_index;
      double bias_lin; /* what the layer and the losses are set to */
   } mem;
} BmTapePath;

typedef struct {
   struct {
      double sample_rate_hz;
      uint32_t latency_frames;
   } cfg;
   BmOversampleDesign design[2]; /* by quality */
   BmTapePath path[2];
   BmTapeParams params; /* as last set */
   bool is_set;
   bool is_fresh; /* nothing heard since init or reset */
   struct {
      BmChangeover changeover;
      BmControlClock clock;
      BmDrive drive;
      BmGlide bias_lin;
      BmGlide wander_lin;
      BmGlide wander_rate_hz;
      BmGlide hiss_lin;
      double wander_phase[3]; /* cycles */
      double wander_delay_s;
      double wander_slope_s; /* per frame */
      uint64_t noise;
   } mem;
} BmTape;

/** Set up, 1 or 2 channels alike. Errors: BM_BAD_RATE. */
BmStatus bm_tape_init(BmTape* self, double sample_rate_hz);

/** Set all controls; the first time after init or reset at once, then gliding. Real-time: yes. */
void bm_tape_set(BmTape* self, const BmTapeParams* params);

/** Record and replay [n_frames]; `out` may be `in`. Real-time: yes. */
void bm_tape_process(BmTape* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

/** Forget the sound; parameters stay. */
void bm_tape_reset(BmTape* self);

/** The same at every speed and quality; a running wander comes on top. */
uint32_t bm_tape_latency_frames(const BmTape* self);

#endif
