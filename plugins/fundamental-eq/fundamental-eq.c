/* SPDX-License-Identifier: ISC */
#include "fundamental_eq_ports.h"
#include "shell.h"
#include "strip/note_tracked_eq.h"

BM_FIXED_VERBS(BmNoteTrackedEq, note_tracked_eq)

static void set(void* self, const float* port)
{
   const BmNoteTrackedEqParams params = {
      .tuning = (uint32_t)port[FUNDAMENTAL_EQ_TUNING],
      .note_source = (BmNoteSource)port[FUNDAMENTAL_EQ_NOTE_SOURCE],
      .learn_again = port[FUNDAMENTAL_EQ_LEARN_AGAIN] > 0.5F,
      .note_hz = (double)port[FUNDAMENTAL_EQ_NOTE_FREQ_HZ],
      .eq =
         {
            .low_cut = port[FUNDAMENTAL_EQ_LOW_CUT] > 0.5F,
            .low_cut_slope_db_oct = (uint32_t)port[FUNDAMENTAL_EQ_LOW_CUT_SLOPE_DB_PER_OCTAVE],
            .low_cut_ratio = (double)port[FUNDAMENTAL_EQ_LOW_CUT_RATIO],
            .harmonic = (uint32_t)port[FUNDAMENTAL_EQ_HARMONIC],
            .harmonic_gain_db = (double)port[FUNDAMENTAL_EQ_HARMONIC_GAIN_DB],
            .harmonic_q = (double)port[FUNDAMENTAL_EQ_HARMONIC_Q],
            .low_shelf = {.frequency_hz = (double)port[FUNDAMENTAL_EQ_LOW_SHELF_FREQ_HZ],
                          .gain_db = (double)port[FUNDAMENTAL_EQ_LOW_SHELF_GAIN_DB]},
            .bells = {{.frequency_hz = (double)port[FUNDAMENTAL_EQ_BELL1_FREQ_HZ],
                       .gain_db = (double)port[FUNDAMENTAL_EQ_BELL1_GAIN_DB],
                       .q = (double)port[FUNDAMENTAL_EQ_BELL1_Q]},
                      {.frequency_hz = (double)port[FUNDAMENTAL_EQ_BELL2_FREQ_HZ],
                       .gain_db = (double)port[FUNDAMENTAL_EQ_BELL2_GAIN_DB],
                       .q = (double)port[FUNDAMENTAL_EQ_BELL2_Q]}},
            .high_shelf = {.frequency_hz = (double)port[FUNDAMENTAL_EQ_HIGH_SHELF_FREQ_HZ],
                           .gain_db = (double)port[FUNDAMENTAL_EQ_HIGH_SHELF_GAIN_DB]},
         },
   };
   bm_note_tracked_eq_set(self, &params);
}

static void report(const void* self, float* port)
{
   port[FUNDAMENTAL_EQ_LOWEST_NOTE_HZ] = (float)bm_note_tracked_eq_note_hz(self);
   port[FUNDAMENTAL_EQ_NOTE_CONFIDENCE_PERCENT] = (float)(100.0 * bm_note_tracked_eq_confidence(self));
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
