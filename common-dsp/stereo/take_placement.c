/* SPDX-License-Identifier: ISC */
#include "stereo/take_placement.h"

#include "base/clones.h"
#include "base/decibel.h"
#include "base/floats.h"

#include <math.h>
#include <string.h>

#define CONTROL_RATE_HZ 1500.0
#define HEAD_DELAY_MAX_S 0.01
#define UNHEARD_SHARE 1e-9
#define DESIGN_TILE 16

typedef double Doubles __attribute__((vector_size(32), aligned(8), may_alias));

/* y[n] = sum of taps[k] x[n + k], oldest frame and first tap first, for `n_tile` frames, a constant. Taps in
   turn to two sums each, that the adders need not wait. */
BM_INLINE void convolve_tile(const float* taps, uint32_t n_taps, const float* x, float* y,
                             const uint32_t n_tile)
{
   BmFloats even[BM_PLACEMENT_CHUNK_FRAMES / BM_FLOATS_STEP] = {{0.0f}};
   BmFloats odd[BM_PLACEMENT_CHUNK_FRAMES / BM_FLOATS_STEP] = {{0.0f}};
   uint32_t k = 0;
   for (; k + 2 <= n_taps; k += 2) {
      for (uint32_t i = 0; i < n_tile / BM_FLOATS_STEP; ++i) {
         even[i] += taps[k] * *(const BmFloats*)(x + k + (size_t)BM_FLOATS_STEP * i);
         odd[i] += taps[k + 1] * *(const BmFloats*)(x + k + 1 + (size_t)BM_FLOATS_STEP * i);
      }
   }
   for (uint32_t i = 0; i < n_tile / BM_FLOATS_STEP; ++i) {
      if (k < n_taps) {
         even[i] += taps[k] * *(const BmFloats*)(x + k + (size_t)BM_FLOATS_STEP * i);
      }
      *(BmFloats*)(y + (size_t)BM_FLOATS_STEP * i) = even[i] + odd[i];
   }
}

/* The same sum in the same order for every n. In single precision: it leaves -140 dB, and a host takes no
   more. Up to a tile of `x` is read beyond what is asked for. */
BM_CLONES static void convolve(const float* taps, uint32_t n_taps, const float* x, double* y,
                               uint32_t n_frames)
{
   float sums[BM_PLACEMENT_CHUNK_FRAMES];
   if (n_frames > BM_PLACEMENT_CHUNK_FRAMES / 2) {
      convolve_tile(taps, n_taps, x, sums, BM_PLACEMENT_CHUNK_FRAMES);
   } else if (n_frames > BM_FLOATS_STEP) {
      convolve_tile(taps, n_taps, x, sums, BM_PLACEMENT_CHUNK_FRAMES / 2);
   } else {
      convolve_tile(taps, n_taps, x, sums, BM_FLOATS_STEP);
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      y[n] = (double)sums[n];
   }
}

static uint32_t ear_taps(const BmTakePlacement* self)
{
   return self->head.n_taps + BM_FRACTIONAL_TAPS - 1;
}

static BmHistoryReach history_reach(double sample_rate_hz)
{
   const uint32_t taps = bm_head_taps(sample_rate_hz) + BM_FRACTIONAL_TAPS;
   /* A take may wait for its own delay and for an alignment. */
   const double delay_s = 2.0 * 0.001 * BM_PLACEMENT_DELAY_MAX_MS + HEAD_DELAY_MAX_S;
   return (BmHistoryReach){.delay_frames = (uint32_t)ceil(delay_s * sample_rate_hz) + taps,
                           .run_frames = 2 * BM_PLACEMENT_CHUNK_FRAMES + taps};
}

static size_t history_bytes(double sample_rate_hz)
{
   return (bm_history_bytes(history_reach(sample_rate_hz)) + 63) / 64 * 64;
}

static uint32_t fade_frames(double sample_rate_hz)
{
   return (uint32_t)(0.001 * BM_FADE_MS * sample_rate_hz);
}

/* A fade is over when a period is, so its end is read on to there. */
static uint32_t n_fade_shares(double sample_rate_hz)
{
   return fade_frames(sample_rate_hz) + bm_control_period_frames(CONTROL_RATE_HZ, sample_rate_hz);
}

static size_t fade_bytes(double sample_rate_hz)
{
   return (n_fade_shares(sample_rate_hz) * sizeof(double) + 63) / 64 * 64;
}

