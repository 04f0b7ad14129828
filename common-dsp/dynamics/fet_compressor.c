/* SPDX-License-Identifier: ISC */
#include "dynamics/fet_compressor.h"

#include "base/decibel.h"
#include "dynamics/log2_frame.h"

#include <math.h>
#include <string.h>

#define KNEE_DB_TIMES_RATIO 24.0

/* The gain stage: 40 dB with the channel fully on, so that turning it off takes away 40 dB. */
#define FULL_GAIN 100.0
#define MAX_REDUCTION_LOG2 (39.0 / BM_DB_PER_LOG2)
/* Share of the leg's voltage that the series resistor takes with the channel fully on. */
#define SERIES_SHARE 0.6
/* What is left of the square term after gate feedback, over full scale; 0.2 % second harmonic at 10 dB. */
#define SQUARE 0.003
/* Voltage of velocity saturation over full scale; 0.1 % third harmonic at 10 dB. */
#define VELOCITY_LIMIT 6.0

/* Below any level that is compressed; keeps the logarithm finite. */
#define TINY 1e-30

BmStatus bm_fet_compressor_init(BmFetCompressor* self, double sample_rate_hz)
{
   const BmStatus status = bm_two_qualities_init(&self->qualities, sample_rate_hz, 2, 4);
   if (status != BM_OK) {
      return status;
   }
   bm_reduction_meter_init(&self->meter, sample_rate_hz);
   const double control_rate_hz = sample_rate_hz / self->meter.clock.period_frames;
   for (BmQuality q = BM_QUALITY_LIVE; q <= BM_QUALITY_RENDER; ++q) {
      const double high_rate_hz = sample_rate_hz * bm_two_qualities_factor(&self->qualities, q);
      self->core[q].cfg.period_s = 1.0 / high_rate_hz;
      bm_sidechain_cut_init(&self->core[q].cut, high_rate_hz, control_rate_hz);
   }
   bm_glide_init(&self->threshold, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->one_over_ratio, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->makeup_lin, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->link, BM_GLIDE_MS, sample_rate_hz);
   const BmFetCompressorParams params = {.threshold_db = 0.0,
                                         .ratio = 4.0,
                                         .attack_ms = 0.2,
                                         .release_ms = 200.0,
                                         .sidechain_low_cut_hz = 20.0,
                                         .link = 1.0,
                                         .quality = BM_QUALITY_LIVE};
   bm_fet_compressor_set(self, &params);
   bm_fet_compressor_reset(self);
   return BM_OK;
}

void bm_fet_compressor_set(BmFetCompressor* self, const BmFetCompressorParams* params)
{
   bm_glide_set(&self->threshold, params->threshold_db / BM_DB_PER_LOG2);
   bm_glide_set(&self->one_over_ratio, 1.0 / params->ratio);
   bm_glide_set(&self->makeup_lin, bm_gain_from_db(params->makeup_db));
   bm_glide_set(&self->link, params->link);
   if (bm_two_qualities_set(&self->qualities, params->quality)) {
      const BmQuality other = params->quality == BM_QUALITY_LIVE ? BM_QUALITY_RENDER : BM_QUALITY_LIVE;
      self->core[params->quality].mem = self->core[other].mem;
      self->core[params->quality].cut.mem = self->core[other].cut.mem;
   }
   for (BmQuality q = BM_QUALITY_LIVE; q <= BM_QUALITY_RENDER; ++q) {
      BmFetCore* core = &self->core[q];
      core->coef.attack_rate = core->cfg.period_s * 1000.0 / params->attack_ms;
      core->coef.release_rate = -expm1(-core->cfg.period_s * 1000.0 / params->release_ms);
      bm_sidechain_cut_set(&core->cut, params->sidechain_low_cut_hz);
   }
}

static inline BmFrame square_root(BmFrame x)
{
   return bm_frame(sqrt(x[0]), sqrt(x[1]));
}

/* The gain stage: `in` at `gain_lin`, less what the channel bends. */
static inline BmFrame channel(BmFrame in, BmFrame gain_lin)
{
   /* Feedback resistor over the leg's resistance, and its value with the channel fully on. */
   const BmFrame leg = FULL_GAIN * gain_lin - 1.0;
   const double leg_on = FULL_GAIN - 1.0;
   const BmFrame drain_share = 1.0 - (SERIES_SHARE / leg_on) * leg;
   const BmFrame drain = in * drain_share;
   const BmFrame saturated =
      drain / square_root(1.0 + drain * drain * (1.0 / (VELOCITY_LIMIT * VELOCITY_LIMIT)));
   return gain_lin * in + (leg * (saturated - drain) * (1.0 / FULL_GAIN)) -
          SQUARE * drain_share * saturated * saturated;
}

/* Move the charge from the previous frame to this one.

   The diode conducts while the wanted reduction, a parabola through its last three values, exceeds the
   charge. Where that is between the frames is solved exactly: a peak is charged alike wherever it falls,
   which a diode that is asked only at the frames would turn into an aliased wobble of the gain. */
