/* SPDX-License-Identifier: ISC */
#include "fingerprint.h"

#include "progress.h"

#include <stddef.h>

typedef struct {
   BmFingerprinter* fingerprinter;
   BmProgress progress;
} Listener;

static bool hear(void* user, const BmTapBlock* taps, uint32_t n_frames, BmError* error)
{
   (void)error;
   bm_fingerprinter_hear(((Listener*)user)->fingerprinter, taps, n_frames);
   return true;
}

static void hear_inside(void* user, const BmInsideBlock* block)
{
   bm_fingerprinter_hear_inside(((Listener*)user)->fingerprinter, block);
}

static void tell(void* user, uint64_t done_frames, uint64_t total_frames)
{
   bm_progress_tell(&((Listener*)user)->progress, done_frames, total_frames);
}

static BmFingerprint* take_one(BmHost* host, const BmSession* session, bool with_figures,
                               const volatile sig_atomic_t* stop, BmError* error)
{
   BmRender* render = bm_render_new(host, session, error);
   if (!render) {
      return NULL;
   }
   Listener listener = {.fingerprinter = bm_fingerprinter_new(session, render, with_figures)};
   const BmRenderSink sink = {.user = &listener,
                              .hear = hear,
                              .hear_inside = hear_inside,
                              .progress = tell,
                              .without_before = true,
                              .stop = stop};
   bm_progress_begin(&listener.progress, session->rate_hz);
   BmFingerprint* print =
      bm_render_run(render, &sink, error) ? bm_fingerprinter_finish(listener.fingerprinter, error) : NULL;
   bm_progress_end(&listener.progress);
   bm_fingerprinter_free(listener.fingerprinter);
   bm_render_free(render);
   return print;
}

BmFingerprint* bm_fingerprint_take(BmHost* host, BmSession* session, BmFingerprint* chosen, bool with_figures,
                                   const volatile sig_atomic_t* stop, BmError* error)
{
   BmFingerprint* all = NULL;
   BmFingerprint** end = &all;
   const uint32_t n_choices = session->n_alternatives ? session->n_alternatives : 1;
   for (uint32_t n = 0; n < n_choices && !error->is_set; ++n) {
      bm_session_choose(session, n);
      const bool is_known = chosen && n == session->choice;
      *end = is_known ? chosen : take_one(host, session, with_figures, stop, error);
      chosen = is_known ? NULL : chosen;
      end = *end ? &(*end)->next : end;
   }
   bm_session_choose(session, session->choice);
   if (error->is_set) {
      bm_fingerprint_free(chosen);
      bm_fingerprint_free(all);
      return NULL;
   }
   return all;
}
