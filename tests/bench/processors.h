/* SPDX-License-Identifier: ISC */
/* The processors of common-dsp as something to measure, without a plugin around them. */
#ifndef BM_BENCH_PROCESSORS_H
#define BM_BENCH_PROCESSORS_H

#include "base/frame.h"
#include "base/status.h"
#include "passage.h"
#include "stopwatch.h"

#include <stddef.h>
#include <stdint.h>

/** The verbs of one processor, all of its controls set so that it does all the work it can. */
typedef struct {
   const char* name;
   size_t size;                  /**< of the struct */
   size_t (*bytes)(double rate); /**< of the memory it works in; NULL: none */
   BmStatus (*init)(void* self, void* memory, double rate_hz);
   void (*set)(void* self,
               double position); /**< -1 .. 1, where the moving controls stand; NULL: it has none */
   void (*process)(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);
   void (*reset)(void* self);
} BmProcessor;

extern const BmProcessor bm_processors[];
extern const uint32_t bm_n_processors;

/** A processor that has settled in a state; there is no BM_STATE_BYPASSED here. */
BmSubject* bm_processor_subject_new(const BmProcessor* processor, double rate_hz, BmState state);

/** Bytes of struct and memory at a rate. */
size_t bm_processor_bytes(const BmProcessor* processor, double rate_hz);

#endif