/* The place as heard, with what the alignment adds. */
static BmTakePlace place_of(const BmTakePlacement* self, uint32_t take)
{
   BmTakePlace place = self->cfg.params.takes[take];
   if (self->cfg.params.align && self->cfg.n_takes == 2) {
      const double late_ms = self->cfg.learned.delay_ms;
      place.delay_ms += fmax(0.0, take == 0 ? late_ms : -late_ms);
      place.polarity ^= take == 1 && self->cfg.learned.is_opposed;
   }
   return place;
}

static bool is_moved(const BmTakePlace* a, const BmTakePlace* b)
{
   return a->azimuth_deg != b->azimuth_deg || a->elevation_deg != b->elevation_deg ||
          a->distance_m != b->distance_m || a->delay_ms != b->delay_ms;
}

/* Leave out the taps at both ends that together hold no more than a billionth of the energy. */
static void trim_ear(BmPlacementVoice* voice, uint32_t ear, const double* taps, uint32_t n_taps)
{
   double energy = 0.0;
   for (uint32_t k = 0; k < n_taps; ++k) {
      energy += taps[k] * taps[k];
   }
   double spare = UNHEARD_SHARE * energy;
   uint32_t newest = 0;
   uint32_t end = n_taps;
   while (newest < end) {
      const double first = taps[newest] * taps[newest];
      const double last = taps[end - 1] * taps[end - 1];
      const double least = last <= first ? last : first;
      if (least > spare) {
         break;
      }
      spare -= least;
      end -= last <= first;
      newest += last > first;
   }
   voice->ear_first[ear] = n_taps - end;
   voice->ear_end[ear] = n_taps - newest;
}

static void design_level(const BmTakePlacement* self, const BmTakePlace* place, BmPlacementVoice* voice)
{
   double weights[BM_FRACTIONAL_TAPS];
   const double delay_frames = 0.001 * place->delay_ms * self->cfg.rate_hz;
   bm_fractional_delay_design(delay_frames - floor(delay_frames), weights);
   voice->is_whole = delay_frames == floor(delay_frames);
   voice->level_delay_frames = (uint32_t)delay_frames + BM_FRACTIONAL_TAPS - 1;
   for (uint32_t k = 0; k < BM_FRACTIONAL_TAPS; ++k) {
      voice->level_taps[k] = (float)weights[BM_FRACTIONAL_TAPS - 1 - k];
   }
}

/* taps[n] = sum of weights[k] late_head[n - k + BM_FRACTIONAL_TAPS - 1], newest frame first, for whole tiles.
 */
BM_CLONES static void delay_head(const double* weights, const double* late_head, double* taps,
                                 uint32_t n_taps)
{
   for (uint32_t n = 0; n < n_taps; n += DESIGN_TILE) {
      Doubles sums[DESIGN_TILE / 4] = {{0.0}};
      for (uint32_t k = 0; k < BM_FRACTIONAL_TAPS; ++k) {
         const double* x = late_head + n + BM_FRACTIONAL_TAPS - 1 - k;
         for (uint32_t i = 0; i < DESIGN_TILE / 4; ++i) {
            sums[i] += weights[k] * *(const Doubles*)(x + (size_t)4 * i);
         }
      }
      for (uint32_t i = 0; i < DESIGN_TILE / 4; ++i) {
         *(Doubles*)(taps + n + (size_t)4 * i) = sums[i];
      }
   }
}

static void design_ear(const BmTakePlacement* self, const BmPlacedTake* take, uint32_t ear,
                       BmPlacementVoice* voice)
{
   enum { BEFORE = BM_FRACTIONAL_TAPS - 1, AFTER = BM_FRACTIONAL_TAPS - 1 + DESIGN_TILE };
   double late_head[BEFORE + BM_HEAD_TAPS_MAX + AFTER];
   const uint32_t n_head = self->head.n_taps;
   memset(late_head, 0, BEFORE * sizeof *late_head);
   memcpy(late_head + BEFORE, take->response.taps[ear], n_head * sizeof *late_head);
   memset(late_head + BEFORE + n_head, 0, AFTER * sizeof *late_head);

   const double head_s = fmin(take->response.delays_s[ear], HEAD_DELAY_MAX_S);
   const double delay_frames = 0.001 * take->heard.delay_ms * self->cfg.rate_hz + head_s * self->cfg.rate_hz;
   double weights[BM_FRACTIONAL_TAPS];
   double taps[BM_PLACEMENT_TAPS_MAX + DESIGN_TILE];
   const uint32_t n_taps = ear_taps(self);
   bm_fractional_delay_design(delay_frames - floor(delay_frames), weights);
   delay_head(weights, late_head, taps, n_taps);
   voice->ear_delay_frames[ear] = (uint32_t)delay_frames + n_taps - 1;
   trim_ear(voice, ear, taps, n_taps);
   for (uint32_t k = 0; k < n_taps; ++k) {
      voice->ear_taps[ear][k] = (float)taps[n_taps - 1 - k];
   }
}

