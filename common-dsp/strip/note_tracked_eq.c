/* SPDX-License-Identifier: ISC */
#include "strip/note_tracked_eq.h"

#include "base/note.h"

#include <math.h>

/* How far the note must have moved before the filters do: 3 cents, under 0.1 dB of the steepest low cut. */
#define REST_SHARE 0.00173

BmStatus bm_note_tracked_eq_init(BmNoteTrackedEq* self, double sample_rate_hz)
{
   /* A session saved with the switch on keeps what it learned: only turning it on counts. */
   self->cfg.params.learn_again = true;
   bm_control_clock_init(&self->mem.clock, BM_NOTE_PERIOD_FRAMES);
   const BmStatus status = bm_lowest_note_init(&self->search, sample_rate_hz);
   return status != BM_OK ? status : bm_fundamental_eq_init(&self->eq, sample_rate_hz);
}

/* The note to stand on when `heard_hz` was, 0 for none yet. What may be lower than the caller thinks is
   spared until it has been heard. */
static double note_hz(const BmNoteTrackedEqParams* params, double heard_hz)
{
   if (params->note_source == BM_NOTE_SET) {
      return params->note_hz;
   }
   return heard_hz > 0.0 ? heard_hz : fmin(params->note_hz, bm_tuning_lowest_hz(bm_tuning(params->tuning)));
}

static void stand_on_note(BmNoteTrackedEq* self)
{
   BmNoteTrackedEqParams* params = &self->cfg.params;
   params->eq.lowest_note_hz = note_hz(params, bm_lowest_note_hz(&self->search));
   bm_fundamental_eq_set(&self->eq, &params->eq);
   self->mem.stands = true;
}

/* Following, the search lets its note glide; the filters go along, but not for the last cents between one
   spectrum's reading and the next, which nobody hears and which would never let them rest. */
static void follow_note(BmNoteTrackedEq* self)
{
   const double standing_hz = self->cfg.params.eq.lowest_note_hz;
   const double hz = note_hz(&self->cfg.params, bm_lowest_note_hz(&self->search));
   if (!self->mem.stands || fabs(hz - standing_hz) > REST_SHARE * standing_hz) {
      stand_on_note(self);
   }
}

void bm_note_tracked_eq_set(BmNoteTrackedEq* self, const BmNoteTrackedEqParams* params)
{
   const BmTuning* tuning = bm_tuning(params->tuning);
   const BmLowestNoteParams search = {
      .lowest_hz = bm_tuning_search_low_hz(tuning),
      .highest_hz = bm_tuning_search_high_hz(tuning),
      .mode = params->note_source == BM_NOTE_LEARN ? BM_LOWEST_NOTE_HOLD : BM_LOWEST_NOTE_FOLLOW,
   };
   const double learned_hz = bm_lowest_note_learned_hz(&self->search);
   const bool is_foreign = learned_hz < search.lowest_hz || learned_hz > search.highest_hz;
   if (learned_hz > 0.0 && (is_foreign || (params->learn_again && !self->cfg.params.learn_again))) {
      bm_lowest_note_set_learned_hz(&self->search, 0.0);
   }
   self->cfg.params = *params;
   bm_lowest_note_set(&self->search, &search);
   stand_on_note(self);
}

void bm_note_tracked_eq_process(BmNoteTrackedEq* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   while (n_frames) {
      const uint32_t n = bm_control_clock_next(&self->mem.clock, n_frames);
      if (bm_control_clock_is_due(&self->mem.clock) && self->cfg.params.note_source != BM_NOTE_SET) {
         follow_note(self);
      }
      if (self->cfg.params.note_source != BM_NOTE_SET) {
         bm_lowest_note_process(&self->search, in, n);
      }
      bm_fundamental_eq_process(&self->eq, in, out, n);
      bm_control_clock_advance(&self->mem.clock, n);
      in += n;
      out += n;
      n_frames -= n;
   }
}

void bm_note_tracked_eq_reset(BmNoteTrackedEq* self)
{
   bm_control_clock_reset(&self->mem.clock);
   bm_lowest_note_reset(&self->search);
   bm_fundamental_eq_reset(&self->eq);
   self->mem.stands = false;
}

double bm_note_tracked_eq_note_hz(const BmNoteTrackedEq* self)
{
   const bool follows = self->cfg.params.note_source == BM_NOTE_FOLLOW;
   return note_hz(&self->cfg.params, follows ? bm_lowest_note_sounding_hz(&self->search)
                                             : bm_lowest_note_learned_hz(&self->search));
}

double bm_note_tracked_eq_confidence(const BmNoteTrackedEq* self)
{
   return self->cfg.params.note_source == BM_NOTE_SET ? 1.0 : bm_lowest_note_confidence(&self->search);
}

double bm_note_tracked_eq_learned_hz(const BmNoteTrackedEq* self)
{
   return bm_lowest_note_learned_hz(&self->search);
}

void bm_note_tracked_eq_set_learned_hz(BmNoteTrackedEq* self, double learned_hz)
{
   bm_lowest_note_set_learned_hz(&self->search, learned_hz);
}
