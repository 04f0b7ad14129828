/* SPDX-License-Identifier: ISC */
#ifndef BM_STEREO_HEAD_RESPONSES_H
#define BM_STEREO_HEAD_RESPONSES_H

#include "base/status.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BM_HEAD_RADIUS_M 0.0875 /* Woodworth 1938; reference for all sphere formulas */

/** Length of a minimum-phase response; what a head does takes no longer. */
#define BM_HEAD_RESPONSE_S 0.0035
#define BM_HEAD_TAPS_MAX 1344 /* at BM_RATE_MAX_HZ */

/** A direction to hear something from: x ahead, y left, z up; length 1. */
typedef struct {
   double x, y, z;
} BmDirection;

/** Azimuth from ahead to the left (AES69) and elevation upwards, in degrees. */
BmDirection bm_direction(double azimuth_deg, double elevation_deg);

/** Measured responses of a head, as a file holds them. Linear, any level. */
typedef struct {
   uint32_t n_positions;
   uint32_t n_taps;
   double sample_rate_hz;
   const float* positions; /* [n_positions][3]: azimuth to the left and elevation in degrees, radius in m */
   const float* taps;      /* [n_positions][2][n_taps]: left ear, right ear */
   const float* delays_frames; /* [n_positions][2] more delay than the taps show, or NULL for none */
   bool keep_colour;           /* true: leave the mean colour of all directions in */
} BmMeasuredHead;

/** A direction that was measured, length 1, and its place in the file. */
typedef struct {
   float x, y, z;
   uint32_t position;
} BmHeadDirection;

/**
   A head, ready to place sound around: for each direction and ear a minimum-phase response and, apart from
   it, a delay. Without measurements it is a sphere.

   The mean colour of all directions (diffuse field) is taken out of measured responses unless the caller
   keeps it: it is loudspeaker, ear canal and microphone, alike for both ears. Under 150 Hz the level of 150
   Hz holds, since small loudspeakers measure no bottom and a head is no obstacle there; over 0.45 of the
   file's rate likewise. The diffuse field is -3 dB in each ear.
*/
typedef struct {
   double rate_hz;
   uint32_t n_taps;
   uint32_t n_positions;              /* 0: the sphere */
   double radius_m;                   /* at which it was measured */
   const BmHeadDirection* directions; /* [n_positions] from the lowest to the highest */
   const float* delays_s;             /* [n_positions][2], the least 0 */
   const float* taps;                 /* [n_positions][2][n_taps] */
} BmHeadResponses;

/** What one direction sounds like. */
typedef struct {
   double delays_s[2];
   double taps[2][BM_HEAD_TAPS_MAX]; /* n_taps of the head are used */
} BmHeadResponse;

/** Length of a response at a rate. */
uint32_t bm_head_taps(double sample_rate_hz);

/**
   Be a sphere: shadow and delay after Brown and Duda, "A structural model for binaural sound synthesis", IEEE
   Trans. Speech Audio Proc. 6(5), 1998, eqs. 2 to 5 (from memory); ears at +-90 degrees.
*/
BmStatus bm_head_responses_init_sphere(BmHeadResponses* self, double sample_rate_hz);

/** Bytes to keep a measured head, and to work in while it is read. */
size_t bm_head_responses_bytes(const BmMeasuredHead* measured, double sample_rate_hz);
size_t bm_head_responses_scratch_bytes(const BmMeasuredHead* measured, double sample_rate_hz);

/**
   Take over a measured head at any rate. Not for the real-time thread: about 0.3 ms a position.

   Delay of each ear: where the response correlates best with its own minimum phase (Nam, Abel and Smith, "A
   method for estimating interaural time difference for binaural synthesis", AES 125th Conv. 2008); minimum
   phase by the folded cepstrum (Oppenheim and Schafer, Discrete-Time Signal Processing, ch. 12), which is
   also what changes the rate, in the spectrum.

   @param memory  kept by self, 16-byte aligned.
   @param scratch 16-byte aligned, free again afterwards.
   @return BM_OK, BM_BAD_RATE, or BM_BAD_ARGUMENT where the measured head makes no sense (no positions, taps
   or radius; a number that is not finite; silence).
*/
BmStatus bm_head_responses_init_measured(BmHeadResponses* self, void* memory, void* scratch,
                                         double sample_rate_hz, const BmMeasuredHead* measured);

/**
   Look up a direction, at 1 m or more to any distance: `distance_m` > 0 scales each ear by its own distance,
   1 m is unity.

   Between measured directions the three around it are mixed, minimum phases and delays apart; where there are
   no three (under the lowest ring) the nearest stands in. Real-time: yes, about 1 us, 2 us among 12 000
   directions.
*/
void bm_head_responses_at(const BmHeadResponses* self, BmDirection direction, double distance_m,
                          BmHeadResponse* response);

#endif