/* One part of working out the place to be heard; true when that was the last. */
static bool design_part(BmTakePlacement* self, BmPlacedTake* take, BmPlacementVoice* voice)
{
   const BmTakePlace* place = &take->heard;
   switch (take->part++) {
   case 0:
      design_level(self, place, voice);
      bm_head_responses_at(&self->head, bm_direction(-place->azimuth_deg, place->elevation_deg),
                           place->distance_m, &take->response);
      return false;
   case 1:
      design_ear(self, take, 0, voice);
      return false;
   default:
      design_ear(self, take, 1, voice);
      return true;
   }
}

static void set_gains(BmTakePlacement* self, uint32_t index)
{
   BmPlacedTake* take = &self->takes[index];
   const BmTakePlace place = place_of(self, index);
   const double magnitude = place.gain_db > BM_SILENCE_DB ? bm_gain_from_db(place.gain_db) : 0.0;
   const double gain = place.polarity ? -magnitude : magnitude;
   const BmFrame pan = bm_pan_gains(self->cfg.params.law, place.pan);
   bm_glide_set(&take->level_left, gain * pan[0]);
   bm_glide_set(&take->level_right, gain * pan[1]);
   bm_glide_set(&take->binaural_gain, gain);
}

static void take_place_at_once(BmTakePlacement* self, uint32_t index)
{
   BmPlacedTake* take = &self->takes[index];
   take->heard = place_of(self, index);
   take->motion = BM_PLACEMENT_STILL;
   take->part = 0;
   while (!design_part(self, take, &take->voices[take->current])) {
   }
}

/* A take that is to move is worked out a part at a time, the takes in turn, so that no period has much to do.
 */
static void prepare_move(BmTakePlacement* self, uint32_t index)
{
   BmPlacedTake* take = &self->takes[index];
   const BmTakePlace place = place_of(self, index);
   if (take->motion != BM_PLACEMENT_FADING && take->has_new_head) {
      take->has_new_head = false;
      take->heard = place;
      take->motion = BM_PLACEMENT_PREPARING;
      take->part = 0;
   } else if (take->motion == BM_PLACEMENT_STILL && is_moved(&place, &take->heard)) {
      take->heard = place;
      take->motion = BM_PLACEMENT_PREPARING;
      take->part = 0;
   }
   if (take->motion == BM_PLACEMENT_PREPARING && design_part(self, take, &take->voices[1 - take->current])) {
      take->motion = BM_PLACEMENT_FADING;
      take->faded_frames = 0;
   }
}

static void control(BmTakePlacement* self)
{
   for (uint32_t i = 0; i < self->cfg.n_takes; ++i) {
      BmPlacedTake* take = &self->takes[i];
      if (take->motion == BM_PLACEMENT_FADING && take->faded_frames >= fade_frames(self->cfg.rate_hz)) {
         take->current = 1 - take->current;
         take->motion = BM_PLACEMENT_STILL;
      }
   }
   self->mem.turn = self->mem.turn + 1 < self->cfg.n_takes ? self->mem.turn + 1 : 0;
   prepare_move(self, self->mem.turn);
}

/* What a voice makes of the newest chunk: [0] by level, [1], [2] the ears. */
static void sound(const BmTakePlacement* self, uint32_t lane, const BmPlacementVoice* voice,
                  double (*y)[BM_PLACEMENT_CHUNK_FRAMES], uint32_t n_frames)
{
   const BmHistory* history = &self->history;
   if (voice->is_whole) {
      const double* level = bm_history_at(history, lane, voice->level_delay_frames);
      memcpy(y[0], level + BM_FRACTIONAL_TAPS - 1 - BM_FRACTIONAL_LATENCY_FRAMES, n_frames * sizeof *y[0]);
   } else {
      convolve(voice->level_taps, BM_FRACTIONAL_TAPS,
               bm_history_singles_at(history, lane, voice->level_delay_frames), y[0], n_frames);
   }
   for (uint32_t ear = 0; ear < 2; ++ear) {
      const uint32_t first = voice->ear_first[ear];
      convolve(voice->ear_taps[ear] + first, voice->ear_end[ear] - first,
               bm_history_singles_at(history, lane, voice->ear_delay_frames[ear]) + first, y[1 + ear],
               n_frames);
   }
}

