/* SPDX-License-Identifier: ISC */
#include "channel_strip_ports.h"
#include "fet-compressor/fet_compressor_params.h"
#include "fundamental-eq/fundamental_eq_params.h"
#include "mid-side-eq/mid_side_eq_params.h"
#include "opto-compressor/opto_compressor_params.h"
#include "preamp/preamp_params.h"
#include "room-reverb/room_reverb_params.h"
#include "shell.h"
#include "strip/channel_strip.h"
#include "tape-saturation/tape_saturation_params.h"
#include "transient-shaper/transient_shaper_params.h"
#include "tube-saturation/tube_saturation_params.h"
#include "variable-mu-compressor/variable_mu_compressor_params.h"

#define MAX_STAGE_CONTROLS 64

/* The strip, then its room's lines. */
typedef struct {
   BmChannelStrip strip;
   const BmForm* form;
   char lines[] __attribute__((aligned(64)));
} Strip;

static size_t bytes(double sample_rate_hz)
{
   return sizeof(Strip) + bm_channel_strip_bytes(sample_rate_hz);
}

static BmStatus init(void* self, double sample_rate_hz, const BmForm* form)
{
   Strip* strip = self;
   strip->form = form;
   return bm_channel_strip_init(&strip->strip, strip->lines, sample_rate_hz, form->n_inputs, form->n_outputs);
}

/* A stage's controls as its own plugin has them: by its index, from the strip's where it has one. */
static const float* stage_controls(const BmPorts* stage, const int* here, const float* port, float* own)
{
   for (uint32_t i = 0; i < stage->n_controls; ++i) {
      own[i] = here[i] >= 0 ? port[here[i]] : stage->controls[i].initial;
   }
   return own;
}

static void write_meters(const BmPorts* stage, const int* here, const float* own, float* port)
{
   for (uint32_t i = 0; i < stage->n_controls; ++i) {
      if (stage->controls[i].is_output && here[i] >= 0) {
         port[here[i]] = own[i];
      }
   }
}

/* In the control `characters`: a slot that is not heard holds nothing. */
static BmCharacter character(const float* port, uint32_t slot)
{
   static const uint32_t slots[BM_STRIP_SLOTS] = {CHANNEL_STRIP_CHARACTER1, CHANNEL_STRIP_CHARACTER2};
   const uint32_t alone = (uint32_t)port[CHANNEL_STRIP_CHARACTERS];
   return alone == 0 || alone == slot + 1 ? (BmCharacter)port[slots[slot]] : BM_CHARACTER_NONE;
}

#define STAGE_PARAMS(stage, prefix)                                                                          \
   bm_##stage##_params(stage_controls(&stage, channel_strip_##prefix##_controls, port, own))

static BmChannelStripParams strip_params(const float* port)
{
   float own[MAX_STAGE_CONTROLS];
   BmChannelStripParams params = {
      .polarity = port[CHANNEL_STRIP_POLARITY] > 0.5F,
      .eq_in = port[CHANNEL_STRIP_EQ_IN] > 0.5F,
      .preamp_in = port[CHANNEL_STRIP_PREAMP_IN] > 0.5F,
      .mid_side_eq_in = port[CHANNEL_STRIP_MS_IN] > 0.5F,
      .shaper_in = port[CHANNEL_STRIP_SHAPER_IN] > 0.5F,
      .room_in = port[CHANNEL_STRIP_ROOM_IN] > 0.5F,
      .slots = {{.character = character(port, 0),
                 .place = (BmCharacterPlace)port[CHANNEL_STRIP_CHARACTER1_PLACE],
                 .mix = (double)port[CHANNEL_STRIP_CHARACTER1_MIX_PERCENT] / 100.0},
                {.character = character(port, 1),
                 .place = (BmCharacterPlace)port[CHANNEL_STRIP_CHARACTER2_PLACE],
                 .mix = (double)port[CHANNEL_STRIP_CHARACTER2_MIX_PERCENT] / 100.0}},
      .room_mix = (double)port[CHANNEL_STRIP_ROOM_MIX_PERCENT] / 100.0,
   };
   params.eq = STAGE_PARAMS(fundamental_eq, eq);
   params.preamp = STAGE_PARAMS(preamp, preamp);
   params.fet = STAGE_PARAMS(fet_compressor, fet);
   params.opto = STAGE_PARAMS(opto_compressor, opto);
   params.variable_mu = STAGE_PARAMS(variable_mu_compressor, mu);
   params.tube = STAGE_PARAMS(tube_saturation, tube);
   params.tape = STAGE_PARAMS(tape_saturation, tape);
   params.mid_side_eq = STAGE_PARAMS(mid_side_eq, ms);
   params.shaper = STAGE_PARAMS(transient_shaper, shaper);
   params.room = STAGE_PARAMS(room_reverb, room);
   return params;
}

