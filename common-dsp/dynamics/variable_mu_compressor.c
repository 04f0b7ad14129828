/* SPDX-License-Identifier: ISC */
#include "dynamics/variable_mu_compressor.h"

#include "base/clones.h"
#include "base/decibel.h"
#include "dynamics/log2.h"

#include <math.h>
#include <string.h>

#define REST_V (-1.0)
#define FULL_SCALE_V 2.0
#define MOST_CONTROL_V 40.0
/* +24 dB over full scale: as far as the tubes' table reaches. */
#define LOUDEST_V 32.0
#define IMBALANCE 0.3

/* The rectifier: volts at twice the threshold, and at most. */
#define RECTIFIER_V 9.0
#define RECTIFIER_MAX_V 200.0

/* The loop hastens its own attack; measured on a 1 kHz sine at 10 dB of reduction. */
#define ATTACK_PER_TIME_CONSTANT 0.35
#define FAST_RELEASE_SHARE (1.0 / 8.0)
#define SLOW_CHARGE_SHARE (1.0 / 4.0)

#define CONTROL_S (1.0 / 12000.0)

/* Keeps the even harmonics' direct current out. */
#define COUPLING_HZ 5.0

BmStatus bm_variable_mu_compressor_init(BmVariableMuCompressor* self, double sample_rate_hz)
{
   const BmStatus status = bm_two_qualities_init(&self->qualities, sample_rate_hz, 2, 4);
   if (status != BM_OK) {
      return status;
   }
   bm_remote_cutoff_tube_init(&self->tube);
   bm_reduction_meter_init(&self->meter, sample_rate_hz);
   const double control_rate_hz = sample_rate_hz / self->meter.clock.period_frames;
   for (BmQuality q = BM_QUALITY_LIVE; q <= BM_QUALITY_RENDER; ++q) {
      BmVariableMuCore* core = &self->core[q];
      const double high_rate_hz = sample_rate_hz * bm_two_qualities_factor(&self->qualities, q);
      core->cfg.period_s = 1.0 / high_rate_hz;
      core->cfg.control_frames = bm_two_qualities_factor(&self->qualities, q) *
                                 (uint32_t)fmax(1.0, round(CONTROL_S * sample_rate_hz));
      core->cfg.per_control_frames = 1.0 / core->cfg.control_frames;
      core->coef.scale = 1.0 / (FULL_SCALE_V * bm_remote_cutoff_tube_slope_per_v(&self->tube, REST_V));
      core->coef.coupling = -expm1(-2.0 * 3.14159265358979323846 * COUPLING_HZ * core->cfg.period_s);
      bm_sidechain_cut_init(&core->cut, high_rate_hz, control_rate_hz);
   }
   bm_glide_init(&self->one_over_threshold, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->imbalance, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->makeup_lin, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->link, BM_GLIDE_MS, sample_rate_hz);
   const BmVariableMuCompressorParams params = {.threshold_db = 0.0,
                                                .attack_ms = 20.0,
                                                .release_s = 1.0,
                                                .sidechain_low_cut_hz = 20.0,
                                                .link = 1.0,
                                                .quality = BM_QUALITY_LIVE};
   bm_variable_mu_compressor_set(self, &params);
   bm_variable_mu_compressor_reset(self);
   return BM_OK;
}

/* Start where a core at another rate stands. */
static void take_over(BmVariableMuCore* self, const BmVariableMuCore* other)
{
   const double position = other->mem.position_frames;
   self->mem = other->mem;
   self->mem.control_v += position * other->mem.control_step_v;
   self->mem.rest_current += position * other->mem.rest_current_step;
   self->mem.control_step_v = bm_frame_both(0.0);
   self->mem.rest_current_step = bm_frame_both(0.0);
   self->mem.charge_v = bm_frame_both(0.0);
   self->mem.waiting_v = bm_frame_both(0.0);
   self->mem.position_frames = 0;
   self->cut.mem = other->cut.mem;
}

