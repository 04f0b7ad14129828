/* SPDX-License-Identifier: ISC */
#include "base/decibel.h"
#include "reverb/room_reverb.h"
#include "room_reverb_ports.h"
#include "shell.h"

/* The reverb, then its lines. */
typedef struct {
   BmRoomReverb reverb;
   char lines[] __attribute__((aligned(64)));
} Room;

static size_t bytes(double sample_rate_hz)
{
   return sizeof(Room) + bm_room_reverb_bytes(sample_rate_hz);
}

static BmStatus init(void* self, double sample_rate_hz, const BmForm* form)
{
   (void)form;
   Room* room = self;
   return bm_room_reverb_init(&room->reverb, room->lines, sample_rate_hz);
}

/* At its lowest, the level of a part is none. */
static double part_level_db(float port_db)
{
   return port_db > -60.0F ? (double)port_db : BM_SILENCE_DB;
}

static void set(void* self, const float* port)
{
   const BmRoomReverbParams params = {
      .decay_s = (double)port[ROOM_REVERB_DECAY_S],
      .low_ratio = (double)port[ROOM_REVERB_LOW_DECAY_PERCENT] / 100.0,
      .damping_hz = (double)port[ROOM_REVERB_DAMPING_FREQ_HZ],
      .volume_m3 = (double)port[ROOM_REVERB_VOLUME_M3],
      .predelay_ms = (double)port[ROOM_REVERB_PREDELAY_MS],
      .distance_m = (double)port[ROOM_REVERB_DISTANCE_M],
      .early_db = part_level_db(port[ROOM_REVERB_EARLY_DB]),
      .late_db = part_level_db(port[ROOM_REVERB_LATE_DB]),
      .low_cut_hz = (double)port[ROOM_REVERB_LOW_CUT_FREQ_HZ],
      .shimmer_db = (double)port[ROOM_REVERB_SHIMMER_DB],
      .width = (double)port[ROOM_REVERB_WIDTH_PERCENT] / 100.0,
      .modulation = (double)port[ROOM_REVERB_MODULATION_PERCENT] / 100.0,
   };
   bm_room_reverb_set(&((Room*)self)->reverb, &params);
}

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_room_reverb_process(&((Room*)self)->reverb, in, out, n_frames);
}

static void reset(void* self)
{
   bm_room_reverb_reset(&((Room*)self)->reverb);
}

const BmPlugin bm_plugin = {
   .ports = &room_reverb,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
};
