/* SPDX-License-Identifier: ISC */
/* What the ports of this plugin mean: for the plugin itself, and for the channel strip. */
#ifndef BM_ROOM_REVERB_PARAMS_H
#define BM_ROOM_REVERB_PARAMS_H

#include "base/decibel.h"
#include "reverb/room_reverb.h"
#include "room_reverb_ports.h"

/* At its lowest, the level of a part is none. */
static inline double bm_room_reverb_part_db(float port_db)
{
   return port_db > -60.0F ? (double)port_db : BM_SILENCE_DB;
}

/** Parameters for controls by the generated index. */
static inline BmRoomReverbParams bm_room_reverb_params(const float* port)
{
   return (BmRoomReverbParams){
      .decay_s = (double)port[ROOM_REVERB_DECAY_S],
      .low_ratio = (double)port[ROOM_REVERB_LOW_DECAY_PERCENT] / 100.0,
      .damping_hz = (double)port[ROOM_REVERB_DAMPING_FREQ_HZ],
      .volume_m3 = (double)port[ROOM_REVERB_VOLUME_M3],
      .predelay_ms = (double)port[ROOM_REVERB_PREDELAY_MS],
      .distance_m = (double)port[ROOM_REVERB_DISTANCE_M],
      .early_db = bm_room_reverb_part_db(port[ROOM_REVERB_EARLY_DB]),
      .late_db = bm_room_reverb_part_db(port[ROOM_REVERB_LATE_DB]),
      .low_cut_hz = (double)port[ROOM_REVERB_LOW_CUT_FREQ_HZ],
      .shimmer_db = (double)port[ROOM_REVERB_SHIMMER_DB],
      .width = (double)port[ROOM_REVERB_WIDTH_PERCENT] / 100.0,
      .modulation = (double)port[ROOM_REVERB_MODULATION_PERCENT] / 100.0,
   };
}

#endif