void bm_variable_mu_compressor_set(BmVariableMuCompressor* self, const BmVariableMuCompressorParams* params)
{
   bm_glide_set(&self->one_over_threshold, bm_gain_from_db(-params->threshold_db));
   bm_glide_set(&self->imbalance, IMBALANCE * params->balance);
   bm_glide_set(&self->makeup_lin, bm_gain_from_db(params->makeup_db));
   bm_glide_set(&self->link, params->link);
   if (bm_two_qualities_set(&self->qualities, params->quality)) {
      const BmQuality other = params->quality == BM_QUALITY_LIVE ? BM_QUALITY_RENDER : BM_QUALITY_LIVE;
      take_over(&self->core[params->quality], &self->core[other]);
   }
   for (BmQuality q = BM_QUALITY_LIVE; q <= BM_QUALITY_RENDER; ++q) {
      BmVariableMuCore* core = &self->core[q];
      const double period_s = core->cfg.period_s;
      core->coef.attack = -expm1(-period_s * 1000.0 * ATTACK_PER_TIME_CONSTANT / params->attack_ms);
      core->coef.fast_release = -expm1(-period_s / (FAST_RELEASE_SHARE * params->release_s));
      const double control_s = period_s * core->cfg.control_frames;
      core->coef.slow_charge = -expm1(-control_s / (SLOW_CHARGE_SHARE * params->release_s));
      core->coef.slow_release = -expm1(-control_s / params->release_s);
      bm_sidechain_cut_set(&core->cut, params->sidechain_low_cut_hz);
   }
}

/* Frames at the high rate that are worked on together, two in a vector: as many as a line has in the live
   setting. An odd last one has a neighbour that is worth nothing. */
#define CHUNK 8

/* The plate currents for four grid voltages, given in steps of the table from its beginning. */
BM_INLINE void plate_currents(const BmRemoteCutoffTube* tube, BmFramePair* grid)
{
   const BmFramePair whole = *grid + BM_TO_WHOLE;
   const BmFramePair t = *grid - (whole - BM_TO_WHOLE);
   const BmFramePairBits segment = (BmFramePairBits)whole & (BM_REMOTE_CUTOFF_TUBE_SEGMENTS - 1);
   BmFramePair c[4];
   for (uint32_t lane = 0; lane < 4; ++lane) {
      c[lane] = *(const BmFramePair*)tube->segment[segment[lane]].c;
   }
   bm_turn_rows(c);
   *grid = c[0] + t * (c[1] + t * (c[2] + t * c[3]));
}

/* The next piece of the control voltage's line. */
BM_INLINE void begin_line(BmVariableMuCore* self, const BmRemoteCutoffTube* tube, double link)
{
   const BmFrame zero = {0.0, 0.0};
   const BmFrame fast =
      bm_frame_max(bm_frame_min(self->mem.fast_v + self->mem.waiting_v, bm_frame_both(MOST_CONTROL_V)), zero);
   const BmFrame slow = self->mem.slow_v;
   self->mem.slow_v = slow + self->coef.slow_charge * (fast - slow) - self->coef.slow_release * slow;
   self->mem.fast_v = fast;
   self->mem.waiting_v = self->mem.charge_v;
   self->mem.charge_v = zero;
   self->mem.control_v += self->cfg.control_frames * self->mem.control_step_v;
   self->mem.rest_current += self->cfg.control_frames * self->mem.rest_current_step;
   const BmFrame higher = bm_frame_max(fast, bm_frame(fast[1], fast[0]));
   const BmFrame control_v = fast + link * (higher - fast);
   const BmFrame rest_current = {bm_remote_cutoff_tube_current(tube, REST_V - control_v[0]),
                                 bm_remote_cutoff_tube_current(tube, REST_V - control_v[1])};
   const BmFrame slope_per_v = {bm_remote_cutoff_tube_slope_per_v(tube, REST_V - control_v[0]),
                                bm_remote_cutoff_tube_slope_per_v(tube, REST_V - control_v[1])};
   const BmFrame gain_change = slope_per_v / self->mem.slope_per_v;
   self->cut.mem.band *= gain_change;
   self->cut.mem.low *= gain_change;
   self->mem.slope_per_v = slope_per_v;
   self->mem.control_step_v = (control_v - self->mem.control_v) * self->cfg.per_control_frames;
   self->mem.rest_current_step = (rest_current - self->mem.rest_current) * self->cfg.per_control_frames;
}

/* The push-pull stage, its gain at rest 1, for a piece of the line: the difference of its currents, and their
   sum but for the one at rest. */
