/* SPDX-License-Identifier: ISC */
#include "fundamental_eq_params.h"
#include "shell.h"

BM_FIXED_VERBS(BmNoteTrackedEq, note_tracked_eq)
BM_SET_VERB(BmNoteTrackedEq, note_tracked_eq, fundamental_eq)
BM_REPORT_VERB(fundamental_eq)

static double learned_hz(const void* self)
{
   return bm_note_tracked_eq_learned_hz(self);
}

static void set_learned_hz(void* self, double hz)
{
   bm_note_tracked_eq_set_learned_hz(self, hz);
}

static const BmMemory memories[] = {
   {"urn:bookmatch:fundamental-eq#learned_note", 0.0, 2000.0, learned_hz, set_learned_hz},
};

const BmPlugin bm_plugin = {
   .ports = &fundamental_eq,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .report = report,
   .memories = memories,
   .n_memories = 1,
};
