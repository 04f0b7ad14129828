/* SPDX-License-Identifier: ISC */
#ifndef BM_STRIP_NOTE_TRACKED_EQ_H
#define BM_STRIP_NOTE_TRACKED_EQ_H

#include "analysis/lowest_note.h"
#include "base/control_clock.h"
#include "base/frame.h"
#include "base/status.h"
#include "filters/fundamental_eq.h"

/** Where the lowest note comes from. */
typedef enum {
   BM_NOTE_SET,   /**< the caller's frequency */
   BM_NOTE_LEARN, /**< the lowest note that really sounded, kept; the caller's until one has */
   BM_NOTE_FOLLOW /**< the lowest note that sounds now; the caller's until one has */
} BmNoteSource;

typedef struct {
   uint32_t tuning; /**< index of base/note.h's table; bounds the search */
   BmNoteSource note_source;
   double note_hz;           /**< the caller's lowest note */
   BmFundamentalEqParams eq; /**< its lowest_note_hz is not read */
} BmNoteTrackedEqParams;

/** The Fundamental EQ with the tracker that tells it the lowest note, asked every few milliseconds. */
typedef struct {
   struct {
      BmNoteTrackedEqParams params;
   } cfg;
   BmControlClock clock;
   BmLowestNote tracker;
   BmFundamentalEq eq;
} BmNoteTrackedEq;

/** Set up. Errors: BM_BAD_RATE. */
BmStatus bm_note_tracked_eq_init(BmNoteTrackedEq* self, double sample_rate_hz);

/** Take parameters. A new tuning or source starts a new search. */
void bm_note_tracked_eq_set(BmNoteTrackedEq* self, const BmNoteTrackedEqParams* params);

/** Listen and equalise [n_frames]; `out` may be `in`. No latency. */
void bm_note_tracked_eq_process(BmNoteTrackedEq* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

void bm_note_tracked_eq_reset(BmNoteTrackedEq* self);

/** The note the filters stand on, in Hz. */
double bm_note_tracked_eq_note_hz(const BmNoteTrackedEq* self);

/** How sure the search is of what it hears, 0 to 1; 1 when the note is set by hand. */
double bm_note_tracked_eq_confidence(const BmNoteTrackedEq* self);

/** The lowest note that was learned, in Hz; 0 before one was. For a session's state. */
double bm_note_tracked_eq_learned_hz(const BmNoteTrackedEq* self);

/** Take a learned note from a session's state, in Hz; 0 forgets. */
void bm_note_tracked_eq_set_learned_hz(BmNoteTrackedEq* self, double learned_hz);

#endif