static inline void charge(BmFetCore* self, BmFrame wanted, BmFrame attack_rate)
{
   const BmFrame zero = {0.0, 0.0};
   const BmFrame one = {1.0, 1.0};
   /* How far it exceeds: c + b t + a t^2, t from -1 to 0. */
   const BmFrame c = wanted - self->mem.reduction;
   const BmFrame before = self->mem.wanted_1 - self->mem.reduction;
   const BmFrame before_that = self->mem.wanted_2 - self->mem.reduction;
   /* Hollow is taken as straight: what matters there is only that it crosses. */
   const BmFrame a =
      bm_frame_min(0.5 * (c + before_that) - before, -1e-5 * (bm_frame_abs(c) + bm_frame_abs(before) + 1e-9));
   const BmFrame b = c - before + a;
   const BmFrame root = square_root(bm_frame_max(b * b - 4.0 * a * c, zero));
   const BmFrame half_over_a = 0.5 / a;
   const BmFrame from = bm_frame_max(bm_frame_min((root - b) * half_over_a, zero), -one);
   const BmFrame to = bm_frame_max(bm_frame_min((-root - b) * half_over_a, zero), -one);
   const BmFrame open = to - from;
   const BmFrame excess =
      open * (c + 0.5 * b * (from + to) + a * ((from * from + from * to + to * to) * (1.0 / 3.0)));
   /* 1 - exp(-x) over x, by three terms of the exponential's series: never overshoots. */
   const BmFrame x = attack_rate * open;
   const BmFrame series = 1.0 + x * (0.5 + x * (1.0 / 6.0));
   const BmFrame charged = attack_rate * excess * series / (1.0 + x * series);
   const BmFrame discharged = self->coef.release_rate * self->mem.reduction * (1.0 - open);
   /* Held, not let go, while as much is wanted throughout. */
   const BmFrame held = bm_frame_min(self->mem.reduction, bm_frame_min(wanted, self->mem.wanted_1));
   self->mem.reduction = bm_frame_max(self->mem.reduction + charged - discharged, held);
   self->mem.wanted_2 = self->mem.wanted_1;
   self->mem.wanted_1 = wanted;
}

static inline BmFrame core_step(BmFetCore* self, const BmFetControls* controls, BmFrame in)
{
   const BmFrame heard = bm_sidechain_cut_step(&self->cut, in);
   const BmFrame input_level = bm_frame_log2(bm_frame_abs(heard) + TINY);
   const BmFrame wanted = bm_static_curve_reduction(&controls->curve, input_level);
   const BmFrame loop_gain = 1.0 / (1.0 - bm_static_curve_slope(&controls->curve, input_level));
   const BmFrame attack_rate = (self->coef.attack_rate * controls->one_over_ratio) * loop_gain;
   charge(self, wanted, attack_rate);

   const BmFrame other = bm_frame(self->mem.reduction[1], self->mem.reduction[0]);
   const BmFrame linked = bm_frame_max(self->mem.reduction, other);
   const BmFrame applied = self->mem.reduction + controls->link * (linked - self->mem.reduction);
   self->mem.gain_lin = bm_frame_exp2(-bm_frame_min(applied, bm_frame_both(MAX_REDUCTION_LOG2)));
   return channel(in, self->mem.gain_lin);
}

static void run_core(void* context, BmQuality quality, BmFrame* high, uint32_t n_frames)
{
   BmFetCompressor* self = context;
   const uint32_t factor = bm_two_qualities_factor(&self->qualities, quality);
   BmFetCore* core = &self->core[quality];
   BmFrame least_gain = self->least_gain;
   for (uint32_t i = 0; i < n_frames; ++i) {
      for (uint32_t k = 0; k < factor; ++k) {
         *high = self->controls[i].makeup_lin * core_step(core, &self->controls[i], *high);
         ++high;
         least_gain = bm_frame_min(least_gain, core->mem.gain_lin);
      }
   }
   self->least_gain = least_gain;
}

static BmFetControls controls_of(const BmFetCompressor* self)
{
   const double one_over_ratio = self->one_over_ratio.value;
   return (BmFetControls){
      .curve = {.threshold = self->threshold.value,
                .knee = KNEE_DB_TIMES_RATIO / BM_DB_PER_LOG2 * one_over_ratio,
                .slope = 1.0 - one_over_ratio},
      .one_over_ratio = one_over_ratio,
      .makeup_lin = self->makeup_lin.value,
      .link = self->link.value,
   };
}

static void step_controls(BmFetCompressor* self, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      bm_glide_step(&self->threshold);
      bm_glide_step(&self->one_over_ratio);
      bm_glide_step(&self->makeup_lin);
      bm_glide_step(&self->link);
      self->controls[i] = controls_of(self);
   }
}

void bm_fet_compressor_process(BmFetCompressor* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   BmControlClock* clock = &self->meter.clock;
   while (n_frames) {
      uint32_t n = bm_control_clock_next(clock, n_frames);
      n = n < BM_OVERSAMPLE_BLOCK_FRAMES ? n : BM_OVERSAMPLE_BLOCK_FRAMES;
      if (bm_control_clock_is_due(clock)) {
         self->meter.gain_lin = fmin(self->least_gain[0], self->least_gain[1]);
         self->least_gain = bm_frame_both(1.0);
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

void bm_fet_compressor_reset(BmFetCompressor* self)
{
   bm_two_qualities_reset(&self->qualities);
   bm_glide_reset(&self->threshold);
   bm_glide_reset(&self->one_over_ratio);
   bm_glide_reset(&self->makeup_lin);
   bm_glide_reset(&self->link);
   bm_reduction_meter_reset(&self->meter);
   for (BmQuality q = BM_QUALITY_LIVE; q <= BM_QUALITY_RENDER; ++q) {
      bm_sidechain_cut_reset(&self->core[q].cut);
      self->core[q].mem.reduction = bm_frame_both(0.0);
      self->core[q].mem.wanted_1 = bm_frame_both(0.0);
      self->core[q].mem.wanted_2 = bm_frame_both(0.0);
      self->core[q].mem.gain_lin = bm_frame_both(1.0);
   }
   self->least_gain = bm_frame_both(1.0);
}

uint32_t bm_fet_compressor_latency_frames(const BmFetCompressor* self)
{
   return bm_two_qualities_latency_frames(&self->qualities);
}

double bm_fet_compressor_reduction_db(const BmFetCompressor* self)
{
   return bm_reduction_meter_db(&self->meter);
}
