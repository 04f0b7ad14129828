/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_DELAY_H
#define BM_BASE_DELAY_H

#include "base/frame.h"

#include <stdint.h>

/**
   A delay of a whole number of frames, for keeping a dry path in step with a processed one.

   The caller owns the memory: `frames` has room for `capacity_frames`.
*/
typedef struct {
   BmFrame* frames;
   uint32_t capacity_frames;
   uint32_t delay_frames;
   uint32_t write_index;
} BmDelay;

/** Set up over `frames` [capacity_frames], silent. The delay may be 0 to capacity_frames. */
void bm_delay_init(BmDelay* self, BmFrame* frames, uint32_t capacity_frames, uint32_t delay_frames);

/** Forget what was heard. */
void bm_delay_reset(BmDelay* self);

/** Delay [n_frames]; `out` may be `in`. Real-time: yes. */
void bm_delay_process(BmDelay* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

#endif
