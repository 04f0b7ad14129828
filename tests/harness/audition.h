/* SPDX-License-Identifier: ISC */
/* Alternatives side by side: each rendered as a listener would hear it, all at one loudness, with a page to
 * choose by ear. */
#ifndef BM_HARNESS_AUDITION_H
#define BM_HARNESS_AUDITION_H

#include "error.h"
#include "host.h"
#include "measure.h"
#include "session.h"
#include "text.h"

#include <signal.h>
#include <stdbool.h>
#include <stdint.h>

/** No true peak reaches this: EBU R 128, 2020, for programmes. */
#define BM_AUDITION_MAX_DBTP (-1.0)

/** How far two alternatives may lie apart. */
#define BM_AUDITION_MATCH_LU 0.05

/** The player starts no louder than this: our choice, 7 LU under the level of programmes (EBU R 128). */
#define BM_AUDITION_START_LUFS (-30.0)

/** Loudness and true peak of an alternative as rendered. */
typedef struct {
   double integrated_lufs;
   double true_peak_dbtp;
} BmLevel;

/**
   Find the gains that bring all to one loudness: the highest at which every true peak stays below
   BM_AUDITION_MAX_DBTP.

   @param gain_db  [n_levels] what each has to be turned up by.
   @return the common loudness in LUFS; NaN, and no gains, where one of the levels is not finite.
*/
double bm_match_levels(const BmLevel* levels, uint32_t n_levels, double* gain_db);

/** An alternative as it lies in the folder. */
typedef struct {
   const BmAlternative* alternative;
   char* audio;         /**< its WAV, "audio-1a2b3c4d/1-label.wav" */
   char* script;        /**< the script that carries the same samples into the page */
   uint64_t id;         /**< of the samples: the page can tell whether the script is its own */
   double gain_db;      /**< by which it was turned up */
   BmAnalysis analysis; /**< of the file */
} BmAuditionTake;

typedef struct {
   const BmSession* session;
   const BmStem* stem;
   uint32_t n_channels; /**< of every file: two, once one alternative has two */
   uint64_t n_frames;   /**< of every file: as long as the longest */
   double integrated_lufs;
   uint32_t reference; /**< which the others are compared with: the one without inserts, or the first */
   BmAuditionTake takes[BM_MAX_ALTERNATIVES];
   uint32_t n_takes;
} BmAudition;

typedef struct {
   const char* folder;
   const char* stem; /**< file name of the stem that is heard; NULL: the first that the alternatives reach */
   /** When it becomes true, it fails as interrupted. */
   const volatile sig_atomic_t* stop;
} BmAuditionTask;

/**
   Render the alternatives and write "index.html" and, in a folder beside it, its audio: all at once or
   nothing. The audio of an earlier page is removed when this one has taken its place.

   Leaves the session with another alternative chosen. Progress and warnings go to standard error.
   @param audition  what was made, to be freed with bm_audition_free(), also after an error.
   @return false with the error set.
*/
bool bm_audition_run(BmHost* host, BmSession* session, const BmAuditionTask* task, BmAudition* audition,
                     BmError* error);
void bm_audition_free(BmAudition* audition);

/** Add the page. */
void bm_audition_add_page(BmText* page, const BmAudition* audition);

#endif
