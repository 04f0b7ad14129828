/* SPDX-License-Identifier: ISC */
#include "filters/band_eq.h"

#include "base/clones.h"

#include <math.h>
#include <string.h>

#define CONTROL_RATE_HZ 1500.0
#define GLIDE_MS 5.0 /* of each of four poles: 20 ms in all */

/* A design shapes the spline for this many ticks. */
#define SPLINE_TICKS 3

/* States are looked at for silence only so often, so that runs at rest are long. */
#define TICKS_PER_CLEANING 4

/* Below this a state is silence (-500 dBFS); denormals lie far below. */
#define SILENCE 1e-25

/* The most pairs of sections that are run at once. */
#define MAX_COUPLES 5

#define FREQUENCY_MIN_HZ 1.0
#define Q_MIN 0.01

static bool is_without_effect(const BmLanesSection* s)
{
   return s->direct[0] == 1.0 && s->direct[1] == 1.0 && s->mix_band[0] == 0.0 && s->mix_band[1] == 0.0 &&
          s->mix_low[0] == 0.0 && s->mix_low[1] == 0.0;
}

static BmLanesSection lanes(const BmSection* left, const BmSection* right)
{
   return (BmLanesSection){
      bm_frame(left->keep, right->keep),         bm_frame(left->turn, right->turn),
      bm_frame(left->step, right->step),         bm_frame(left->direct, right->direct),
      bm_frame(left->mix_band, right->mix_band), bm_frame(left->mix_low, right->mix_low),
   };
}

static double value(const BmBand* band, uint32_t lane, BmBandGlideIndex index)
{
   return band->glides[lane][index].glide.value;
}

static BmMatched design_lane(const BmBandEq* self, uint32_t index, uint32_t lane)
{
   const BmBand* band = &self->mem.bands[index];
   const double radians_per_hz = 6.28318530717958647692 / self->cfg.rate_hz;
   const double omega = fmin(exp2(value(band, lane, BM_BAND_OCTAVE)) * radians_per_hz, BM_MATCHED_OMEGA_MAX);
   const double gain_db = value(band, lane, BM_BAND_GAIN_DB);
   const double q = exp2(value(band, lane, BM_BAND_Q_OCTAVE));
   switch (self->cfg.kinds[index]) {
   case BM_BAND_LOW_CUT:
      return bm_matched_low_cut(omega, q, value(band, lane, BM_BAND_AMOUNT));
   case BM_BAND_LOW_SHELF:
      return bm_matched_low_shelf(omega, gain_db, q);
   case BM_BAND_HIGH_SHELF:
      return bm_matched_high_shelf(omega, gain_db, q);
   case BM_BAND_BELL:
   default:
      return bm_matched_bell(omega, gain_db, q);
   }
}

static void design(BmBandEq* self, uint32_t index)
{
   BmBand* band = &self->mem.bands[index];
   const BmMatched left = design_lane(self, index, 0);
   const BmMatched right = self->cfg.n_lanes == 2 ? design_lane(self, index, 1) : left;
   band->sections[0].last[0] = lanes(&left.body, &right.body);
   band->sections[1].last[0] = lanes(&left.correction, &right.correction);
}

static void glide_init(BmBandGlide* self, double step_rate_hz)
{
   bm_glide_init(&self->ahead, GLIDE_MS, step_rate_hz);
   bm_glide_init(&self->glide, GLIDE_MS, step_rate_hz);
}

static void glide_reset(BmBandGlide* self)
{
   bm_glide_reset(&self->ahead);
   bm_glide_set(&self->glide, self->ahead.value);
   bm_glide_reset(&self->glide);
}

static void glide_set(BmBandGlide* self, double target)
{
   bm_glide_set(&self->ahead, target);
   bm_glide_set(&self->glide, self->ahead.value);
}

static bool glide_is_still(const BmBandGlide* self)
{
   return bm_glide_is_still(&self->ahead) && bm_glide_is_still(&self->glide);
}

static void glide_step(BmBandGlide* self)
{
   bm_glide_set(&self->glide, bm_glide_step(&self->ahead));
   bm_glide_step(&self->glide);
}

