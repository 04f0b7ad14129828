/* SPDX-License-Identifier: ISC */
#include "shell.h"
#include "tape_saturation_params.h"

BM_FIXED_VERBS(BmTape, tape)
BM_SET_VERB(BmTape, tape, tape_saturation)
BM_LATENCY_VERB(tape)

const BmPlugin bm_plugin = {
   .ports = &tape_saturation,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
};
