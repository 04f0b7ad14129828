/* SPDX-License-Identifier: ISC */
#include "dynamics/variable_mu_compressor.h"

#include "base/decibel.h"

#include <math.h>

#define REST_V (-1.0)
#define FULL_SCALE_V 2.0
#define MOST_CONTROL_V 40.0
#define IMBALANCE 0.3

/* The rectifier: volts at twice the threshold, and at most. */
#define RECTIFIER_V 9.0
#define RECTIFIER_MAX_V 200.0

/* The loop hastens its own attack; measured on a 1 kHz sine at 10 dB of reduction. */
#define ATTACK_PER_TIME_CONSTANT 0.35
#define FAST_RELEASE_SHARE (1.0 / 8.0)
#define SLOW_CHARGE_SHARE (1.0 / 4.0)

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

void bm_variable_mu_compressor_set(BmVariableMuCompressor* self, const BmVariableMuCompressorParams* params)
{
   bm_glide_set(&self->one_over_threshold, bm_gain_from_db(-params->threshold_db));
   bm_glide_set(&self->imbalance, IMBALANCE * params->balance);
   bm_glide_set(&self->makeup_lin, bm_gain_from_db(params->makeup_db));
   bm_glide_set(&self->link, params->link);
   if (bm_two_qualities_set(&self->qualities, params->quality)) {
      const BmQuality other = params->quality == BM_QUALITY_LIVE ? BM_QUALITY_RENDER : BM_QUALITY_LIVE;
      self->core[params->quality].mem = self->core[other].mem;
      self->core[params->quality].cut.mem = self->core[other].cut.mem;
   }
   for (BmQuality q = BM_QUALITY_LIVE; q <= BM_QUALITY_RENDER; ++q) {
      BmVariableMuCore* core = &self->core[q];
      const double period_s = core->cfg.period_s;
      core->coef.attack = -expm1(-period_s * 1000.0 * ATTACK_PER_TIME_CONSTANT / params->attack_ms);
      core->coef.fast_release = -expm1(-period_s / (FAST_RELEASE_SHARE * params->release_s));
      core->coef.slow_charge = -expm1(-period_s / (SLOW_CHARGE_SHARE * params->release_s));
      core->coef.slow_release = -expm1(-period_s / params->release_s);
      bm_sidechain_cut_set(&core->cut, params->sidechain_low_cut_hz);
   }
}

/* The push-pull stage, its gain at rest 1. Also tells the gain for small signals. */
static inline BmFrame push_pull(BmVariableMuCore* self, const BmRemoteCutoffTube* tube, double imbalance,
                                BmFrame in, BmFrame control_v)
{
   double slope;
   bm_remote_cutoff_tube_current(tube, REST_V, &slope);
   const double scale = 1.0 / (FULL_SCALE_V * slope);
   BmFrame odd;
   BmFrame even;
   for (int lane = 0; lane < 2; ++lane) {
      const double rest_v = REST_V - control_v[lane];
      const double signal_v = FULL_SCALE_V * in[lane];
      double unused;
      const double push = bm_remote_cutoff_tube_current(tube, rest_v + signal_v, &unused);
      const double pull = bm_remote_cutoff_tube_current(tube, rest_v - signal_v, &unused);
      const double rest = bm_remote_cutoff_tube_current(tube, rest_v, &slope);
      odd[lane] = 0.5 * (push - pull) * scale;
      even[lane] = (0.5 * (push + pull) - rest) * scale;
      self->mem.gain_lin[lane] = FULL_SCALE_V * slope * scale;
   }
   self->mem.even_low += self->coef.coupling * (even - self->mem.even_low);
   return odd + imbalance * (even - self->mem.even_low);
}

static inline BmFrame rectify(BmFrame heard)
{
   const BmFrame zero = {0.0, 0.0};
   const BmFrame above = bm_frame_max(heard - 1.0, zero);
   const BmFrame current = RECTIFIER_V * above * bm_frame(sqrt(above[0]), sqrt(above[1]));
   return current / (1.0 + current * (1.0 / RECTIFIER_MAX_V));
}

static inline void charge(BmVariableMuCore* self, BmFrame rectified_v)
{
   const BmFrame fast = self->mem.fast_v;
   const BmFrame slow = self->mem.slow_v;
   const BmFrame charged = fast + self->coef.attack * (rectified_v - fast);
   const BmFrame discharged = bm_frame_max(fast + self->coef.fast_release * (slow - fast), rectified_v);
   const BmFrame limit = bm_frame_both(MOST_CONTROL_V);
   self->mem.fast_v = bm_frame_min(bm_frame_select(rectified_v > fast, charged, discharged), limit);
   self->mem.slow_v = slow + self->coef.slow_charge * (fast - slow) - self->coef.slow_release * slow;
}

static inline BmFrame core_step(BmVariableMuCore* self, const BmRemoteCutoffTube* tube,
                                const BmVariableMuControls* controls, BmFrame in)
{
   const BmFrame own = self->mem.fast_v;
   const BmFrame higher = bm_frame_max(own, bm_frame(own[1], own[0]));
   const BmFrame out = push_pull(self, tube, controls->imbalance, in, own + controls->link * (higher - own));
   const BmFrame heard = bm_frame_abs(bm_sidechain_cut_step(&self->cut, out)) * controls->one_over_threshold;
   charge(self, rectify(heard));
   return out * controls->makeup_lin;
}

static void run_core(void* context, BmQuality quality, BmFrame* high, uint32_t n_frames)
{
   BmVariableMuCompressor* self = context;
   const uint32_t factor = bm_two_qualities_factor(&self->qualities, quality);
   for (uint32_t i = 0; i < n_frames; ++i) {
      for (uint32_t k = 0; k < factor; ++k) {
         *high = core_step(&self->core[quality], &self->tube, &self->controls[i], *high);
         ++high;
      }
   }
}

static void step_controls(BmVariableMuCompressor* self, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      self->controls[i] = (BmVariableMuControls){
         .one_over_threshold = bm_glide_step(&self->one_over_threshold),
         .imbalance = bm_glide_step(&self->imbalance),
         .makeup_lin = bm_glide_step(&self->makeup_lin),
         .link = bm_glide_step(&self->link),
      };
   }
}

void bm_variable_mu_compressor_process(BmVariableMuCompressor* self, const BmFrame* in, BmFrame* out,
                                       uint32_t n_frames)
{
   BmControlClock* clock = &self->meter.clock;
   while (n_frames) {
      uint32_t n = bm_control_clock_next(clock, n_frames);
      n = n < BM_OVERSAMPLE_BLOCK_FRAMES ? n : BM_OVERSAMPLE_BLOCK_FRAMES;
      if (bm_control_clock_is_due(clock)) {
         const BmQuality running =
            bm_fade_is_on(&self->qualities.render) ? BM_QUALITY_RENDER : BM_QUALITY_LIVE;
         const BmFrame gain = self->core[running].mem.gain_lin;
         self->meter.gain_lin = fmin(gain[0], gain[1]);
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
   const BmFrame zero = {0.0, 0.0};
   for (BmQuality q = BM_QUALITY_LIVE; q <= BM_QUALITY_RENDER; ++q) {
      bm_sidechain_cut_reset(&self->core[q].cut);
      self->core[q].mem.fast_v = zero;
      self->core[q].mem.slow_v = zero;
      self->core[q].mem.even_low = zero;
      self->core[q].mem.gain_lin = bm_frame_both(1.0);
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
