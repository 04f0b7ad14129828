/* SPDX-License-Identifier: ISC */
#ifndef BM_TAKES_PERFORMANCE_H
#define BM_TAKES_PERFORMANCE_H

#include "part.h"
#include "plucked_string.h"

#include <stdbool.h>
#include <stdint.h>

typedef enum {
   BM_GESTURE_PLUCK, /* stop at the fret, draw aside, let slip */
   BM_GESTURE_STOP,  /* put a finger at the fret, or lift it: the string sounds at another length */
   BM_GESTURE_TOUCH, /* lay a hand on: dies away within t60_s */
   BM_GESTURE_SLIDE, /* a finger moves along a wound string */
   BM_GESTURE_KNOCK  /* the hand meets the wood */
} BmGestureKind;

/** One thing that a hand does. */
typedef struct {
   BmGestureKind kind;
   uint32_t string;
   uint32_t fret;
   double at_s;    /* it begins */
   uint32_t order; /* among those of one moment */
   double cents;   /* of tuning and fingering */
   double t60_s;
   double level; /* of slide and knock */
   BmPluck pluck;
} BmGesture;

typedef struct {
   uint32_t n_gestures;
   uint32_t capacity;
   BmGesture* gestures; /* in order of time */
   double length_s;
   double lowest_hz; /* fundamental of the lowest note plucked */
} BmPerformance;

/**
   Play a part as a person does: round a click, not on it. The player drifts from the beat and comes back,
   every note has a force, a place and an angle of its own, a strum takes its time across the strings, and no
   string is quite in tune. All of it follows from `seed`.

   Magnitudes (some 10 ms round the beat, a few cents, 1 to 2 dB): common practice, no source.
   False if memory runs out; free with bm_performance_free().
*/
bool bm_performance_play(BmPerformance* self, const BmPart* part, uint64_t seed);
void bm_performance_free(BmPerformance* self);

#endif
