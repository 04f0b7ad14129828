/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_NOTE_H
#define BM_BASE_NOTE_H

#include <stdint.h>

/** Frequency of a MIDI key (fractions are cents): equal temperament on A4 = key 69 = 440 Hz (ISO 16:1975). */
double bm_note_hz(double key);

#define BM_TUNING_STRINGS_MAX 12

/** An instrument in one of its tunings. Source of every tuning: common practice, no standard. */
typedef struct {
   const char* name; /* plain words; also the label of the control's scale point */
   uint32_t n_strings;
   uint8_t open_keys[BM_TUNING_STRINGS_MAX]; /* MIDI keys in string order; re-entrant: the first is not the
                                                lowest */
} BmTuning;

/** How many tunings there are. */
uint32_t bm_tuning_count(void);

/** The tuning at `index`; indices never change their meaning, since sessions keep them. Past the end: the
 * last. */
const BmTuning* bm_tuning(uint32_t index);

/** Frequency of the lowest open string in Hz, wherever it is strung. */
double bm_tuning_lowest_hz(const BmTuning* tuning);

/** Where a search for the lowest sounding note begins, in Hz: under the lowest open string by as much as a
   take may be tuned down, a little over the semitone of A4 = 415 Hz. */
double bm_tuning_search_low_hz(const BmTuning* tuning);

/** Where it ends: two octaves over the highest open string, the end of most fingerboards. */
double bm_tuning_search_high_hz(const BmTuning* tuning);

#endif
