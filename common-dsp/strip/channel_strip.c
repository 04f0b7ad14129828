/* SPDX-License-Identifier: ISC */
#include "strip/channel_strip.h"

#include <string.h>

#define SETTLING_MS 20.0
/* A take that comes out of silence is one great attack to it. */
#define SHAPER_SETTLING_MS 150.0

/* How a change of places goes: the dry line is filled, the strip fades out, begins anew unheard, fades in. */
enum { STEADY, FILLING, LEAVING, SETTLING, RETURNING };

#define VERBS(name, Type, latency, settling_ms)                                                              \
   static void name##_set(void* self, const void* params)                                                    \
   {                                                                                                         \
      bm_##name##_set((Type*)self, (const Type##Params*)params);                                             \
   }                                                                                                         \
   static void name##_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)                \
   {                                                                                                         \
      bm_##name##_process((Type*)self, in, out, n_frames);                                                   \
   }                                                                                                         \
   static void name##_reset(void* self)                                                                      \
   {                                                                                                         \
      bm_##name##_reset((Type*)self);                                                                        \
   }                                                                                                         \
   static const BmStageVerbs name##_verbs = {name##_set, name##_process, name##_reset, latency, settling_ms};

#define LATE_VERBS(name, Type)                                                                               \
   static uint32_t name##_latency_frames(const void* self)                                                   \
   {                                                                                                         \
      return bm_##name##_latency_frames((const Type*)self);                                                  \
   }                                                                                                         \
   VERBS(name, Type, name##_latency_frames, SETTLING_MS)

VERBS(note_tracked_eq, BmNoteTrackedEq, NULL, SETTLING_MS)
LATE_VERBS(preamp, BmPreamp)
LATE_VERBS(fet_compressor, BmFetCompressor)
VERBS(opto_compressor, BmOptoCompressor, NULL, SETTLING_MS)
LATE_VERBS(variable_mu_compressor, BmVariableMuCompressor)
LATE_VERBS(tube, BmTube)
LATE_VERBS(tape, BmTape)
VERBS(mid_side_eq, BmMidSideEq, NULL, SETTLING_MS)
VERBS(transient_shaper, BmTransientShaper, NULL, SHAPER_SETTLING_MS)
VERBS(room_reverb, BmRoomReverb, NULL, SETTLING_MS)

size_t bm_channel_strip_bytes(double sample_rate_hz)
{
   return bm_room_reverb_bytes(sample_rate_hz);
}

static BmStatus worse(BmStatus a, BmStatus b)
{
   return a != BM_OK ? a : b;
}

static BmStatus init_slot(BmCharacterSlot* slot, const BmChannelStripParams* params, double rate_hz,
                          bool is_mono)
{
   const BmStageChoice choices[BM_N_CHARACTERS - 1] = {
      [BM_CHARACTER_FET - 1] = {&fet_compressor_verbs, &slot->fet, &params->fet},
      [BM_CHARACTER_OPTO - 1] = {&opto_compressor_verbs, &slot->opto, &params->opto},
      [BM_CHARACTER_VARIABLE_MU - 1] = {&variable_mu_compressor_verbs, &slot->variable_mu,
                                        &params->variable_mu},
      [BM_CHARACTER_TUBE - 1] = {&tube_verbs, &slot->tube, &params->tube},
      [BM_CHARACTER_TAPE - 1] = {&tape_verbs, &slot->tape, &params->tape},
   };
   BmStatus status = bm_fet_compressor_init(&slot->fet, rate_hz);
   status = worse(status, bm_opto_compressor_init(&slot->opto, rate_hz));
   status = worse(status, bm_variable_mu_compressor_init(&slot->variable_mu, rate_hz));
   status = worse(status, bm_tube_init(&slot->tube, rate_hz));
   status = worse(status, bm_tape_init(&slot->tape, rate_hz));
   return worse(status, bm_stage_init(&slot->stage, rate_hz, choices, BM_N_CHARACTERS - 1, is_mono));
}

static BmStatus init_stage(BmStage* stage, const BmStageVerbs* verbs, void* processor, const void* params,
                           double rate_hz, bool is_mono)
{
   const BmStageChoice choice = {verbs, processor, params};
   return bm_stage_init(stage, rate_hz, &choice, 1, is_mono);
}

BmStatus bm_channel_strip_init(BmChannelStrip* self, void* memory, double sample_rate_hz, uint32_t n_inputs,
                               uint32_t n_outputs)
{
   BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   memset(&self->cfg, 0, sizeof self->cfg);
   self->cfg.n_inputs = n_inputs;
   self->cfg.rate_hz = sample_rate_hz;
   const BmChannelStripParams* params = &self->cfg.params;
   const bool is_mono = n_inputs == 1;
   status = bm_note_tracked_eq_init(&self->eq, sample_rate_hz);
   status = worse(status, bm_preamp_init(&self->preamp, sample_rate_hz));
   status = worse(status, bm_mid_side_eq_init(&self->mid_side_eq, sample_rate_hz));
   status = worse(status, bm_transient_shaper_init(&self->shaper, sample_rate_hz));
   status = worse(status, bm_room_reverb_init(&self->room, memory, sample_rate_hz));
   status = worse(status, init_stage(&self->eq_stage, &note_tracked_eq_verbs, &self->eq, &params->eq,
                                     sample_rate_hz, is_mono));
   status = worse(status, init_stage(&self->preamp_stage, &preamp_verbs, &self->preamp, &params->preamp,
                                     sample_rate_hz, is_mono));
   status = worse(status, init_stage(&self->mid_side_stage, &mid_side_eq_verbs, &self->mid_side_eq,
                                     &params->mid_side_eq, sample_rate_hz, is_mono));
   status = worse(status, init_stage(&self->shaper_stage, &transient_shaper_verbs, &self->shaper,
                                     &params->shaper, sample_rate_hz, is_mono));
   status = worse(status, init_stage(&self->room_stage, &room_reverb_verbs, &self->room, &params->room,
                                     sample_rate_hz, n_outputs == 1));
   self->cfg.latency_frames = bm_stage_latency_frames(&self->preamp_stage);
   for (uint32_t s = 0; s < BM_STRIP_SLOTS; ++s) {
      status = worse(status, init_slot(&self->slots[s], params, sample_rate_hz, is_mono));
      self->cfg.latency_frames += bm_stage_latency_frames(&self->slots[s].stage);
   }
   bm_glide_init(&self->polarity, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_set(&self->polarity, 1.0);
   bm_delay_init(&self->dry, self->dry_memory, self->cfg.latency_frames, self->cfg.latency_frames);
   bm_channel_strip_reset(self);
   return status;
}

enum { N_STAGES = 5 + BM_STRIP_SLOTS };

static void list_stages(BmChannelStrip* self, BmStage* stages[N_STAGES])
{
   stages[0] = &self->eq_stage;
   stages[1] = &self->preamp_stage;
   stages[2] = &self->mid_side_stage;
   stages[3] = &self->shaper_stage;
   stages[4] = &self->room_stage;
   for (uint32_t s = 0; s < BM_STRIP_SLOTS; ++s) {
      stages[5 + s] = &self->slots[s].stage;
   }
}

static void choose(BmChannelStrip* self)
{
   const BmChannelStripParams* params = &self->cfg.params;
   bm_stage_choose(&self->eq_stage, params->eq_in, 1.0);
   bm_stage_choose(&self->preamp_stage, params->preamp_in, 1.0);
   bm_stage_choose(&self->mid_side_stage, params->mid_side_eq_in, 1.0);
   bm_stage_choose(&self->shaper_stage, params->shaper_in, 1.0);
   bm_stage_choose(&self->room_stage, params->room_in, params->room_mix);
   for (uint32_t s = 0; s < BM_STRIP_SLOTS; ++s) {
      const BmStripSlot* slot = &params->slots[s];
      bm_stage_choose(&self->slots[s].stage, (uint32_t)slot->character, slot->mix);
   }
}

static void refresh(BmChannelStrip* self)
{
   BmStage* stages[N_STAGES];
   list_stages(self, stages);
   for (uint32_t i = 0; i < N_STAGES; ++i) {
      bm_stage_refresh(stages[i]);
   }
   bm_glide_set(&self->polarity, self->cfg.params.polarity ? -1.0 : 1.0);
}

/* An empty slot stays where it is: nothing would be heard but the change. */
static BmCharacterPlace wanted_place(const BmChannelStrip* self, uint32_t s)
{
   const BmStripSlot* slot = &self->cfg.params.slots[s];
   return slot->character == BM_CHARACTER_NONE && !self->mem.is_fresh ? self->mem.place[s] : slot->place;
}

static void take_places(BmChannelStrip* self)
{
   for (uint32_t s = 0; s < BM_STRIP_SLOTS; ++s) {
      self->mem.place[s] = wanted_place(self, s);
   }
}

static bool places_have_changed(const BmChannelStrip* self)
{
   bool changed = false;
   for (uint32_t s = 0; s < BM_STRIP_SLOTS; ++s) {
      changed = changed || wanted_place(self, s) != self->mem.place[s];
   }
   return changed;
}

static uint32_t move_settling_frames(const BmChannelStrip* self)
{
   const uint32_t fade_frames = self->mem.fade.length_steps;
   const uint32_t settling_frames = (uint32_t)(0.001 * SHAPER_SETTLING_MS * self->cfg.rate_hz);
   const uint32_t after[] = {[STEADY] = 2 * self->cfg.latency_frames + 2 * fade_frames + settling_frames,
                             [FILLING] = self->cfg.latency_frames + 2 * fade_frames + settling_frames,
                             [LEAVING] = self->cfg.latency_frames + fade_frames + settling_frames,
                             [SETTLING] = 0,
                             [RETURNING] = 0};
   const bool moves = self->mem.move != STEADY || places_have_changed(self);
   return moves ? after[self->mem.move] + (self->mem.move == STEADY ? 0 : self->mem.move_frames) : 0;
}

/* How long until the last of what was chosen begins to be heard. */
static uint32_t settling_frames(BmChannelStrip* self)
{
   BmStage* stages[N_STAGES];
   list_stages(self, stages);
   uint32_t longest = move_settling_frames(self);
   for (uint32_t i = 0; i < N_STAGES; ++i) {
      const uint32_t frames = bm_stage_settling_frames(stages[i]);
      longest = frames > longest ? frames : longest;
   }
   return longest;
}

void bm_channel_strip_set(BmChannelStrip* self, const BmChannelStripParams* params)
{
   self->cfg.params = *params;
   if (self->mem.is_fresh) {
      take_places(self);
      choose(self);
      bm_glide_set(&self->polarity, params->polarity ? -1.0 : 1.0);
      self->mem.is_fresh = false;
      return;
   }
   choose(self);
   self->mem.defer_frames = settling_frames(self);
   BmStage* stages[N_STAGES];
   list_stages(self, stages);
   for (uint32_t i = 0; i < N_STAGES; ++i) {
      bm_stage_hold(stages[i], self->mem.defer_frames);
   }
   if (self->mem.defer_frames == 0) {
      refresh(self);
   }
}

static void restart(BmChannelStrip* self)
{
   BmStage* stages[N_STAGES];
   list_stages(self, stages);
   take_places(self);
   for (uint32_t i = 0; i < N_STAGES; ++i) {
      bm_stage_reset(stages[i]);
   }
}

static void begin_move(BmChannelStrip* self, int move)
{
   const uint32_t fade_frames = self->mem.fade.length_steps;
   self->mem.move = move;
   self->mem.move_frames = fade_frames;
   if (move == FILLING) {
      bm_delay_reset(&self->dry);
      self->mem.move_frames = self->cfg.latency_frames;
   } else if (move == SETTLING) {
      const uint32_t settling_frames = (uint32_t)(0.001 * SHAPER_SETTLING_MS * self->cfg.rate_hz);
      self->mem.move_frames = self->cfg.latency_frames + fade_frames + settling_frames;
      bm_fade_init(&self->mem.entry, BM_FADE_MS, self->cfg.rate_hz);
      bm_fade_set(&self->mem.entry, false);
      bm_fade_set(&self->mem.entry, true);
      restart(self);
   }
   bm_fade_set(&self->mem.fade, move == STEADY || move == FILLING || move == RETURNING);
}

static void run_slots(BmChannelStrip* self, BmCharacterPlace place, BmFrame* io, uint32_t n_frames)
{
   for (uint32_t s = 0; s < BM_STRIP_SLOTS; ++s) {
      if (self->mem.place[s] == place) {
         bm_stage_process(&self->slots[s].stage, io, n_frames);
      }
   }
}

static void run_stages(BmChannelStrip* self, BmFrame* io, uint32_t n_frames)
{
   run_slots(self, BM_PLACE_BEFORE_EQ, io, n_frames);
   bm_stage_process(&self->eq_stage, io, n_frames);
   bm_stage_process(&self->preamp_stage, io, n_frames);
   run_slots(self, BM_PLACE_AFTER_PREAMP, io, n_frames);
   bm_stage_process(&self->mid_side_stage, io, n_frames);
   run_slots(self, BM_PLACE_AFTER_MID_SIDE_EQ, io, n_frames);
   bm_stage_process(&self->shaper_stage, io, n_frames);
   bm_stage_process(&self->room_stage, io, n_frames);
}

static void trim(BmChannelStrip* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   if (bm_glide_is_still(&self->polarity)) {
      const double polarity = self->polarity.value;
      for (uint32_t i = 0; i < n_frames; ++i) {
         out[i] = in[i] * polarity;
      }
   } else {
      for (uint32_t i = 0; i < n_frames; ++i) {
         out[i] = in[i] * bm_glide_step(&self->polarity);
      }
   }
   bm_stage_round(out, n_frames, self->cfg.n_inputs == 1);
}

static void move_on(BmChannelStrip* self, BmFrame* io, const BmFrame* dry, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double share = bm_fade_step(&self->mem.fade);
      if (share < 1.0) {
         io[i] = dry[i] + (io[i] - dry[i]) * share;
      }
   }
   self->mem.move_frames -= n_frames;
   if (self->mem.move_frames == 0) {
      begin_move(self, self->mem.move == RETURNING ? STEADY : self->mem.move + 1);
   }
}

void bm_channel_strip_process(BmChannelStrip* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   while (n_frames) {
      if (self->mem.move == STEADY && places_have_changed(self)) {
         begin_move(self, FILLING);
      }
      uint32_t n = n_frames < BM_STAGE_BLOCK_FRAMES ? n_frames : BM_STAGE_BLOCK_FRAMES;
      if (self->mem.move != STEADY && n > self->mem.move_frames) {
         n = self->mem.move_frames;
      }
      if (self->mem.defer_frames && n > self->mem.defer_frames) {
         n = self->mem.defer_frames;
      }
      trim(self, in, out, n);
      if (self->mem.move == STEADY) {
         run_stages(self, out, n);
      } else {
         BmFrame dry[BM_STAGE_BLOCK_FRAMES];
         bm_delay_process(&self->dry, out, dry, n);
         for (uint32_t i = 0; i < n && self->mem.move == SETTLING; ++i) {
            out[i] *= bm_fade_step(&self->mem.entry);
         }
         run_stages(self, out, n);
         move_on(self, out, dry, n);
      }
      if (self->mem.defer_frames) {
         self->mem.defer_frames -= n;
         if (self->mem.defer_frames == 0) {
            refresh(self);
         }
      }
      in += n;
      out += n;
      n_frames -= n;
   }
}

void bm_channel_strip_reset(BmChannelStrip* self)
{
   bm_glide_reset(&self->polarity);
   bm_fade_init(&self->mem.fade, BM_FADE_MS, self->cfg.rate_hz);
   bm_fade_set(&self->mem.fade, true);
   self->mem.move = STEADY;
   self->mem.defer_frames = 0;
   self->mem.is_fresh = true;
   restart(self);
}

uint32_t bm_channel_strip_latency_frames(const BmChannelStrip* self)
{
   return self->cfg.latency_frames;
}

uint32_t bm_channel_strip_settling_frames(const BmChannelStrip* self)
{
   return self->mem.defer_frames;
}

bool bm_channel_strip_is_through(const BmChannelStrip* self)
{
   bool is_through = self->mem.move == STEADY && self->mem.defer_frames == 0 && !places_have_changed(self) &&
                     bm_glide_is_still(&self->polarity) && self->polarity.value == 1.0;
   for (uint32_t s = 0; s < BM_STRIP_SLOTS; ++s) {
      is_through = is_through && bm_stage_is_out(&self->slots[s].stage);
   }
   return is_through && bm_stage_is_out(&self->eq_stage) && bm_stage_is_out(&self->preamp_stage) &&
          bm_stage_is_out(&self->mid_side_stage) && bm_stage_is_out(&self->shaper_stage) &&
          bm_stage_is_out(&self->room_stage);
}

const BmCharacterSlot* bm_channel_strip_slot(const BmChannelStrip* self, BmCharacter character)
{
   for (uint32_t s = 0; s < BM_STRIP_SLOTS; ++s) {
      if (bm_stage_runs(&self->slots[s].stage, (uint32_t)character)) {
         return &self->slots[s];
      }
   }
   return NULL;
}

static double character_gain_lin(const BmChannelStripParams* params, BmCharacter character, double level_lin)
{
   switch (character) {
   case BM_CHARACTER_FET:
      return bm_fet_compressor_nominal_gain_lin(&params->fet, level_lin);
   case BM_CHARACTER_OPTO:
      return bm_opto_compressor_nominal_gain_lin(&params->opto, level_lin);
   case BM_CHARACTER_VARIABLE_MU:
      return bm_variable_mu_compressor_nominal_gain_lin(&params->variable_mu, level_lin);
   default:
      return 1.0;
   }
}

/* Of the slots in a place, one after the other. */
static double place_gain_lin(const BmChannelStripParams* params, BmCharacterPlace place, double level_lin)
{
   double gain_lin = 1.0;
   for (uint32_t s = 0; s < BM_STRIP_SLOTS; ++s) {
      const BmStripSlot* slot = &params->slots[s];
      if (slot->place == place) {
         const double wet = character_gain_lin(params, slot->character, level_lin * gain_lin);
         gain_lin *= 1.0 - slot->mix + slot->mix * wet;
      }
   }
   return gain_lin;
}

double bm_channel_strip_nominal_gain_lin(const BmChannelStripParams* params, double level_lin)
{
   double gain_lin = place_gain_lin(params, BM_PLACE_BEFORE_EQ, level_lin);
   if (params->preamp_in) {
      gain_lin *= bm_preamp_nominal_gain_lin(&params->preamp, level_lin * gain_lin);
   }
   gain_lin *= place_gain_lin(params, BM_PLACE_AFTER_PREAMP, level_lin * gain_lin);
   return gain_lin * place_gain_lin(params, BM_PLACE_AFTER_MID_SIDE_EQ, level_lin * gain_lin);
}
