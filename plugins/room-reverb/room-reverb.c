/* SPDX-License-Identifier: ISC */
#include "room_reverb_params.h"
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

static void set(void* self, const float* port)
{
   const BmRoomReverbParams params = bm_room_reverb_params(port);
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
