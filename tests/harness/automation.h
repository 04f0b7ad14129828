/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_AUTOMATION_H
#define BM_HARNESS_AUTOMATION_H

#include "session.h"

#include <stdint.h>

/** Blocks are cut this often, counted from the session's start, while a control moves. */
#define BM_AUTOMATION_GRID_FRAMES 32

/** Breakpoints on the frames of a rate. Borrows the automation. */
typedef struct {
   const BmAutomation* automation;
   int64_t* frames; /**< [n_points] */
} BmLane;

void bm_lane_init(BmLane* lane, const BmAutomation* automation, double rate_hz);
void bm_lane_free(BmLane* lane);

/** The value at `frame`, which may be below 0. The lane must have breakpoints. */
double bm_lane_value(const BmLane* lane, int64_t frame);

/** The first frame after `frame` at which a block has to be cut; INT64_MAX if there is none. */
int64_t bm_lane_next_cut(const BmLane* lane, int64_t frame);

#endif
