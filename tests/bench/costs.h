/* SPDX-License-Identifier: ISC */
/* What was measured, and how it is shown. */
#ifndef BM_BENCH_COSTS_H
#define BM_BENCH_COSTS_H

#include "passage.h"
#include "text.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BM_COST_NAME_SIZE 64
#define BM_MAX_BLOCKS 6

/** One plugin in one form, or one processor, at one rate. */
typedef struct {
   char name[BM_COST_NAME_SIZE];
   char form[BM_COST_NAME_SIZE]; /**< "" for a processor, which has but one */
   bool is_plugin;
   double rate_hz;
   uint32_t n_blocks;
   uint32_t block_frames[BM_MAX_BLOCKS];
   bool is_measured[BM_N_STATES];
   double ns[BM_N_STATES][BM_MAX_BLOCKS];    /**< a frame */
   double units[BM_N_STATES][BM_MAX_BLOCKS]; /**< the same in U */
   double gains[BM_N_STATES][BM_MAX_BLOCKS]; /**< and in stereo gains */
   double worst_block[BM_N_STATES];          /**< dearest over median block of 64 frames; 0: not measured */
   double instantiate_ms;                    /**< plugins */
   size_t bytes;                             /**< of an instance */
} BmCost;

/** The figure at a block size; NAN where there is none. */
double bm_cost_units(const BmCost* cost, BmState state, uint32_t block_frames);

/** How much dearer the dearest block size from 64 frames up is than the cheapest, 0.1 for a tenth. */
double bm_cost_unevenness(const BmCost* cost, BmState state);

/** One block of the table. */
void bm_costs_add_table(BmText* text, const BmCost* cost);

/** The targets beside what was measured. */
void bm_costs_add_targets(BmText* text, const BmCost* costs, uint32_t n_costs);

/** The plugins at the targets' rate and block size as an SVG document: active, bypassed, target. */
void bm_costs_add_picture(BmText* text, const BmCost* costs, uint32_t n_costs);

void bm_costs_add_json(BmText* text, const BmCost* costs, uint32_t n_costs);

#endif