static bool are_glides_still(const BmBandEq* self, const BmBand* band)
{
   bool still = true;
   for (uint32_t lane = 0; lane < self->cfg.n_lanes; ++lane) {
      for (uint32_t i = 0; i < BM_BAND_N_GLIDES; ++i) {
         still = still && glide_is_still(&band->glides[lane][i]);
      }
   }
   return still;
}

static void step_glides(const BmBandEq* self, BmBand* band)
{
   for (uint32_t lane = 0; lane < self->cfg.n_lanes; ++lane) {
      for (uint32_t i = 0; i < BM_BAND_N_GLIDES; ++i) {
         glide_step(&band->glides[lane][i]);
      }
   }
}

/* The spline's piece from the mean of the two older designs to the mean of the two newer. */
static void lay_spline(BmFrame* now, BmFrame* rise, BmFrame* bend, const BmFrame newest_to_oldest[3],
                       double frames)
{
   const BmFrame n = bm_frame_both(1.0 / frames);
   const BmFrame c2 = newest_to_oldest[0];
   const BmFrame c1 = newest_to_oldest[1];
   const BmFrame c0 = newest_to_oldest[2];
   *now = 0.5 * (c0 + c1);
   *bend = (c2 - 2.0 * c1 + c0) * n * n;
   *rise = (c1 - c0) * n + 0.5 * *bend;
}

static void lay_splines(BmMovingSection* s, double frames)
{
#define LAY(member)                                                                                          \
   lay_spline(&s->now.member, &s->rise.member, &s->bend.member,                                              \
              (const BmFrame[3]){s->last[0].member, s->last[1].member, s->last[2].member}, frames)
   LAY(keep);
   LAY(turn);
   LAY(step);
   LAY(direct);
   LAY(mix_band);
   LAY(mix_low);
#undef LAY
}

static void follow_designs(const BmBandEq* self, BmBand* band)
{
   for (uint32_t i = 0; i < 2; ++i) {
      BmMovingSection* s = &band->sections[i];
      if (band->ticks_to_rest) {
         lay_splines(s, (double)self->cfg.tick_frames);
      } else {
         s->now = s->last[0];
      }
   }
}

static bool is_heard(const BmBandEq* self, uint32_t index)
{
   const BmBand* band = &self->mem.bands[index];
   const BmBandGlideIndex effect_index =
      self->cfg.kinds[index] == BM_BAND_LOW_CUT ? BM_BAND_AMOUNT : BM_BAND_GAIN_DB;
   bool heard = band->ticks_to_rest > 0;
   for (uint32_t lane = 0; lane < self->cfg.n_lanes; ++lane) {
      const BmBandGlide* effect = &band->glides[lane][effect_index];
      heard = heard || effect->glide.value != 0.0 || !glide_is_still(effect);
   }
   return heard;
}

/* Take the design of where the glides are, without a way there. */
static void jump(BmBandEq* self, uint32_t index)
{
   BmBand* band = &self->mem.bands[index];
   design(self, index);
   for (uint32_t i = 0; i < 2; ++i) {
      band->sections[i].last[2] = band->sections[i].last[1] = band->sections[i].last[0];
   }
   band->is_stale = false;
}

static bool is_designed_without_effect(const BmBand* band)
{
   return is_without_effect(&band->sections[0].last[0]) && is_without_effect(&band->sections[1].last[0]);
}

static void tick_band(BmBandEq* self, uint32_t index)
{
   BmBand* band = &self->mem.bands[index];
   if (band->jumps) {
      band->jumps = false;
      if (!is_heard(self, index) && is_designed_without_effect(band)) {
         band->is_stale = true; /* until it is to be heard */
         return;
      }
      jump(self, index); /* before a step of the glides, so that what moves still starts from here */
      band->ticks_to_rest = are_glides_still(self, band) ? 0 : SPLINE_TICKS;
      follow_designs(self, band);
      return;
   }
   const bool moves = !are_glides_still(self, band);
   if (moves && band->is_stale) {
      jump(self, index);
   }
   if (moves) {
      band->ticks_to_rest = SPLINE_TICKS;
   }
   if (band->ticks_to_rest == 0) {
      return;
   }
   --band->ticks_to_rest;
   for (uint32_t i = 0; i < 2; ++i) {
      band->sections[i].last[2] = band->sections[i].last[1];
      band->sections[i].last[1] = band->sections[i].last[0];
   }
   if (moves) {
      step_glides(self, band);
      design(self, index);
   }
   follow_designs(self, band);
}

