/* SPDX-License-Identifier: ISC */
#include "mid_side_eq_ports.h"
#include "shell.h"
#include "stereo/mid_side_eq.h"

BM_FIXED_VERBS(BmMidSideEq, mid_side_eq)

/* The side's ports follow the mid's in the same order; `first` is the half's first. */
static BmMidSideEqHalf half(const float* port, uint32_t first)
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

static void set(void* self, const float* port)
{
   const BmMidSideEqParams params = {
      .mid = half(port, MID_SIDE_EQ_MID_LOW_CUT),
      .side = half(port, MID_SIDE_EQ_SIDE_LOW_CUT),
      .listen = (BmMidSideListen)port[MID_SIDE_EQ_LISTEN],
   };
   bm_mid_side_eq_set(self, &params);
}

static void report(const void* self, float* port)
{
   port[MID_SIDE_EQ_CORRELATION] = (float)bm_mid_side_eq_correlation_norm(self);
}

const BmPlugin bm_plugin = {
   .ports = &mid_side_eq,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .report = report,
};
