/* SPDX-License-Identifier: ISC */
#ifndef BM_STRIP_NOTE_TRACKED_EQ_H
#define BM_STRIP_NOTE_TRACKED_EQ_H

#include "analysis/lowest_note.h"
#include "base/control_clock.h"
#include "base/frame.h"
#include "base/status.h"
#include "filters/fundamental_eq.h"

#include <stdbool.h>
#include <stdint.h>

/** Where the lowest note comes from. */
typedef enum {
   BM_NOTE_SET,   /**< the caller's frequency */
   BM_NOTE_LEARN, /**< the lowest note that really sounded, kept */
   BM_NOTE_FOLLOW /**< the lowest note that sounds now */
} BmNoteSource;

typedef struct {
   uint32_t tuning; /**< index of base/note.h's table; bounds the search */
   BmNoteSource note_source;
   bool learn_again; /**< turned on: the learned note is forgotten; on from the start: it is not */
   double
      note_hz; /**< the caller's lowest note; until one is heard, it or the tuning's, whichever is lower */
   BmFundamentalEqParams eq; /**< its lowest_note_hz is not looked at */
} BmNoteTrackedEqParams;

/** The Fundamental EQ with the search that tells it the lowest note, asked every BM_NOTE_PERIOD_FRAMES. */
typedef struct {
   struct {
      BmNoteTrackedEqParams params;
   } cfg;
   struct {
      BmControlClock clock;
      bool stands; /* on a note, since reset */
   } mem;
   BmLowestNote search;
   BmFundamentalEq eq;
} BmNoteTrackedEq;

#define BM_NOTE_PERIOD_FRAMES 64

/** Set up. Errors: BM_BAD_RATE. */
BmStatus bm_note_tracked_eq_init(BmNoteTrackedEq* self, double sample_rate_hz);

/** Take parameters. A learned note that the tuning's search cannot find is forgotten. Real-time: yes. */
void bm_note_tracked_eq_set(BmNoteTrackedEq* self, const BmNoteTrackedEqParams* params);

/** Listen and equalise [n_frames]; `out` may be `in`. No latency. Real-time: yes. */
void bm_note_tracked_eq_process(BmNoteTrackedEq* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

/** Forget the sound; parameters and the learned note stay. */
void bm_note_tracked_eq_reset(BmNoteTrackedEq* self);

/** The note the filters stand on, or are on their way to, in Hz. */
double bm_note_tracked_eq_note_hz(const BmNoteTrackedEq* self);

/** How sure the search is of the note it hears, 0 to 1; 1 while the note is set by hand. */
double bm_note_tracked_eq_confidence(const BmNoteTrackedEq* self);

/** The lowest note that was learned, in Hz; 0 before one was. For a session's state. */
double bm_note_tracked_eq_learned_hz(const BmNoteTrackedEq* self);

/** Take a learned note from a session's state, in Hz; 0 begins to learn anew. Not while processing. */
void bm_note_tracked_eq_set_learned_hz(BmNoteTrackedEq* self, double learned_hz);

#endif
