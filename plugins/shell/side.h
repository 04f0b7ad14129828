/* SPDX-License-Identifier: ISC */
#ifndef BM_PLUGINS_SIDE_H
#define BM_PLUGINS_SIDE_H

#include "analysis/loudness_match.h"
#include "base/frame.h"
#include "base/glide.h"
#include "ports.h"
#include "shell/input_line.h"

#include <stdbool.h>
#include <stdint.h>

/** A plugin's processor with what stands around it: input gain, mix with the delayed input, loudness match.
 */
typedef struct {
   void* processor;
   BmGlide input_gain;
   BmGlide mix;
   BmLoudnessMatch match;
} BmSide;

/** The value of a control that not every plugin has. */
static inline float bm_setting_or(const float* settings, int index, float otherwise)
{
   return index < 0 ? otherwise : settings[index];
}

/** True once a glide rests at 1, so that a caller may skip it. */
static inline bool bm_glide_is_at_one(const BmGlide* glide)
{
   return bm_glide_is_still(glide) && glide->value == 1.0;
}

/** Set up with a processor of its own. False: the plugin refuses, or no memory. */
bool bm_side_init(BmSide* self, double sample_rate_hz, const BmForm* form);

/** Give the memory back, not what the plugin's release() gives back. */
void bm_side_free(BmSide* self);

/** Give the processor its settings, and the match what is known of them, which is heard after
   `latency_frames`. Real-time: yes. */
void bm_side_set(BmSide* self, const float* settings, uint32_t latency_frames);

/** How long until what was set last begins to be heard, the latency apart. */
uint32_t bm_side_settling_frames(const BmSide* self);

/** Take the gain and the mix of `settings`. Real-time: yes. */
void bm_side_set_gains(BmSide* self, const float* settings);

/** Begin anew, all but the match: what that has found must outlast a bypass, or switching compares levels
    after all. */
void bm_side_reset(BmSide* self);

/** Whether the side gives back its input, delayed, to the bit: in gains and match, not yet in the processor.
 */
bool bm_side_is_plain(const BmSide* self);

/** Whether bm_side_process() reads `dry`. */
static inline bool bm_side_needs_dry(const BmSide* self)
{
   return !bm_glide_is_at_one(&self->mix) || !bm_fade_is_off(&self->match.enabled);
}

/**
   Process the line's newest slice, [n_frames].

   @param dry     the slice delayed by the processor's latency; read if bm_side_needs_dry().
   @param gained  written: what the processor is given.
   @param wet     written: what comes out.

   Real-time: yes.
*/
void bm_side_process(BmSide* self, const BmInputLine* line, const BmFrame* dry, BmFrame* gained, BmFrame* wet,
                     uint32_t n_frames);

#endif