static void add_take(BmTakePlacement* self, uint32_t index, BmFrame* level, BmFrame* binaural,
                     uint32_t n_frames)
{
   BmPlacedTake* take = &self->takes[index];
   double y[3][BM_PLACEMENT_CHUNK_FRAMES];
   sound(self, index, &take->voices[take->current], y, n_frames);
   if (take->motion == BM_PLACEMENT_FADING) {
      double next[3][BM_PLACEMENT_CHUNK_FRAMES];
      sound(self, index, &take->voices[1 - take->current], next, n_frames);
      const double* shares = self->fade_shares + take->faded_frames;
      for (uint32_t i = 0; i < 3; ++i) {
         for (uint32_t n = 0; n < n_frames; ++n) {
            y[i][n] += shares[n] * (next[i][n] - y[i][n]);
         }
      }
      take->faded_frames += n_frames;
   }
   if (bm_glide_is_still(&take->level_left) && bm_glide_is_still(&take->level_right) &&
       bm_glide_is_still(&take->binaural_gain)) {
      const BmFrame gain = bm_frame(take->level_left.value, take->level_right.value);
      const BmFrame ears = bm_frame_both(take->binaural_gain.value);
      for (uint32_t n = 0; n < n_frames; ++n) {
         level[n] += gain * y[0][n];
         binaural[n] += ears * bm_frame(y[1][n], y[2][n]);
      }
      return;
   }
   for (uint32_t n = 0; n < n_frames; ++n) {
      level[n] += bm_frame(bm_glide_step(&take->level_left), bm_glide_step(&take->level_right)) * y[0][n];
      binaural[n] += bm_glide_step(&take->binaural_gain) * bm_frame(y[1][n], y[2][n]);
   }
}

static void process_chunk(BmTakePlacement* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   BmFrame level[BM_PLACEMENT_CHUNK_FRAMES], binaural[BM_PLACEMENT_CHUNK_FRAMES];
   memset(level, 0, sizeof level);
   memset(binaural, 0, sizeof binaural);
   bm_history_push(&self->history, in, n_frames);
   if (self->cfg.n_takes == 2) {
      bm_take_alignment_process(&self->alignment, in, n_frames);
   }
   for (uint32_t i = 0; i < self->cfg.n_takes; ++i) {
      add_take(self, i, level, binaural, n_frames);
   }
   bm_correlation_process(&self->level_correlation, level, n_frames);
   bm_correlation_process(&self->binaural_correlation, binaural, n_frames);
   for (uint32_t n = 0; n < n_frames; ++n) {
      const double share = bm_fade_step(&self->binaural);
      out[n] = share == 0.0   ? level[n]
               : share == 1.0 ? binaural[n]
                              : level[n] + share * (binaural[n] - level[n]);
   }
}

size_t bm_take_placement_bytes(double sample_rate_hz)
{
   return history_bytes(sample_rate_hz) + fade_bytes(sample_rate_hz) +
          bm_take_alignment_bytes(sample_rate_hz);
}

