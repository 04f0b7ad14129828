/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_PROGRESS_H
#define BM_HARNESS_PROGRESS_H

#include "error.h"

#include <signal.h>
#include <stdbool.h>
#include <stdint.h>

/**
   How far a long render is, on stderr: one line that is written over on a terminal, a line for each tenth
   elsewhere.

   Nothing is said of what takes less than a second, or in a log less than ten.
*/
typedef struct {
   double rate_hz;
   bool is_terminal;
   double begun_s;
   double last_s;       /* when a terminal's line was last written */
   uint32_t last_tenth; /* that was told elsewhere */
   bool is_line_open;
} BmProgress;

void bm_progress_begin(BmProgress* progress, double rate_hz);
void bm_progress_tell(BmProgress* progress, uint64_t done_frames, uint64_t total_frames);

/** Say what is being done after the last frame, if the render was long enough to say anything. */
void bm_progress_say(BmProgress* progress, const char* what);

/** Clear the line, so that others can write. */
void bm_progress_end(BmProgress* progress);

/** Who follows a long look at a file, and who may end it. Start from `{0}`. */
typedef struct {
   BmProgress* progress; /**< NULL: nobody is told */
   uint64_t done_frames;
   uint64_t total_frames;             /**< of all passes */
   const volatile sig_atomic_t* stop; /**< when it becomes true the look fails as interrupted; NULL: never */
} BmWatch;

/** Count frames that are done. False with the error set if it was stopped. NULL is allowed for `watch`. */
bool bm_watch_count(BmWatch* watch, uint64_t n_frames, BmError* error);

#endif