static BmFrame without_denormals(BmFrame x)
{
   return bm_frame_select(bm_frame_abs(x) < bm_frame_both(SILENCE), bm_frame_both(0.0), x);
}

static bool has_effect(const BmMovingSection* s, bool moves)
{
   return !is_without_effect(&s->last[0]) ||
          (moves && !(is_without_effect(&s->last[1]) && is_without_effect(&s->last[2])));
}

static void list_sections(BmBandEq* self)
{
   self->coef.n_run = 0;
   self->coef.rests = true;
   for (uint32_t b = 0; b < self->cfg.n_bands; ++b) {
      BmBand* band = &self->mem.bands[b];
      const bool moves = band->ticks_to_rest > 0;
      self->coef.rests = self->coef.rests && !moves && !band->jumps;
      for (uint32_t i = 0; i < 2; ++i) {
         BmMovingSection* s = &band->sections[i];
         if (has_effect(s, moves)) {
            self->coef.run[self->coef.n_run].band = (uint8_t)b;
            self->coef.run[self->coef.n_run].section = (uint8_t)i;
            self->coef.run[self->coef.n_run].moves = moves;
            ++self->coef.n_run;
         } else {
            s->band = bm_frame_both(0.0);
            s->low = bm_frame_both(0.0);
         }
      }
   }
}

static BmMovingSection* section_to_run(BmBandEq* self, uint32_t i)
{
   return &self->mem.bands[self->coef.run[i].band].sections[self->coef.run[i].section];
}

static void clean_sections(BmBandEq* self)
{
   for (uint32_t i = 0; i < self->coef.n_run; ++i) {
      BmMovingSection* s = section_to_run(self, i);
      s->band = without_denormals(s->band);
      s->low = without_denormals(s->low);
   }
}

static void tick(BmBandEq* self)
{
   if (!self->coef.rests) {
      for (uint32_t b = 0; b < self->cfg.n_bands; ++b) {
         tick_band(self, b);
      }
      list_sections(self);
   }
   if (bm_control_clock_is_due(&self->mem.clock)) {
      clean_sections(self);
   }
}

static inline BmFrame run_frame(const BmLanesSection* c, BmFrame* band, BmFrame* low, BmFrame x)
{
   const BmFrame old_band = *band;
   const BmFrame old_low = *low;
   const BmFrame v = x - old_low;
   *band = c->keep * old_band + c->turn * v;
   *low = old_low + (c->turn * old_band + c->step * v);
   return c->direct * x + (c->mix_band * old_band + c->mix_low * old_low);
}

static void run_still(BmMovingSection* s, BmFrame* frames, uint32_t n)
{
   BmFrame band = s->band;
   BmFrame low = s->low;
   for (uint32_t i = 0; i < n; ++i) {
      frames[i] = run_frame(&s->now, &band, &low, frames[i]);
   }
   s->band = band;
   s->low = low;
}

/* Two sections that follow one another, the later one in the first lanes, a frame behind. */
typedef struct {
   BmFramePair keep;
   BmFramePair turn;
   BmFramePair step;
   BmFramePair direct;
   BmFramePair mix_band;
   BmFramePair mix_low;
   BmFramePair band;
   BmFramePair low;
} Couple;

#if defined(__clang__)
#define UNROLL _Pragma("unroll")
#else
#define UNROLL _Pragma("GCC unroll 16")
#endif

/* Both halves as run_frame(). */
BM_INLINE void run_couple(Couple* c, const BmFramePair* in, BmFramePair* out)
{
   const BmFramePair x = *in;
   const BmFramePair old_band = c->band;
   const BmFramePair old_low = c->low;
   const BmFramePair v = x - old_low;
   c->band = c->keep * old_band + c->turn * v;
   c->low = old_low + (c->turn * old_band + c->step * v);
   *out = c->direct * x + (c->mix_band * old_band + c->mix_low * old_low);
}

