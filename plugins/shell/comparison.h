/* SPDX-License-Identifier: ISC */
#ifndef BM_PLUGINS_COMPARISON_H
#define BM_PLUGINS_COMPARISON_H

#include "analysis/loudness_match.h"
#include "base/fade.h"
#include "base/glide.h"
#include "shell/remembered.h"
#include "shell/side.h"

#include <stdbool.h>
#include <stdint.h>

/** Three settings to compare, times three choices of what is heard of them. */
#define BM_N_CHARACTER_CHOICES 3
#define BM_N_ALTERNATIVES (3 * BM_N_CHARACTER_CHOICES)

/** The side that is about to be heard. Private to BmComparison. */
typedef struct {
   BmSide side;
   uint32_t alternative;
   uint32_t wait_frames; /* until it is ready */
   BmFade fade;          /* then */
   bool is_on;
} BmComingSide;

/**
   What sounds, of the host's setting and the remembered ones (`compare`), and of their characters
   (`characters`).

   Another alternative gets ready unheard in a second processor, then cross-fades with what sounds, each side
   with the gain that its own match has found. A plugin without `compare` has one side, and this is no more
   than that.
*/
typedef struct {
   double sample_rate_hz;
   uint32_t latency_frames;
   BmSide sounding;
   BmComingSide coming;
   BmGlide output_gain;
   uint32_t gains_wait_frames; /* for what the plugin was set to together with them */
   const float* controls;      /* [n_controls] the host's */
   float* settings;            /* those that sound: the controls, or what is compared with them */
   BmRemembered remembered;
   bool remembered_is_new; /**< not yet saved */
   uint32_t alternative;   /* that sounds; BM_N_ALTERNATIVES: none has */
   BmMatchFinding findings[BM_N_ALTERNATIVES];
   bool is_due; /**< the controls are new, or are to be taken again */
} BmComparison;

/** Set up for the host's `controls`, which stay the caller's. False: the plugin refuses, or no memory. */
bool bm_comparison_init(BmComparison* self, double sample_rate_hz, const BmForm* form, const float* controls);
void bm_comparison_free(BmComparison* self);

/** As after init; what is remembered is kept. */
void bm_comparison_reset(BmComparison* self);

/** Begin the sound anew, with what the match has found. Real-time: yes. */
void bm_comparison_wake(BmComparison* self);

/** Take the controls. `asleep`: nothing is heard, so that there is nothing to cross-fade. Real-time: yes. */
void bm_comparison_set(BmComparison* self, bool asleep);

/** Put what a session has kept, NULL where none was, in the place of what is remembered. Not while
    processing. */
void bm_comparison_remember(BmComparison* self, float* const settings[BM_N_REMEMBERED]);

/** How many of the next `n_frames` may be processed before something begins or ends. */
uint32_t bm_comparison_next(const BmComparison* self, uint32_t n_frames);

/** Whether bm_comparison_process() reads `dry`. */
bool bm_comparison_needs_dry(const BmComparison* self);

/** Process as bm_side_process(); `gained` is that of the side that sounds. Real-time: yes. */
void bm_comparison_process(BmComparison* self, const BmInputLine* line, const BmFrame* dry, BmFrame* gained,
                           BmFrame* wet, uint32_t n_frames);

/** Step by `n_frames`, no more than bm_comparison_next() allowed. True: the controls are to be set at once.
    Real-time: yes. */
bool bm_comparison_advance(BmComparison* self, uint32_t n_frames);

/** Give up what is not heard yet. */
void bm_comparison_stop(BmComparison* self);

/** Whether the input comes out delayed, to the bit, and that is all that goes on. */
bool bm_comparison_is_through(const BmComparison* self);

#endif
