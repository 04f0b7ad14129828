/* SPDX-License-Identifier: ISC */
/* What the ports of this plugin mean: for the plugin itself, and for the channel strip. */
#ifndef BM_FUNDAMENTAL_EQ_PARAMS_H
#define BM_FUNDAMENTAL_EQ_PARAMS_H

#include "fundamental_eq_ports.h"
#include "strip/note_tracked_eq.h"

/** Parameters for controls by the generated index. */
static inline BmNoteTrackedEqParams bm_fundamental_eq_params(const float* port)
{
   return (BmNoteTrackedEqParams){
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
}

/** Write what it meters to its output ports. */
static inline void bm_fundamental_eq_report(const BmNoteTrackedEq* self, float* port)
{
   port[FUNDAMENTAL_EQ_LOWEST_NOTE_HZ] = (float)bm_note_tracked_eq_note_hz(self);
   port[FUNDAMENTAL_EQ_NOTE_CONFIDENCE_PERCENT] = (float)(100.0 * bm_note_tracked_eq_confidence(self));
}

#endif