BM_INLINE void push_pull(const BmVariableMuCore* self, const BmRemoteCutoffTube* tube, const BmFrame* in,
                         BmFrame* odd, BmFrame* even, uint32_t n_frames)
{
   const double per_v = 1.0 / BM_REMOTE_CUTOFF_TUBE_STEP_V;
   const double half = 0.5 * self->coef.scale;
   const BmFrame loudest = bm_frame_both(LOUDEST_V / FULL_SCALE_V);
   const BmFramePair start =
      (REST_V - BM_REMOTE_CUTOFF_TUBE_LOW_V - BM_FRAME_PAIR(self->mem.control_v, self->mem.control_v)) *
      per_v;
   const BmFramePair step = BM_FRAME_PAIR(self->mem.control_step_v, self->mem.control_step_v) * per_v;
   const BmFramePair rest = BM_FRAME_PAIR(self->mem.rest_current, self->mem.rest_current) * self->coef.scale;
   const BmFramePair rest_step =
      BM_FRAME_PAIR(self->mem.rest_current_step, self->mem.rest_current_step) * self->coef.scale;
   BmFramePair at = {1.0, 1.0, 2.0, 2.0};
   at += self->mem.position_frames;
   for (uint32_t n = 0; n < n_frames; n += 2) {
      const BmFrame first = bm_frame_max(bm_frame_min(in[n], loudest), -loudest);
      const BmFrame second = bm_frame_max(bm_frame_min(in[n + 1 < n_frames ? n + 1 : n], loudest), -loudest);
      const BmFramePair signal = BM_FRAME_PAIR(first, second) * (FULL_SCALE_V * per_v);
      const BmFramePair now = start - at * step;
      BmFramePair push = now + signal;
      BmFramePair pull = now - signal;
      plate_currents(tube, &push);
      plate_currents(tube, &pull);
      *(BmFramePair*)(odd + n) = half * (push - pull);
      *(BmFramePair*)(even + n) = half * (push + pull) - (rest + at * rest_step);
      at += 2.0;
   }
}

BM_INLINE BmFrame rectify(BmFrame heard)
{
   const BmFrame zero = {0.0, 0.0};
   const BmFrame above = bm_frame_max(heard - 1.0, zero);
   const BmFrame current = above * bm_frame(sqrt(above[0]), sqrt(above[1]));
   return current / (1.0 / RECTIFIER_V + current * (1.0 / RECTIFIER_MAX_V));
}

BM_CLONES static void core_process(BmVariableMuCore* self, const BmRemoteCutoffTube* tube,
                                   const BmVariableMuControls* controls, BmFrame* high, uint32_t n_frames)
{
   const BmFrame zero = {0.0, 0.0};
   const BmVariableMuControls c = *controls;
   while (n_frames) {
      if (self->mem.position_frames == 0) {
         begin_line(self, tube, c.link);
      }
      uint32_t n_piece = self->cfg.control_frames - self->mem.position_frames;
      n_piece = n_piece < n_frames ? n_piece : n_frames;
      n_piece = n_piece < CHUNK ? n_piece : CHUNK;
      BmFrame odd[CHUNK];
      BmFrame even[CHUNK];
      push_pull(self, tube, high, odd, even, n_piece);
      const BmFrame fast = self->mem.fast_v;
      const BmFrame released = self->coef.fast_release * (self->mem.slow_v - fast);
      const double attack = self->coef.attack;
      const double near = 0.5 * self->cfg.per_control_frames;
      const double coupling = self->coef.coupling;
      BmFrame even_low = self->mem.even_low;
      BmFrame charge_v = self->mem.charge_v;
      BmSidechainCut cut = self->cut;
      for (uint32_t n = 0; n < n_piece; ++n) {
         even_low += coupling * (even[n] - even_low);
         const BmFrame out = odd[n] + c.imbalance * (even[n] - even_low);
         const BmFrame heard = bm_frame_abs(bm_sidechain_cut_step(&cut, out)) * c.one_over_threshold;
         const BmFrame above = rectify(heard) - fast;
         /* Charged if above, else let go, but not below what the rectifier gives, and gently near it: what is
            done now is heard two lines later. */
         charge_v +=
            attack * bm_frame_max(above, zero) + bm_frame_min(bm_frame_max(near * above, released), zero);
         high[n] = c.makeup_lin * out;
      }
      self->cut.mem = cut.mem;
      self->mem.charge_v = charge_v;
      self->mem.even_low = even_low;
      self->mem.position_frames += n_piece;
      if (self->mem.position_frames == self->cfg.control_frames) {
         self->mem.position_frames = 0;
      }
      high += n_piece;
      n_frames -= n_piece;
   }
}

static void run_core(void* context, BmQuality quality, BmFrame* high, uint32_t n_frames)
{
   BmVariableMuCompressor* self = context;
   const uint32_t factor = bm_two_qualities_factor(&self->qualities, quality);
   if (self->controls_rest) {
      core_process(&self->core[quality], &self->tube, &self->controls[0], high, n_frames * factor);
      return;
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      core_process(&self->core[quality], &self->tube, &self->controls[i], high + (size_t)i * factor, factor);
   }
}

