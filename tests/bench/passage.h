/* SPDX-License-Identifier: ISC */
/* What the subjects play to themselves, and what is done to them meanwhile. */
#ifndef BM_BENCH_PASSAGE_H
#define BM_BENCH_PASSAGE_H

#include <stdint.h>

typedef enum {
   BM_STATE_ACTIVE,   /**< a passage comes in, everything the processor has is switched on */
   BM_STATE_IDLE,     /**< silence comes in, all tails have died away */
   BM_STATE_BYPASSED, /**< a passage comes in, `enabled` is off */
   BM_STATE_MOVING,   /**< as active, and every continuous control moves before every block */
   BM_N_STATES
} BmState;

const char* bm_state_name(BmState state);

/** A passage comes round after this many frames; a block that begins before reads on to PASSAGE_ROOM. */
#define BM_PASSAGE_FRAMES 16384
#define BM_MAX_BLOCK_FRAMES 8192
#define BM_PASSAGE_ROOM (BM_PASSAGE_FRAMES + BM_MAX_BLOCK_FRAMES)

/** How long a subject runs before it counts as settled, and how long in silence before it counts as idle. */
#define BM_SETTLE_S 0.25
#define BM_SILENCE_S 6.0

/** Moving controls go through this many positions, there and back. */
#define BM_N_POSITIONS 32

/** Where the moving controls stand, -1 to 1. */
double bm_position(uint32_t step);

#define BM_PASSAGE_CHANNELS 4

/** [BM_PASSAGE_ROOM] of a plucked low string and some air, peak 0.5; channels differ. Made once, kept. */
const float* bm_passage(uint32_t channel, double rate_hz);

/** [BM_PASSAGE_ROOM] of nothing. */
const float* bm_silence(void);

#endif
