/* SPDX-License-Identifier: ISC */
#include "fundamental_eq_params.h"
#include "shell.h"

BM_FIXED_VERBS(BmNoteTrackedEq, note_tracked_eq)

static void set(void* self, const float* port)
{
   const BmNoteTrackedEqParams params = bm_fundamental_eq_params(port);
   bm_note_tracked_eq_set(self, &params);
}

static void report(const void* self, float* port)
{
   bm_fundamental_eq_report(self, port);
}

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