/* One turn of the couples from `first` to before `end`: each takes in what the one before gave last turn. */
BM_INLINE void run_turn(Couple* couples, const uint32_t first, const uint32_t end, const BmFramePair* in,
                        BmFramePair* y)
{
   BmFramePair x[MAX_COUPLES];
   for (uint32_t k = first; k < end; ++k) {
      x[k] = __builtin_shufflevector(y[k], k ? y[k - 1] : *in, 2, 3, 4, 5);
   }
   for (uint32_t k = first; k < end; ++k) {
      run_couple(&couples[k], &x[k], &y[k]);
   }
}

/* Put back the later, or the earlier, section of a couple that had no frame in a turn. */
BM_INLINE void put_back_later(Couple* c, const Couple* before)
{
   c->band = __builtin_shufflevector(before->band, c->band, 0, 1, 6, 7);
   c->low = __builtin_shufflevector(before->low, c->low, 0, 1, 6, 7);
}

BM_INLINE void put_back_earlier(Couple* c, const Couple* before)
{
   c->band = __builtin_shufflevector(c->band, before->band, 0, 1, 6, 7);
   c->low = __builtin_shufflevector(c->low, before->low, 0, 1, 6, 7);
}

/*
   Sections in series as a skewed pipeline: while the first is at frame t, section s is at t - s, so that in
   one turn none waits for another. `n_couples` is a constant where this is called, so that turns in which
   only some have a frame, at both ends, cost no more than those; n is more than the skew.
*/
BM_INLINE void run_pipeline(BmMovingSection* const* sections, const uint32_t n_couples, BmFrame* frames,
                            uint32_t n)
{
   const uint32_t skew = 2 * n_couples - 1;
   const BmFramePair nothing = {0.0};
   Couple couples[MAX_COUPLES];
   BmFramePair y[MAX_COUPLES];
   for (uint32_t k = 0; k < n_couples; ++k) {
      const BmMovingSection* a = sections[2 * k + 1];
      const BmMovingSection* b = sections[2 * k];
      couples[k] = (Couple){
         BM_FRAME_PAIR(a->now.keep, b->now.keep),
         BM_FRAME_PAIR(a->now.turn, b->now.turn),
         BM_FRAME_PAIR(a->now.step, b->now.step),
         BM_FRAME_PAIR(a->now.direct, b->now.direct),
         BM_FRAME_PAIR(a->now.mix_band, b->now.mix_band),
         BM_FRAME_PAIR(a->now.mix_low, b->now.mix_low),
         BM_FRAME_PAIR(a->band, b->band),
         BM_FRAME_PAIR(a->low, b->low),
      };
      y[k] = nothing;
   }
   UNROLL for (uint32_t t = 0; t < skew; ++t)
   {
      const BmFramePair in = BM_FRAME_PAIR(frames[t], frames[t]);
      const Couple newest = couples[t / 2];
      run_turn(couples, 0, t / 2 + 1, &in, y);
      if (t % 2 == 0) {
         put_back_later(&couples[t / 2], &newest);
      }
   }
   for (uint32_t t = skew; t < n; ++t) {
      const BmFramePair in = BM_FRAME_PAIR(frames[t], frames[t]);
      run_turn(couples, 0, n_couples, &in, y);
      frames[t - skew] = BM_FIRST_OF_PAIR(y[n_couples - 1]);
   }
   UNROLL for (uint32_t t = 0; t < skew; ++t)
   {
      const uint32_t oldest = (t + 1) / 2;
      const Couple before = couples[oldest];
      run_turn(couples, oldest, n_couples, &nothing, y);
      if (t % 2 == 0) {
         put_back_earlier(&couples[oldest], &before);
      }
      frames[n - skew + t] = BM_FIRST_OF_PAIR(y[n_couples - 1]);
   }
   for (uint32_t k = 0; k < n_couples; ++k) {
      sections[2 * k]->band = BM_SECOND_OF_PAIR(couples[k].band);
      sections[2 * k]->low = BM_SECOND_OF_PAIR(couples[k].low);
      sections[2 * k + 1]->band = BM_FIRST_OF_PAIR(couples[k].band);
      sections[2 * k + 1]->low = BM_FIRST_OF_PAIR(couples[k].low);
   }
}

