/* SPDX-License-Identifier: ISC */
#include "dynamics/fet_compressor.h"

#include "base/clones.h"
#include "base/decibel.h"
#include "dynamics/log2.h"

#include <math.h>

#define KNEE_DB_TIMES_RATIO 24.0

/* The gain stage: 40 dB with the channel fully on, so that turning it off takes away 40 dB. */
#define FULL_GAIN 100.0F
#define MAX_REDUCTION_LOG2 (39.0 / BM_DB_PER_LOG2)
/* Share of the leg's voltage that the series resistor takes with the channel fully on. */
#define SERIES_SHARE 0.6F
/* What is left of the square term after gate feedback, over full scale; 0.2 % second harmonic at 10 dB. */
#define SQUARE 0.003F
/* Voltage of velocity saturation over full scale; 0.1 % third harmonic at 10 dB. */
#define VELOCITY_LIMIT 6.0F

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

/* Frames at the high rate that are worked on together, side by side but for the charge. */
#define CHUNK 32

typedef struct {
   BmFrame heard[CHUNK];
   BmFrame wanted[CHUNK + 2]; /* from two frames back */
   BmFrame knee_slope[CHUNK];
   BmFrame highest[CHUNK]; /* wanted at most since the frame before, or a little more */
   BmFrame applied[CHUNK];
} Chunk;

/* The gain stage: `in` at `gain_lin`, less what the channel bends; then the makeup. In single precision, as
   the frames at the high rate are. */
BM_INLINE float channel(float in, float gain_lin, float makeup_lin)
{
   /* Feedback resistor over the leg's resistance, and its value with the channel fully on. */
   const float leg = FULL_GAIN * gain_lin - 1.0F;
   const float leg_on = FULL_GAIN - 1.0F;
   const float drain_share = 1.0F - (SERIES_SHARE / leg_on) * leg;
   const float drain = in * drain_share;
   const float saturated = drain / sqrtf(1.0F + drain * drain * (1.0F / (VELOCITY_LIMIT * VELOCITY_LIMIT)));
   const float per_drain = makeup_lin * (1.0F / FULL_GAIN) * leg;
   const float per_square = makeup_lin * SQUARE * drain_share;
   return makeup_lin * gain_lin * in + per_drain * (saturated - drain) - per_square * saturated * saturated;
}

/* What the detector asks for, frame by frame. */
BM_INLINE void listen(BmFetCore* self, const BmFetControls* controls, const BmFrame* high, Chunk* chunk,
                      uint32_t n_frames)
{
   for (uint32_t n = 0; n < n_frames; ++n) {
      chunk->heard[n] = bm_sidechain_cut_step(&self->cut, high[n]);
   }
   chunk->wanted[0] = self->mem.wanted_2;
   chunk->wanted[1] = self->mem.wanted_1;
   const double* const heard = (const double*)chunk->heard;
   double* const wanted = (double*)(chunk->wanted + 2);
   double* const knee_slope = (double*)chunk->knee_slope;
   for (uint32_t i = 0; i < 2 * n_frames; ++i) {
      const double level = bm_log2(fabs(heard[i]) + TINY);
      wanted[i] = bm_static_curve_reduction(&controls->curve, level);
      knee_slope[i] = bm_static_curve_slope(&controls->curve, level);
   }
   const double* const before = (const double*)(chunk->wanted + 1);
   const double* const before_that = (const double*)chunk->wanted;
   double* const highest = (double*)chunk->highest;
   for (uint32_t i = 0; i < 2 * n_frames; ++i) {
      /* A parabola rises above the higher of its ends by no more than a quarter of how much it is bent. */
      const double bent = before[i] - 0.5 * (wanted[i] + before_that[i]);
      const double higher = wanted[i] > before[i] ? wanted[i] : before[i];
      highest[i] = bent > 0.0 ? higher + 0.25 * bent : higher;
   }
   self->mem.wanted_2 = chunk->wanted[n_frames];
   self->mem.wanted_1 = chunk->wanted[n_frames + 1];
}

