/* SPDX-License-Identifier: ISC */
#ifndef BM_TAKES_BODY_H
#define BM_TAKES_BODY_H

#include "instrument.h"

#include <stdbool.h>
#include <stdint.h>

#define BM_BODY_MODES 40
#define BM_MICROPHONES_MAX 4

/** Where a microphone stands and how it hears. */
typedef struct {
   const char* name;
   double body_m;    /* from the body's front: sets delay, level and bass tip-up */
   double neck_m;    /* from the left hand's fingers */
   double treble_db; /* above 5 kHz, for its angle */
   double gain_db;   /* of its preamp, to match its partner of a pair */
} BmMicrophone;

/** The microphone of a name, or NULL: close, body, neck, far. */
const BmMicrophone* bm_microphone_find(const char* name);

/** The microphone at `index`, or NULL past the last. */
const BmMicrophone* bm_microphone_at(uint32_t index);

typedef double BmModeLanes __attribute__((vector_size(32)));
#define BM_MODE_LANES (BM_BODY_MODES / 4)

/**
   The body at the bridge: a sum of resonances, each a mobility (s/m) / (s^2 + s w/Q + w^2) by the bilinear
   transform, so that it stays passive, and each heard by every microphone with a weight of its own. Above the
   last of them the plate is a resistance to the bridge, and what it radiates follows the force.

   Modal bodies and mobility at the bridge: Fletcher & Rossing, The Physics of Musical Instruments, chs. 4, 9;
   plate modes with a constant mean mobility (Skudrzyk's mean value, from memory).
*/
typedef struct {
   struct {
      uint32_t n_microphones;
   } cfg;
   struct {
      BmModeLanes b0[BM_MODE_LANES];
      BmModeLanes a1[BM_MODE_LANES];
      BmModeLanes a2[BM_MODE_LANES];
      BmModeLanes heard[BM_MICROPHONES_MAX][BM_MODE_LANES];
      double at_once; /* velocity that answers a force in the same frame */
      double to_acceleration;
      double crown[BM_MICROPHONES_MAX]; /* sound for a force above the modes */
      double crown_b;
      double crown_a;
   } coef;
   struct {
      BmModeLanes s1[BM_MODE_LANES];
      BmModeLanes s2[BM_MODE_LANES];
      double last[BM_MICROPHONES_MAX];
      double crown_in[2];
      double crown_out[2];
   } mem;
} BmBody;

/** Set up the body for its microphones. `seat` varies the player's position a little from one performance to
    the next. */
void bm_body_init(BmBody* self, const BmInstrument* instrument, double sample_rate_hz,
                  const BmMicrophone* const* microphones, uint32_t n_microphones, uint64_t seat);

/** Bridge velocity in m/s that past forces leave behind, before the next frame's force. */
double bm_body_recoil(const BmBody* self);

/** Apply one frame's force in N; `heard` receives a pressure for each microphone, arbitrary units. */
void bm_body_push(BmBody* self, double force_n, double heard[BM_MICROPHONES_MAX]);

#endif