BmStatus bm_take_placement_init(BmTakePlacement* self, void* memory, double sample_rate_hz, uint32_t n_takes)
{
   memset(self, 0, sizeof *self);
   const BmStatus status = bm_head_responses_init_sphere(&self->head, sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (!memory || n_takes < 1 || n_takes > 2) {
      return BM_BAD_ARGUMENT;
   }
   self->cfg.rate_hz = sample_rate_hz;
   self->cfg.n_takes = n_takes;
   bm_history_init(&self->history, memory, history_reach(sample_rate_hz));
   char* rest = (char*)memory + history_bytes(sample_rate_hz);
   self->fade_shares = (double*)(void*)rest;
   BmFade fade;
   bm_fade_init(&fade, BM_FADE_MS, sample_rate_hz);
   bm_fade_set(&fade, false);
   bm_fade_set(&fade, true);
   for (uint32_t n = 0; n < n_fade_shares(sample_rate_hz); ++n) {
      self->fade_shares[n] = bm_fade_step(&fade);
   }
   bm_take_alignment_init(&self->alignment, rest + fade_bytes(sample_rate_hz), sample_rate_hz);
   bm_correlation_init(&self->level_correlation, sample_rate_hz, BM_CORRELATION_WINDOW_S);
   bm_correlation_init(&self->binaural_correlation, sample_rate_hz, BM_CORRELATION_WINDOW_S);
   bm_control_clock_init(&self->mem.clock, bm_control_period_frames(CONTROL_RATE_HZ, sample_rate_hz));
   bm_fade_init(&self->binaural, BM_FADE_MS, sample_rate_hz);
   for (uint32_t i = 0; i < 2; ++i) {
      bm_glide_init(&self->takes[i].level_left, BM_GLIDE_MS, sample_rate_hz);
      bm_glide_init(&self->takes[i].level_right, BM_GLIDE_MS, sample_rate_hz);
      bm_glide_init(&self->takes[i].binaural_gain, BM_GLIDE_MS, sample_rate_hz);
      self->cfg.params.takes[i].distance_m = 1.0;
   }
   bm_take_placement_reset(self);
   return BM_OK;
}

void bm_take_placement_set_head(BmTakePlacement* self, const BmHeadResponses* head)
{
   self->head = *head;
   for (uint32_t i = 0; i < self->cfg.n_takes; ++i) {
      if (self->mem.takes_at_once) {
         take_place_at_once(self, i);
      } else {
         self->takes[i].has_new_head = true;
      }
   }
}

void bm_take_placement_set(BmTakePlacement* self, const BmTakePlacementParams* params)
{
   if (params->align && !self->cfg.params.align && !self->mem.takes_at_once) {
      self->cfg.learned = bm_take_placement_suggestion(self);
   }
   self->cfg.params = *params;
   bm_fade_set(&self->binaural, params->method == BM_PLACEMENT_BINAURAL);
   for (uint32_t i = 0; i < self->cfg.n_takes; ++i) {
      set_gains(self, i);
      if (self->mem.takes_at_once) {
         take_place_at_once(self, i);
      }
   }
   self->mem.takes_at_once = false;
}

void bm_take_placement_process(BmTakePlacement* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   while (n_frames > 0) {
      if (bm_control_clock_is_due(&self->mem.clock)) {
         control(self);
      }
      uint32_t n = bm_control_clock_next(&self->mem.clock, n_frames);
      n = n < BM_PLACEMENT_CHUNK_FRAMES ? n : BM_PLACEMENT_CHUNK_FRAMES;
      process_chunk(self, in, out, n);
      bm_control_clock_advance(&self->mem.clock, n);
      in += n;
      out += n;
      n_frames -= n;
   }
}

void bm_take_placement_reset(BmTakePlacement* self)
{
   bm_history_reset(&self->history);
   bm_take_alignment_reset(&self->alignment);
   bm_correlation_reset(&self->level_correlation);
   bm_correlation_reset(&self->binaural_correlation);
   bm_control_clock_reset(&self->mem.clock);
   self->mem.turn = 0;
   bm_fade_reset(&self->binaural);
   for (uint32_t i = 0; i < self->cfg.n_takes; ++i) {
      BmPlacedTake* take = &self->takes[i];
      take->has_new_head = false;
      take_place_at_once(self, i);
      bm_glide_reset(&take->level_left);
      bm_glide_reset(&take->level_right);
      bm_glide_reset(&take->binaural_gain);
   }
   self->mem.takes_at_once = true;
}

uint32_t bm_take_placement_latency_frames(const BmTakePlacement* self)
{
   (void)self;
   return BM_FRACTIONAL_LATENCY_FRAMES;
}

BmTakeOffset bm_take_placement_learned(const BmTakePlacement* self)
{
   return self->cfg.learned;
}

void bm_take_placement_recall(BmTakePlacement* self, BmTakeOffset offset)
{
   self->cfg.learned = offset;
   for (uint32_t i = 0; i < self->cfg.n_takes && !self->mem.takes_at_once; ++i) {
      set_gains(self, i);
   }
}

BmTakeOffset bm_take_placement_suggestion(const BmTakePlacement* self)
{
   return (BmTakeOffset){bm_take_alignment_delay_ms(&self->alignment),
                         bm_take_alignment_is_opposed(&self->alignment)};
}

double bm_take_placement_confidence_norm(const BmTakePlacement* self)
{
   return bm_take_alignment_confidence_norm(&self->alignment);
}

const BmCorrelation* bm_take_placement_correlation(const BmTakePlacement* self, BmPlacementMethod method)
{
   return method == BM_PLACEMENT_BINAURAL ? &self->binaural_correlation : &self->level_correlation;
}

double bm_take_placement_comb_notch_hz(const BmTakePlacement* self)
{
   if (self->cfg.n_takes < 2) {
      return 0.0;
   }
   const BmTakeOffset found = bm_take_placement_suggestion(self);
   const BmTakePlace first = place_of(self, 0);
   const BmTakePlace second = place_of(self, 1);
   const double delay_s = 0.001 * fabs(found.delay_ms + second.delay_ms - first.delay_ms);
   const bool is_opposed = found.is_opposed != (first.polarity != second.polarity);
   /* Opposed takes cancel at the bottom, and then at every whole period of the delay. */
   const double notch_hz = (is_opposed ? 1.0 : 0.5) / delay_s;
   return notch_hz < 0.5 * self->cfg.rate_hz ? notch_hz : 0.0;
}
