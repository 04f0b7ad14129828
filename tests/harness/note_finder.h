/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_NOTE_FINDER_H
#define BM_HARNESS_NOTE_FINDER_H

#include "error.h"
#include "host.h"
#include "progress.h"

#include <stdbool.h>
#include <stdint.h>

/** The lowest notes of a passage, as the Fundamental EQ hears them: found once there, and asked for here. */
typedef struct {
   double lowest_hz;   /**< the lowest that really sounded; NaN if none did */
   float* sounding_hz; /**< [n_points] each BM_SERIES_STEP_S, the first at that time; NaN where none sounds */
   uint32_t n_points;
} BmNotes;

void bm_notes_free(BmNotes* self);

/**
   Play the audio file `path`, mono or stereo, to the Fundamental EQ and write down what it tells of notes.
   NULL is allowed for `watch`.

   Without that plugin, or at a rate that it refuses, no note is found. False with the error set if the file
   cannot be read.
*/
bool bm_find_notes(BmHost* host, const char* path, BmWatch* watch, BmNotes* notes, BmError* error);

#endif
