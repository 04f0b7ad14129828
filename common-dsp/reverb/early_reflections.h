/* SPDX-License-Identifier: ISC */
#ifndef BM_REVERB_EARLY_REFLECTIONS_H
#define BM_REVERB_EARLY_REFLECTIONS_H

#include "base/frame.h"
#include "base/status.h"
#include "reverb/decay.h"
#include "reverb/echo_history.h"
#include "reverb/image_source.h"

#include <stdbool.h>
#include <stdint.h>

/** Images up to this order are heard one by one. */
#define BM_EARLY_ORDER 3
#define BM_EARLY_IMAGES_MAX 38 /* of one order: 4 BM_EARLY_ORDER^2 + 2 */

/** Two sources before two ears in a room. */
typedef struct {
   BmShoebox room;
   BmPoint sources[2]; /* from where the left and the right input sound */
   BmPoint ears[2];    /* left, right; left is towards greater y */
} BmEarlyScene;

/** What turns the arrivals of a scene into sound. */
typedef struct {
   double gain_m;   /* a reflection at this distance, by walls that take nothing, has gain 1 */
   double start_s;  /* delay of a path of no length; may be negative */
   double fade_s;   /* from this arrival on reflections give way to the late part */
   double latest_s; /* by this they have; later arrivals are left out */
} BmEarlyTiming;

/**
   How much an ear hears of a direction: 1 straight ahead, 1.43 from its own side, 0.57 from the other: a wide
   cardioid for the head's shadow without its colour (common practice, no source).

   @param ear 0 left, 1 right.
*/
double bm_early_ear_gain_lin(const BmImage* image, uint32_t ear);

typedef struct {
   uint32_t n_taps;
   BmEchoPlace places[BM_EARLY_IMAGES_MAX];
   float gains[BM_EARLY_IMAGES_MAX];
} BmEarlyTapList;

/** By order - 1, ear, source. */
typedef struct {
   BmEarlyTapList lists[BM_EARLY_ORDER][2][2];
} BmEarlyTaps;

/**
   The early part of a room: each image source of order 1 to 3 at its own time and gain in each ear (Allen and
   Berkley, JASA 65(4), 1979), a pass through the wall's absorption for each order.
*/
typedef struct {
   struct {
      double rate_hz;
   } cfg;
   struct {
      BmDecay decay; /* what the walls were last designed for */
      double mean_free_time_s;
      BmAbsorption walls, walls_step, walls_next;
      bool is_designed;
      bool moves;
      uint32_t current;
      BmEarlyTaps taps[2]; /* current and next */
   } coef;
   struct {
      BmFrame low_1[BM_EARLY_ORDER], low_2[BM_EARLY_ORDER];
      BmFrame high_1[BM_EARLY_ORDER], high_2[BM_EARLY_ORDER];
   } mem;
} BmEarlyReflections;

BmStatus bm_early_reflections_init(BmEarlyReflections* self, double sample_rate_hz);
void bm_early_reflections_reset(BmEarlyReflections* self);

/** Drop what is left in the filters; bm_history_reset() drops the rest. */
void bm_early_reflections_forget(BmEarlyReflections* self);

/** Prepare the scene that the shares in bm_early_reflections_process() fade to. About 20 us. */
void bm_early_reflections_prepare(BmEarlyReflections* self, const BmEarlyScene* scene,
                                  const BmEarlyTiming* timing);

/** Let the prepared scene be the present one. */
void bm_early_reflections_adopt(BmEarlyReflections* self);

/** Head for walls that absorb for `decay` at every `mean_free_time_s`, to be there `n_frames` on: then this
   is called again. The first time after init or reset at once. */
void bm_early_reflections_control(BmEarlyReflections* self, const BmDecay* decay, double mean_free_time_s,
                                  uint32_t n_frames);

/**
   Reflect the newest chunk of `history`, [n_frames <= BM_ECHO_CHUNK_FRAMES].

   @param shares [n_frames] of the prepared scene, or NULL for none.
   @param out    replaced.
*/
void bm_early_reflections_process(BmEarlyReflections* self, const BmEchoHistory* history, const float* shares,
                                  BmFrame* out, uint32_t n_frames);

#endif