/* Up to two for each couple, and one that lets through where they are odd. */
BM_CLONES static void run_sections(BmMovingSection* const* sections, uint32_t n_couples, BmFrame* frames,
                                   uint32_t n)
{
   switch (n_couples) {
   case 1:
      run_pipeline(sections, 1, frames, n);
      break;
   case 2:
      run_pipeline(sections, 2, frames, n);
      break;
   case 3:
      run_pipeline(sections, 3, frames, n);
      break;
   case 4:
      run_pipeline(sections, 4, frames, n);
      break;
   default:
      run_pipeline(sections, MAX_COUPLES, frames, n);
      break;
   }
}

static inline void advance(BmFrame* now, BmFrame* rise, BmFrame bend)
{
   *now += *rise;
   *rise += bend;
}

static void run_moving(BmMovingSection* s, BmFrame* frames, uint32_t n)
{
   BmLanesSection now = s->now;
   BmLanesSection rise = s->rise;
   const BmLanesSection bend = s->bend;
   BmFrame band = s->band;
   BmFrame low = s->low;
   for (uint32_t i = 0; i < n; ++i) {
      frames[i] = run_frame(&now, &band, &low, frames[i]);
      advance(&now.keep, &rise.keep, bend.keep);
      advance(&now.turn, &rise.turn, bend.turn);
      advance(&now.step, &rise.step, bend.step);
      advance(&now.direct, &rise.direct, bend.direct);
      advance(&now.mix_band, &rise.mix_band, bend.mix_band);
      advance(&now.mix_low, &rise.mix_low, bend.mix_low);
   }
   s->now = now;
   s->rise = rise;
   s->band = band;
   s->low = low;
}

static void run_all(BmBandEq* self, BmFrame* frames, uint32_t n)
{
   for (uint32_t i = 0; i < self->coef.n_run;) {
      if (self->coef.run[i].moves) {
         run_moving(section_to_run(self, i), frames, n);
         ++i;
         continue;
      }
      BmMovingSection* sections[2 * MAX_COUPLES + 1];
      BmMovingSection through = {.now = {.direct = {1.0, 1.0}}};
      uint32_t count = 0;
      while (count < 2 * MAX_COUPLES && i < self->coef.n_run && !self->coef.run[i].moves) {
         sections[count++] = section_to_run(self, i++);
      }
      if (n <= count) { /* too short for a pipeline */
         for (uint32_t k = 0; k < count; ++k) {
            run_still(sections[k], frames, n);
         }
         continue;
      }
      sections[count] = &through;
      run_sections(sections, (count + 1) / 2, frames, n);
   }
}

BmStatus bm_band_eq_init(BmBandEq* self, double sample_rate_hz, const BmBandKind* kinds, uint32_t n_bands,
                         uint32_t n_lanes)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   if (n_bands > BM_BAND_EQ_BANDS_MAX || n_lanes < 1 || n_lanes > 2) {
      return BM_BAD_ARGUMENT;
   }
   memset(self, 0, sizeof *self);
   self->cfg.rate_hz = sample_rate_hz;
   self->cfg.n_bands = n_bands;
   self->cfg.n_lanes = n_lanes;
   const uint32_t tick_frames = (uint32_t)(sample_rate_hz / CONTROL_RATE_HZ);
   self->cfg.tick_frames = tick_frames;
   bm_control_clock_init(&self->mem.clock, TICKS_PER_CLEANING * tick_frames);
   const double tick_rate_hz = sample_rate_hz / tick_frames;
   for (uint32_t b = 0; b < n_bands; ++b) {
      BmBand* band = &self->mem.bands[b];
      self->cfg.kinds[b] = kinds[b];
      for (uint32_t i = 0; i < BM_BAND_N_GLIDES; ++i) {
         glide_init(&band->glides[0][i], tick_rate_hz);
         glide_init(&band->glides[1][i], tick_rate_hz);
      }
   }
   bm_band_eq_reset(self);
   return BM_OK;
}

