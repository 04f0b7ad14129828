/* SPDX-License-Identifier: ISC */
#include "progress.h"

#include <stdio.h>
#include <time.h>
#include <unistd.h>

/* A person at a terminal wonders soon; a log wants to know of what is long. */
#define TERMINAL_PATIENCE_S 1.0
#define LOG_PATIENCE_S 10.0

static double now_s(void)
{
   struct timespec now;
   clock_gettime(CLOCK_MONOTONIC, &now);
   return (double)now.tv_sec + 1e-9 * (double)now.tv_nsec;
}

void bm_progress_begin(BmProgress* progress, double rate_hz)
{
   *progress = (BmProgress){
      .rate_hz = rate_hz, .is_terminal = isatty(STDERR_FILENO), .begun_s = now_s(), .last_s = now_s()};
}

static bool is_soon(const BmProgress* progress, double elapsed_s)
{
   return elapsed_s < (progress->is_terminal ? TERMINAL_PATIENCE_S : LOG_PATIENCE_S);
}

void bm_progress_tell(BmProgress* progress, uint64_t done_frames, uint64_t total_frames)
{
   const double now = now_s();
   const double elapsed_s = now - progress->begun_s;
   const double share = total_frames ? (double)done_frames / (double)total_frames : 0.0;
   const double speed = (double)done_frames / progress->rate_hz / elapsed_s;
   if (is_soon(progress, elapsed_s)) {
      return;
   }
   if (progress->is_terminal && now - progress->last_s >= 0.1) {
      progress->last_s = now;
      progress->is_line_open = true;
      fprintf(stderr, "\r%3.0f %%, %.0f times real time, %.0f s to go \x1b[K", 100.0 * share, speed,
              share > 0.0 ? elapsed_s * (1.0 - share) / share : 0.0);
   } else if (!progress->is_terminal && (uint32_t)(10.0 * share) > progress->last_tenth && share < 1.0) {
      progress->last_tenth = (uint32_t)(10.0 * share);
      fprintf(stderr, "bookmatch: %.0f %%, %.0f times real time\n", 100.0 * share, speed);
   }
}

void bm_progress_say(BmProgress* progress, const char* what)
{
   if (is_soon(progress, now_s() - progress->begun_s)) {
      return;
   }
   progress->is_line_open = progress->is_terminal;
   fprintf(stderr, progress->is_terminal ? "\r%s \x1b[K" : "bookmatch: %s\n", what);
}

void bm_progress_end(BmProgress* progress)
{
   if (progress->is_line_open) {
      fputs("\r\x1b[K", stderr);
      progress->is_line_open = false;
   }
}

bool bm_watch_count(BmWatch* watch, uint64_t n_frames, BmError* error)
{
   if (!watch) {
      return true;
   }
   watch->done_frames += n_frames;
   if (watch->progress) {
      bm_progress_tell(watch->progress, watch->done_frames, watch->total_frames);
   }
   return !watch->stop || !*watch->stop || bm_fail(error, "interrupted");
}