BM_INLINE BmFrame square_root(BmFrame x)
{
   return bm_frame(sqrt(x[0]), sqrt(x[1]));
}

/* The charge of the next frame, for what is wanted there, in the frame before and in the one before that.

   The diode conducts while the wanted reduction, a parabola through the three, exceeds the charge. Where that
   is between the frames is solved exactly: a peak is charged alike wherever it falls, which a diode that is
   asked only at the frames would turn into an aliased wobble of the gain. */
BM_INLINE BmFrame charge(const BmFetCore* self, BmFrame reduction, const BmFrame wanted[3],
                         BmFrame attack_rate)
{
   const BmFrame zero = {0.0, 0.0};
   const BmFrame one = {1.0, 1.0};
   /* How far it exceeds: c + b t + a t^2, t from -1 to 0. */
   const BmFrame c = wanted[0] - reduction;
   const BmFrame before = wanted[1] - reduction;
   const BmFrame before_that = wanted[2] - reduction;
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
   const BmFrame discharged = self->coef.release_rate * reduction * (1.0 - open);
   /* Held, not let go, while as much is wanted throughout. */
   const BmFrame held = bm_frame_min(reduction, bm_frame_min(wanted[0], wanted[1]));
   return bm_frame_max(reduction + charged - discharged, held);
}

/* The same where the diode of each channel conducts throughout, by `conducts`, or not at all: the charge
   nears the mean of the parabola, or is let go. A short chain, so that blocks in the midst of an attack cost
   little more than others. */
BM_INLINE BmFrame charge_throughout(BmFrame reduction, const BmFrame wanted[3], BmFrame attack_rate,
                                    BmFrameMask conducts, double kept)
{
   const BmFrame bent = bm_frame_max(wanted[1] - 0.5 * (wanted[0] + wanted[2]), bm_frame_both(0.0));
   const BmFrame mean = 0.5 * (wanted[0] + wanted[1]) + bent * (1.0 / 6.0);
   const BmFrame series = 1.0 + attack_rate * (0.5 + attack_rate * (1.0 / 6.0));
   const BmFrame share = attack_rate * series / (1.0 + attack_rate * series);
   const BmFrame charged = reduction + share * (mean - reduction);
   const BmFrame let_go = bm_frame_max(reduction * kept, bm_frame_min(wanted[0], wanted[1]));
   return bm_frame_select(conducts, charged, let_go);
}

/* The gate capacitors, and what both channels' gains are reduced by. */
BM_INLINE void charge_chunk(BmFetCore* self, const BmFetControls* controls, Chunk* chunk, uint32_t n_frames)
{
   const double kept = 1.0 - self->coef.release_rate;
   const double attack_rate = self->coef.attack_rate * controls->one_over_ratio;
   BmFrame reduction = self->mem.reduction;
   BmFrame most = self->mem.most;
   for (uint32_t n = 0; n < n_frames; ++n) {
      const BmFrame wanted[3] = {chunk->wanted[n + 2], chunk->wanted[n + 1], chunk->wanted[n]};
      const BmFrameMask opens = chunk->highest[n] > reduction;
      /* The rule for most frames of most music, a chain of two operations instead of twenty: worth a branch.
       */
      if (opens[0] | opens[1]) {
         const BmFrame rate = attack_rate / (1.0 - chunk->knee_slope[n]);
         const BmFrameMask conducts = (wanted[0] > reduction) & (wanted[1] > reduction);
         const BmFrameMask crosses = opens & ~conducts;
         reduction = crosses[0] | crosses[1] ? charge(self, reduction, wanted, rate)
                                             : charge_throughout(reduction, wanted, rate, conducts, kept);
      } else {
         reduction = bm_frame_max(reduction * kept, bm_frame_min(wanted[0], wanted[1]));
      }
      const BmFrame linked = bm_frame_max(reduction, bm_frame(reduction[1], reduction[0]));
      const BmFrame applied =
         bm_frame_min(reduction + controls->link * (linked - reduction), bm_frame_both(MAX_REDUCTION_LOG2));
      most = bm_frame_max(most, applied);
      chunk->applied[n] = applied;
   }
   self->mem.reduction = reduction;
   self->mem.most = most;
}