static void step_controls(BmVariableMuCompressor* self, uint32_t n_frames)
{
   self->controls_rest = bm_glide_is_still(&self->one_over_threshold) &&
                         bm_glide_is_still(&self->imbalance) && bm_glide_is_still(&self->makeup_lin) &&
                         bm_glide_is_still(&self->link);
   for (uint32_t i = 0; i < (self->controls_rest ? 1 : n_frames); ++i) {
      self->controls[i] = (BmVariableMuControls){
         .one_over_threshold = bm_glide_step(&self->one_over_threshold),
         .imbalance = bm_glide_step(&self->imbalance),
         .makeup_lin = bm_glide_step(&self->makeup_lin),
         .link = bm_glide_step(&self->link),
      };
   }
}

static double gain_lin(const BmVariableMuCompressor* self)
{
   const BmVariableMuCore* core =
      &self->core[bm_fade_is_on(&self->qualities.render) ? BM_QUALITY_RENDER : BM_QUALITY_LIVE];
   const BmFrame control_v = core->mem.control_v + core->mem.position_frames * core->mem.control_step_v;
   const double rest_v = REST_V - fmax(control_v[0], control_v[1]);
   return FULL_SCALE_V * core->coef.scale * bm_remote_cutoff_tube_slope_per_v(&self->tube, rest_v);
}

void bm_variable_mu_compressor_process(BmVariableMuCompressor* self, const BmFrame* in, BmFrame* out,
                                       uint32_t n_frames)
{
   BmControlClock* clock = &self->meter.clock;
   while (n_frames) {
      uint32_t n = bm_control_clock_next(clock, n_frames);
      n = n < BM_OVERSAMPLE_BLOCK_FRAMES ? n : BM_OVERSAMPLE_BLOCK_FRAMES;
      if (bm_control_clock_is_due(clock)) {
         self->meter.gain_lin = gain_lin(self);
         bm_sidechain_cut_glide(&self->core[BM_QUALITY_LIVE].cut);
         bm_sidechain_cut_glide(&self->core[BM_QUALITY_RENDER].cut);
      }
      step_controls(self, n);
      bm_two_qualities_process(&self->qualities, in, out, n, run_core, self);
      bm_control_clock_advance(clock, n);
      in += n;
      out += n;
      n_frames -= n;
   }
}

void bm_variable_mu_compressor_reset(BmVariableMuCompressor* self)
{
   bm_two_qualities_reset(&self->qualities);
   bm_glide_reset(&self->one_over_threshold);
   bm_glide_reset(&self->imbalance);
   bm_glide_reset(&self->makeup_lin);
   bm_glide_reset(&self->link);
   bm_reduction_meter_reset(&self->meter);
   for (BmQuality q = BM_QUALITY_LIVE; q <= BM_QUALITY_RENDER; ++q) {
      BmVariableMuCore* core = &self->core[q];
      bm_sidechain_cut_reset(&core->cut);
      memset(&core->mem, 0, sizeof core->mem);
      core->mem.rest_current = bm_frame_both(bm_remote_cutoff_tube_current(&self->tube, REST_V));
      core->mem.slope_per_v = bm_frame_both(bm_remote_cutoff_tube_slope_per_v(&self->tube, REST_V));
   }
}

uint32_t bm_variable_mu_compressor_latency_frames(const BmVariableMuCompressor* self)
{
   return bm_two_qualities_latency_frames(&self->qualities);
}

double bm_variable_mu_compressor_reduction_db(const BmVariableMuCompressor* self)
{
   return bm_reduction_meter_db(&self->meter);
}

/* Of a take at nominal level, what counts as its peak, dBFS, and the bend of the curve that modelled takes
   follow, at thresholds of -16 to -32 dBFS. Recorded strums at nominal level are held up to 3 dB more. */
#define NOMINAL_PEAK_DB (-15.0)
#define FIT_BEND_DB 24.0

double bm_variable_mu_compressor_nominal_gain_lin(const BmVariableMuCompressorParams* params,
                                                  double level_lin)
{
   const double above_db = fmax(NOMINAL_PEAK_DB + bm_db_from_gain(level_lin) - params->threshold_db, 0.0);
   return bm_gain_from_db(params->makeup_db - above_db * above_db / (above_db + FIT_BEND_DB));
}