void bm_band_eq_set(BmBandEq* self, uint32_t index, uint32_t lane, const BmBandParams* params)
{
   BmBand* band = &self->mem.bands[index];
   BmBandGlide* glides = band->glides[lane];
   if (params->frequency_hz != band->frequency_hz[lane]) {
      band->frequency_hz[lane] = params->frequency_hz;
      band->octave[lane] = log2(fmax(params->frequency_hz, FREQUENCY_MIN_HZ));
   }
   if (params->q != band->q[lane]) {
      band->q[lane] = params->q;
      band->q_octave[lane] = log2(fmax(params->q, Q_MIN));
   }
   const double octave = band->octave[lane];
   const double q_octave = band->q_octave[lane];
   const bool turns =
      octave != glides[BM_BAND_OCTAVE].ahead.target || q_octave != glides[BM_BAND_Q_OCTAVE].ahead.target;
   if (turns && !is_heard(self, index)) { /* nothing to glide from */
      glide_reset(&glides[BM_BAND_OCTAVE]);
      glide_reset(&glides[BM_BAND_Q_OCTAVE]);
      band->jumps = true;
   }
   glide_set(&glides[BM_BAND_OCTAVE], octave);
   glide_set(&glides[BM_BAND_GAIN_DB], params->gain_db);
   glide_set(&glides[BM_BAND_Q_OCTAVE], q_octave);
   glide_set(&glides[BM_BAND_AMOUNT], params->amount);
   self->coef.rests = self->coef.rests && !band->jumps && are_glides_still(self, band);
}

void bm_band_eq_set_low_cut(BmBandEq* self, uint32_t first_index, uint32_t lane, const BmLowCutParams* params)
{
   const uint32_t n_wanted = params->slope_db_oct / 12;
   const uint32_t n_used = n_wanted < 1 ? 1 : n_wanted > BM_LOW_CUT_BANDS ? BM_LOW_CUT_BANDS : n_wanted;
   for (uint32_t i = 0; i < BM_LOW_CUT_BANDS; ++i) {
      const bool is_used = i < n_used;
      const BmBandParams band = {
         .frequency_hz = params->corner_hz,
         .q = bm_butterworth_q(2 * n_used, is_used ? i : 0),
         .amount = params->on && is_used ? 1.0 : 0.0,
      };
      bm_band_eq_set(self, first_index + i, lane, &band);
   }
}

uint32_t bm_band_eq_prepare(BmBandEq* self, uint32_t n_frames)
{
   const uint32_t since_tick = self->mem.clock.position_frames % self->cfg.tick_frames;
   if (since_tick == 0 && !self->mem.is_prepared) {
      tick(self);
      self->mem.is_prepared = true;
   }
   const uint32_t n = bm_control_clock_next(&self->mem.clock, n_frames);
   const uint32_t until_tick = self->cfg.tick_frames - since_tick;
   return self->coef.rests || n < until_tick ? n : until_tick;
}

bool bm_band_eq_is_flat(const BmBandEq* self)
{
   return self->coef.n_run == 0;
}

void bm_band_eq_process(BmBandEq* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   if (out != in) {
      memcpy(out, in, n_frames * sizeof *out);
   }
   while (n_frames) {
      const uint32_t n = bm_band_eq_prepare(self, n_frames);
      run_all(self, out, n);
      bm_control_clock_advance(&self->mem.clock, n);
      self->mem.is_prepared = false;
      out += n;
      n_frames -= n;
   }
}

void bm_band_eq_reset(BmBandEq* self)
{
   bm_control_clock_reset(&self->mem.clock);
   self->mem.is_prepared = false;
   self->coef.n_run = 0;
   self->coef.rests = false;
   for (uint32_t b = 0; b < self->cfg.n_bands; ++b) {
      BmBand* band = &self->mem.bands[b];
      for (uint32_t i = 0; i < BM_BAND_N_GLIDES; ++i) {
         glide_reset(&band->glides[0][i]);
         glide_reset(&band->glides[1][i]);
      }
      for (uint32_t i = 0; i < 2; ++i) {
         band->sections[i].band = bm_frame_both(0.0);
         band->sections[i].low = bm_frame_both(0.0);
      }
      band->ticks_to_rest = 0;
      band->jumps = true;
   }
}
