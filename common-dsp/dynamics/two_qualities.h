/* SPDX-License-Identifier: ISC */
#ifndef BM_DYNAMICS_TWO_QUALITIES_H
#define BM_DYNAMICS_TWO_QUALITIES_H

#include "base/delay.h"
#include "base/fade.h"
#include "base/frame.h"
#include "base/oversample.h"
#include "base/status.h"

#include <stdbool.h>
#include <stdint.h>

/** Most frames by which the render setting's filters are later than the live setting's. */
#define BM_TWO_QUALITIES_ALIGN_FRAMES 128

/**
   Runs a core at the live or the render setting's oversampling, with one latency for both and a cross-fade
   between them.
*/
typedef struct {
   struct {
      uint32_t latency_frames;
   } cfg;
   BmOversample oversample[2]; /* by BmQuality */
   BmDelay align;              /* the live setting's */
   BmFrame align_memory[BM_TWO_QUALITIES_ALIGN_FRAMES];
   BmFade render;
   uint32_t warm_up_frames; /* until the filters that have just been started are full */
} BmTwoQualities;

/** Process `high` [n_frames * factor of `quality`] in place. */
typedef void (*BmQualityCore)(void* context, BmQuality quality, BmFrame* high, uint32_t n_frames);

/** Set up for factors at 48 kHz (see bm_oversample_factor()). Errors: those of bm_oversample_init(). */
BmStatus bm_two_qualities_init(BmTwoQualities* self, double sample_rate_hz, uint32_t live_factor_at_48k,
                               uint32_t render_factor_at_48k);

/**
   Choose the setting; a change cross-fades. Returns true if a core that stood still now starts: the caller
   then copies the other core's state to it.
*/
bool bm_two_qualities_set(BmTwoQualities* self, BmQuality quality);

/** Process [n_frames], at most BM_OVERSAMPLE_BLOCK_FRAMES; `out` may be `in`. Real-time: yes. */
void bm_two_qualities_process(BmTwoQualities* self, const BmFrame* in, BmFrame* out, uint32_t n_frames,
                              BmQualityCore core, void* context);

void bm_two_qualities_reset(BmTwoQualities* self);

/** The rate that the core of `quality` runs at, as a multiple of the sample rate. */
uint32_t bm_two_qualities_factor(const BmTwoQualities* self, BmQuality quality);

uint32_t bm_two_qualities_latency_frames(const BmTwoQualities* self);

#endif