static void set(void* self, const float* port)
{
   Strip* strip = self;
   BmChannelStripParams params = strip_params(port);
   if (strip->form->n_outputs == 1) {
      params.room.width = 0.0; /* one channel hears the middle of the room, not one side of it */
   }
   bm_channel_strip_set(&strip->strip, &params);
}

static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_channel_strip_process(&((Strip*)self)->strip, in, out, n_frames);
}

static void reset(void* self)
{
   bm_channel_strip_reset(&((Strip*)self)->strip);
}

static uint32_t latency_frames(const void* self)
{
   return bm_channel_strip_latency_frames(&((const Strip*)self)->strip);
}

static double nominal_gain_lin(const float* port, double level_lin)
{
   const BmChannelStripParams params = strip_params(port);
   return bm_channel_strip_nominal_gain_lin(&params, level_lin);
}

static uint32_t settling_frames(const void* self)
{
   return bm_channel_strip_settling_frames(&((const Strip*)self)->strip);
}

static bool is_through(const void* self)
{
   return bm_channel_strip_is_through(&((const Strip*)self)->strip);
}

/* A stage that does not run shows its meters at rest. */
#define REPORT(runs, processor, stage, prefix)                                                               \
   do {                                                                                                      \
      stage_controls(&stage, channel_strip_##prefix##_controls, rest, own);                                  \
      if (runs) {                                                                                            \
         bm_##stage##_report(processor, own);                                                                \
      }                                                                                                      \
      write_meters(&stage, channel_strip_##prefix##_controls, own, port);                                    \
   } while (0)

static void report(const void* self, float* port)
{
   const BmChannelStrip* strip = &((const Strip*)self)->strip;
   const BmCharacterSlot* fet = bm_channel_strip_slot(strip, BM_CHARACTER_FET);
   const BmCharacterSlot* opto = bm_channel_strip_slot(strip, BM_CHARACTER_OPTO);
   const BmCharacterSlot* mu = bm_channel_strip_slot(strip, BM_CHARACTER_VARIABLE_MU);
   float rest[CHANNEL_STRIP_N_CONTROLS];
   float own[MAX_STAGE_CONTROLS];
   for (uint32_t i = 0; i < CHANNEL_STRIP_N_CONTROLS; ++i) {
      rest[i] = channel_strip_ports[i].initial;
   }
   REPORT(bm_stage_runs(&strip->eq_stage, 1), &strip->eq, fundamental_eq, eq);
   REPORT(fet, &fet->fet, fet_compressor, fet);
   REPORT(opto, &opto->opto, opto_compressor, opto);
   REPORT(mu, &mu->variable_mu, variable_mu_compressor, mu);
   REPORT(bm_stage_runs(&strip->mid_side_stage, 1), &strip->mid_side_eq, mid_side_eq, ms);
   REPORT(bm_stage_runs(&strip->shaper_stage, 1), &strip->shaper, transient_shaper, shaper);
}

static double learned_hz(const void* self)
{
   return bm_note_tracked_eq_learned_hz(&((const Strip*)self)->strip.eq);
}

static void set_learned_hz(void* self, double hz)
{
   bm_note_tracked_eq_set_learned_hz(&((Strip*)self)->strip.eq, hz);
}

static const BmMemory memories[] = {
   {"urn:bookmatch:channel-strip#learned_note", 0.0, 2000.0, learned_hz, set_learned_hz},
};

const BmPlugin bm_plugin = {
   .ports = &channel_strip,
   .bytes = bytes,
   .init = init,
   .set = set,
   .process = process,
   .reset = reset,
   .latency_frames = latency_frames,
   .nominal_gain_lin = nominal_gain_lin,
   .settling_frames = settling_frames,
   .is_through = is_through,
   .report = report,
   .memories = memories,
   .n_memories = 1,
};
