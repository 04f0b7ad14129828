/* SPDX-License-Identifier: ISC */
/* The settings under which a plugin does all the work it can, and what that work may cost. */
#ifndef BM_BENCH_WORKLOAD_H
#define BM_BENCH_WORKLOAD_H

#include "passage.h"

#include <stdint.h>

typedef struct {
   const char* symbol;
   float value;
} BmSetting;

typedef struct {
   const char* plugin; /**< its name, as in urn:bookmatch:NAME#form */
   const BmSetting* settings;
   uint32_t n_settings;
   uint32_t n_mono_settings; /**< the first so many are those a mono form has */
} BmWorkload;

/** The workload of a plugin, by name; NULL: none is known, its defaults are measured. */
const BmWorkload* bm_workload(const char* plugin);

/** At most this many U (bm_yardstick_section_new()) a frame at 48 kHz, blocks of 64 frames, stereo. */
typedef struct {
   const char* plugin; /**< NULL: every plugin */
   BmState state;
   double units;
   const char* words;
} BmTarget;

extern const BmTarget bm_targets[];
extern const uint32_t bm_n_targets;

/** Cost per frame may differ by this much from block to block size (64 to 8192 frames). */
#define BM_TARGET_FLAT 0.2
#define BM_TARGET_INSTANTIATE_MS 10.0
#define BM_TARGET_MEMORY_MIB 1.0
#define BM_TARGET_ROOM_MEMORY_MIB 4.0

#endif