BM_CLONES static void core_process(BmFetCore* self, const BmFetControls* controls, BmFrame* high,
                                   uint32_t n_frames)
{
   Chunk chunk;
   while (n_frames) {
      const uint32_t n = n_frames < CHUNK ? n_frames : CHUNK;
      listen(self, controls, high, &chunk, n);
      charge_chunk(self, controls, &chunk, n);
      const double* const applied = (const double*)chunk.applied;
      const float makeup_lin = (float)controls->makeup_lin;
      double* const x = (double*)high;
      for (uint32_t i = 0; i < 2 * n; ++i) {
         x[i] = (double)channel((float)x[i], bm_exp2_single((float)-applied[i]), makeup_lin);
      }
      high += n;
      n_frames -= n;
   }
}

static void run_core(void* context, BmQuality quality, BmFrame* high, uint32_t n_frames)
{
   BmFetCompressor* self = context;
   const uint32_t factor = bm_two_qualities_factor(&self->qualities, quality);
   if (self->controls_rest) {
      core_process(&self->core[quality], &self->controls[0], high, n_frames * factor);
      return;
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      core_process(&self->core[quality], &self->controls[i], high + (size_t)i * factor, factor);
   }
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
   self->controls_rest = bm_glide_is_still(&self->threshold) && bm_glide_is_still(&self->one_over_ratio) &&
                         bm_glide_is_still(&self->makeup_lin) && bm_glide_is_still(&self->link);
   if (self->controls_rest) {
      self->controls[0] = controls_of(self);
      return;
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      bm_glide_step(&self->threshold);
      bm_glide_step(&self->one_over_ratio);
      bm_glide_step(&self->makeup_lin);
      bm_glide_step(&self->link);
      self->controls[i] = controls_of(self);
   }
}

/* The reduction of the channel reduced more, since this was last asked. */
static double metered_gain_lin(BmFetCompressor* self)
{
   BmFrame most = {0.0, 0.0};
   for (BmQuality q = BM_QUALITY_LIVE; q <= BM_QUALITY_RENDER; ++q) {
      most = bm_frame_max(most, self->core[q].mem.most);
      self->core[q].mem.most = bm_frame_both(0.0);
   }
   return bm_exp2(-fmax(most[0], most[1]));
}

void bm_fet_compressor_process(BmFetCompressor* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   BmControlClock* clock = &self->meter.clock;
   while (n_frames) {
      uint32_t n = bm_control_clock_next(clock, n_frames);
      n = n < BM_OVERSAMPLE_BLOCK_FRAMES ? n : BM_OVERSAMPLE_BLOCK_FRAMES;
      if (bm_control_clock_is_due(clock)) {
         self->meter.gain_lin = metered_gain_lin(self);
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
      self->core[q].mem.most = bm_frame_both(0.0);
   }
}

uint32_t bm_fet_compressor_latency_frames(const BmFetCompressor* self)
{
   return bm_two_qualities_latency_frames(&self->qualities);
}

double bm_fet_compressor_reduction_db(const BmFetCompressor* self)
{
   return bm_reduction_meter_db(&self->meter);
}

/* Of a take at nominal level, what counts as its peak, dBFS: a sine's. Recorded strums at that level are held
   3 dB more, modelled takes 3 dB below it that much less. */
#define NOMINAL_PEAK_DB (-15.0)

double bm_fet_compressor_nominal_gain_lin(const BmFetCompressorParams* params, double level_lin)
{
   const BmStaticCurve curve = {.threshold = params->threshold_db,
                                .knee = KNEE_DB_TIMES_RATIO / params->ratio,
                                .slope = 1.0 - 1.0 / params->ratio};
   const double peak_db = NOMINAL_PEAK_DB + bm_db_from_gain(level_lin);
   return bm_gain_from_db(params->makeup_db - bm_static_curve_reduction(&curve, peak_db));
}
