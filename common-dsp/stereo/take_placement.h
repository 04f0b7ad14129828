/* SPDX-License-Identifier: ISC */
#ifndef BM_STEREO_TAKE_PLACEMENT_H
#define BM_STEREO_TAKE_PLACEMENT_H

#include "analysis/correlation.h"
#include "analysis/take_alignment.h"
#include "base/control_clock.h"
#include "base/fade.h"
#include "base/fractional_delay.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/history.h"
#include "base/status.h"
#include "stereo/head_responses.h"
#include "stereo/pan_law.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BM_PLACEMENT_DELAY_MAX_MS 30.0
#define BM_PLACEMENT_CHUNK_FRAMES 32
#define BM_PLACEMENT_TAPS_MAX (BM_HEAD_TAPS_MAX + BM_FRACTIONAL_TAPS)

typedef enum { BM_PLACEMENT_LEVEL = 0, BM_PLACEMENT_BINAURAL = 1 } BmPlacementMethod;

/** Where a take goes. */
typedef struct {
   double pan;           /* by level: -1 left .. 1 right */
   double azimuth_deg;   /* binaural: 0 ahead, 90 right, -90 left, 180 behind */
   double elevation_deg; /* binaural: -90 .. 90 up */
   double distance_m;    /* binaural: 0.25 .. 10, 1 is unity */
   double delay_ms;      /* 0 .. BM_PLACEMENT_DELAY_MAX_MS */
   double gain_db;       /* BM_SILENCE_DB or less: none */
   bool polarity;        /* true: turned over */
} BmTakePlace;

typedef struct {
   BmPlacementMethod method;
   BmPanLaw law;
   bool align; /* take up what bm_take_placement_learned() has at this moment, and keep it while this is on */
   BmTakePlace takes[2];
} BmTakePlacementParams;

/** An alignment: how much later the second take is, to be made up for, and whether it is upside down. */
typedef struct {
   double delay_ms;
   bool is_opposed;
} BmTakeOffset;

/** All that one place of one take is made of: taps over the take's history, oldest frame first. */
typedef struct {
   bool is_whole;               /* delayed by level in whole frames */
   uint32_t level_delay_frames; /* of the oldest frame */
   uint32_t ear_delay_frames[2];
   uint32_t ear_first[2]; /* of the taps that are run: the others hold -90 dB */
   uint32_t ear_end[2];
   float level_taps[BM_FRACTIONAL_TAPS];
   float ear_taps[2][BM_PLACEMENT_TAPS_MAX];
} BmPlacementVoice;

typedef enum { BM_PLACEMENT_STILL, BM_PLACEMENT_PREPARING, BM_PLACEMENT_FADING } BmPlacementMotion;

typedef struct {
   BmTakePlace heard; /* the place that sounds, or will when it is worked out and faded to */
   BmPlacementMotion motion;
   uint32_t part;           /* the next to be worked out */
   BmHeadResponse response; /* from there */
   uint32_t faded_frames;
   uint32_t current;
   BmPlacementVoice voices[2]; /* current and next */
   BmGlide level_left, level_right, binaural_gain;
   bool has_new_head;
} BmPlacedTake;

/**
   Gives two mono takes, one a lane, their places: by level, or binaurally through the responses of a head.

   Both ways are always worked out, so that what each costs in mono can be seen before choosing. A take costs
   a direct convolution of at most (3.5 ms + 48 frames) for each ear (ends that hold -90 dB of its energy are
   left out) and, where its delay is not of whole frames, 48 for the level; twice that for the 20 ms in which
   it moves. A move of place or delay fades from the old place to the new: no click, no Doppler. The new place
   is worked out a part at a time before the fade begins, in at most 5 ms, so that no block costs much more
   than the others. Delays are fractional (base/fractional_delay.h); latency
   BM_FRACTIONAL_LATENCY_FRAMES.
*/
typedef struct {
   struct {
      double rate_hz;
      uint32_t n_takes;
      BmTakePlacementParams params;
      BmTakeOffset learned; /* what `align` takes up; survives reset */
   } cfg;
   BmHeadResponses head;
   BmHistory history;
   BmTakeAlignment alignment;
   BmPlacedTake takes[2];
   BmFade binaural;
   BmCorrelation level_correlation, binaural_correlation;
   double* fade_shares; /* of the new place, by frame */
   struct {
      BmControlClock clock;
      uint32_t turn;      /* the take that may prepare to move */
      bool takes_at_once; /* the next setting */
   } mem;
} BmTakePlacement;

/** Bytes of the memory that init wants, 64-byte aligned: history, alignment and fades. */
size_t bm_take_placement_bytes(double sample_rate_hz);

/** Set up for 1 take (the left lane) or 2, around a sphere, in `memory` [bm_take_placement_bytes()]. @return
 * BM_OK, BM_BAD_RATE or BM_BAD_ARGUMENT. */
BmStatus bm_take_placement_init(BmTakePlacement* self, void* memory, double sample_rate_hz, uint32_t n_takes);

/** Hear through another head of the same rate, fading to it. Real-time: yes; the last head is then done with.
 */
void bm_take_placement_set_head(BmTakePlacement* self, const BmHeadResponses* head);

void bm_take_placement_set(BmTakePlacement* self, const BmTakePlacementParams* params);

/** Place [n_frames], a take in each lane of `in`, left and right in `out`, which may be `in`. Real-time: yes.
 */
void bm_take_placement_process(BmTakePlacement* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

void bm_take_placement_reset(BmTakePlacement* self);

uint32_t bm_take_placement_latency_frames(const BmTakePlacement* self);

/** The offset that `align` took up, for a session to keep. */
BmTakeOffset bm_take_placement_learned(const BmTakePlacement* self);

/** Put an offset back as if `align` had just taken it up. */
void bm_take_placement_recall(BmTakePlacement* self, BmTakeOffset offset);

/** The offset that is suggested now; see bm_take_alignment_delay_ms(). */
BmTakeOffset bm_take_placement_suggestion(const BmTakePlacement* self);

/** How sure that suggestion is, 0 to 1; see bm_take_alignment_confidence_norm(). */
double bm_take_placement_confidence_norm(const BmTakePlacement* self);

/** What folding to mono does, for either way of placing. */
const BmCorrelation* bm_take_placement_correlation(const BmTakePlacement* self, BmPlacementMethod method);

/**
   First frequency at which the takes cancel when added, for the delay between them as heard: that which is
   set, and that which was found in them if it was; in Hz. 0 where there is none: no delay, or one take.
*/
double bm_take_placement_comb_notch_hz(const BmTakePlacement* self);

#endif
