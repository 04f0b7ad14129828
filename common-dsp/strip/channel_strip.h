/* SPDX-License-Identifier: ISC */
#ifndef BM_STRIP_CHANNEL_STRIP_H
#define BM_STRIP_CHANNEL_STRIP_H

#include "base/delay.h"
#include "base/fade.h"
#include "base/frame.h"
#include "base/glide.h"
#include "base/status.h"
#include "dynamics/fet_compressor.h"
#include "dynamics/opto_compressor.h"
#include "dynamics/transient_shaper.h"
#include "dynamics/variable_mu_compressor.h"
#include "reverb/room_reverb.h"
#include "saturation/preamp.h"
#include "saturation/tape.h"
#include "saturation/tube.h"
#include "stereo/mid_side_eq.h"
#include "strip/note_tracked_eq.h"
#include "strip/stage.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

typedef enum {
   BM_CHARACTER_NONE,
   BM_CHARACTER_FET,
   BM_CHARACTER_OPTO,
   BM_CHARACTER_VARIABLE_MU,
   BM_CHARACTER_TUBE,
   BM_CHARACTER_TAPE,
   BM_N_CHARACTERS
} BmCharacter;

/** Where a character stands. Two in one place: the first slot's first. */
typedef enum {
   BM_PLACE_BEFORE_EQ, /**< in front of everything */
   BM_PLACE_AFTER_PREAMP,
   BM_PLACE_AFTER_MID_SIDE_EQ
} BmCharacterPlace;

#define BM_STRIP_SLOTS 2

typedef struct {
   BmCharacter character;
   BmCharacterPlace place; /**< a change goes over the unprocessed take for about a fifth of a second */
   double mix;             /**< 0 .. 1 */
} BmStripSlot;

typedef struct {
   bool polarity; /**< turned over */
   bool eq_in;
   bool preamp_in;
   bool mid_side_eq_in;
   bool shaper_in;
   bool room_in;
   BmStripSlot slots[BM_STRIP_SLOTS];
   double room_mix;
   BmNoteTrackedEqParams eq;
   BmPreampParams preamp;
   BmFetCompressorParams fet;
   BmOptoCompressorParams opto;
   BmVariableMuCompressorParams variable_mu;
   BmTubeParams tube;
   BmTapeParams tape;
   BmMidSideEqParams mid_side_eq;
   BmTransientShaperParams shaper;
   BmRoomReverbParams room;
} BmChannelStripParams;

/** What a slot may hold. */
typedef struct {
   BmStage stage; /* choices by BmCharacter */
   BmFetCompressor fet;
   BmOptoCompressor opto;
   BmVariableMuCompressor variable_mu;
   BmTube tube;
   BmTape tape;
} BmCharacterSlot;

/**
   The whole chain in one: polarity, Fundamental EQ, preamp, mid-side EQ, transient shaper, room, with two
   slots for a character before, between or behind the equalisers.

   Nothing but those processors in series, each in a BmStage, so the strip gives the bits that the separate
   plugins give in a row (delays that hold the latency constant apart). The latency is the longest there is,
   whatever is in. What is out is not run.

   What is set together is heard together: while something has to get ready, the rest waits for it.

   A change of place would jump in time for what lies between: so the strip fades to the unprocessed take over
   20 ms, begins anew there, and fades back.
*/
typedef struct {
   struct {
      BmChannelStripParams params;
      uint32_t latency_frames;
      uint32_t n_inputs;
      double rate_hz;
   } cfg;
   BmGlide polarity;
   BmStage eq_stage, preamp_stage, mid_side_stage, shaper_stage, room_stage;
   BmNoteTrackedEq eq;
   BmPreamp preamp;
   BmMidSideEq mid_side_eq;
   BmTransientShaper shaper;
   BmRoomReverb room;
   BmCharacterSlot slots[BM_STRIP_SLOTS];
   BmDelay dry; /* the unprocessed take, while places change */
   BmFrame dry_memory[4 * BM_STAGE_MAX_LATENCY_FRAMES];
   struct {
      BmCharacterPlace place[BM_STRIP_SLOTS];
      int move;              /* how far a change of places has come */
      uint32_t move_frames;  /* left of that */
      BmFade fade;           /* on: the strip is heard */
      BmFade entry;          /* of the take into what begins anew */
      uint32_t defer_frames; /* until what runs is told what was set */
      bool is_fresh;
   } mem;
} BmChannelStrip;

size_t bm_channel_strip_bytes(double sample_rate_hz);

/**
   Set up.

   @param memory     [bm_channel_strip_bytes()], 64-byte aligned.
   @param n_inputs   1 or 2; with 1 both lanes carry the same up to the room.
   @param n_outputs  1 or 2; with 1 both lanes carry the left one.

   Errors: BM_BAD_RATE, BM_BAD_ARGUMENT.
*/
BmStatus bm_channel_strip_init(BmChannelStrip* self, void* memory, double sample_rate_hz, uint32_t n_inputs,
                               uint32_t n_outputs);

void bm_channel_strip_set(BmChannelStrip* self, const BmChannelStripParams* params);

/** Process [n_frames]; `out` may be `in`. Real-time: yes. */
void bm_channel_strip_process(BmChannelStrip* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);

void bm_channel_strip_reset(BmChannelStrip* self);

uint32_t bm_channel_strip_latency_frames(const BmChannelStrip* self);

/** How much these settings raise a take that stands `level_lin` over nominal level, -18 dBFS, linear, as the
    stages' own functions of that name tell it; equalisers, shaper, room, tube and tape count as 1. */
double bm_channel_strip_nominal_gain_lin(const BmChannelStripParams* params, double level_lin);

/** How long until what was set last begins to be heard: while a stage or a place changes. */
uint32_t bm_channel_strip_settling_frames(const BmChannelStrip* self);

/** True while everything is out and settled: then only the last latency_frames are remembered, and come out
   as they are. */
bool bm_channel_strip_is_through(const BmChannelStrip* self);

/** The slot that holds a character and is heard, the first of two; NULL: none does. For its meters. */
const BmCharacterSlot* bm_channel_strip_slot(const BmChannelStrip* self, BmCharacter character);

#endif
