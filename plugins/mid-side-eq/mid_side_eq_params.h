/* SPDX-License-Identifier: ISC */
/* What the ports of this plugin mean: for the plugin itself, and for the channel strip. */
#ifndef BM_MID_SIDE_EQ_PARAMS_H
#define BM_MID_SIDE_EQ_PARAMS_H

#include "mid_side_eq_ports.h"
#include "stereo/mid_side_eq.h"

/* The side's ports follow the mid's in the same order; `first` is the half's first. */
static inline BmMidSideEqHalf bm_mid_side_eq_half(const float* port, uint32_t first)
{
   const float* p = port + first - MID_SIDE_EQ_MID_LOW_CUT;
   return (BmMidSideEqHalf){
      .low_cut = {.on = p[MID_SIDE_EQ_MID_LOW_CUT] > 0.5F,
                  .corner_hz = (double)p[MID_SIDE_EQ_MID_LOW_CUT_FREQ_HZ],
                  .slope_db_oct = (uint32_t)p[MID_SIDE_EQ_MID_LOW_CUT_SLOPE_DB_PER_OCTAVE]},
      .low_shelf = {.frequency_hz = (double)p[MID_SIDE_EQ_MID_LOW_SHELF_FREQ_HZ],
                    .gain_db = (double)p[MID_SIDE_EQ_MID_LOW_SHELF_GAIN_DB]},
      .bells = {{.frequency_hz = (double)p[MID_SIDE_EQ_MID_BELL1_FREQ_HZ],
                 .gain_db = (double)p[MID_SIDE_EQ_MID_BELL1_GAIN_DB],
                 .q = (double)p[MID_SIDE_EQ_MID_BELL1_Q]},
                {.frequency_hz = (double)p[MID_SIDE_EQ_MID_BELL2_FREQ_HZ],
                 .gain_db = (double)p[MID_SIDE_EQ_MID_BELL2_GAIN_DB],
                 .q = (double)p[MID_SIDE_EQ_MID_BELL2_Q]}},
      .high_shelf = {.frequency_hz = (double)p[MID_SIDE_EQ_MID_HIGH_SHELF_FREQ_HZ],
                     .gain_db = (double)p[MID_SIDE_EQ_MID_HIGH_SHELF_GAIN_DB]},
   };
}

_Static_assert(MID_SIDE_EQ_SIDE_HIGH_SHELF_GAIN_DB - MID_SIDE_EQ_SIDE_LOW_CUT ==
                  MID_SIDE_EQ_MID_HIGH_SHELF_GAIN_DB - MID_SIDE_EQ_MID_LOW_CUT,
               "mid and side have the same ports in the same order");

/** Parameters for controls by the generated index. */
static inline BmMidSideEqParams bm_mid_side_eq_params(const float* port)
{
   return (BmMidSideEqParams){
      .mid = bm_mid_side_eq_half(port, MID_SIDE_EQ_MID_LOW_CUT),
      .side = bm_mid_side_eq_half(port, MID_SIDE_EQ_SIDE_LOW_CUT),
      .listen = (BmMidSideListen)port[MID_SIDE_EQ_LISTEN],
   };
}

/** Write what it meters to its output ports. */
static inline void bm_mid_side_eq_report(const BmMidSideEq* self, float* port)
{
   port[MID_SIDE_EQ_CORRELATION] = (float)bm_mid_side_eq_correlation_norm(self);
}

#endif
