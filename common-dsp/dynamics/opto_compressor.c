/* SPDX-License-Identifier: ISC */
#include "dynamics/opto_compressor.h"

#include "base/clones.h"
#include "base/decibel.h"

#include <math.h>
#include <string.h>

#define LAMP_S 0.018
#define RECOMBINATION_S 0.036
#define FAST_TRAP_S 0.42
#define FAST_TRAPS 6.4
#define FAST_CATCH_PER_S (25.9 / FAST_TRAPS) /* per trap */
#define SLOW_TRAP_S 2.7
#define SLOW_TRAPS 71.7
#define SLOW_CATCH_PER_S (4.72 / SLOW_TRAPS)
/* The brightest the lamp gets, as conductance. */
#define LIGHT_MAX 60.0

#define EMPHASIS_DB 24.0
#define EMPHASIS_HZ 3000.0

/* Mean of |sin|^3 and of |sin|^9, so that a sine's peak is what the thresholds name. */
#define MEAN_SINE_3 0.42441318157838756205
#define MEAN_SINE_9 0.25869184401158860924

BmStatus bm_opto_compressor_init(BmOptoCompressor* self, double sample_rate_hz)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   const double period_s = 1.0 / sample_rate_hz;
   self->cfg.period_s = period_s;
   self->coef.lamp = -expm1(-period_s / LAMP_S);
   self->coef.recombination = -expm1(-period_s / RECOMBINATION_S);
   self->coef.catch_fast = period_s * FAST_CATCH_PER_S;
   self->coef.catch_slow = period_s * SLOW_CATCH_PER_S;
   self->coef.free_fast = -expm1(-period_s / FAST_TRAP_S);
   self->coef.free_slow = -expm1(-period_s / SLOW_TRAP_S);
   const double g = tan(3.14159265358979323846 * EMPHASIS_HZ * period_s);
   self->coef.emphasis_pole = g / (1.0 + g);
   bm_reduction_meter_init(&self->meter, sample_rate_hz);
   bm_sidechain_cut_init(&self->cut, sample_rate_hz, sample_rate_hz / self->meter.clock.period_frames);
   bm_glide_init(&self->drive, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->emphasis_gain, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->makeup_lin, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->link, BM_GLIDE_MS, sample_rate_hz);
   bm_fade_init(&self->limit, BM_FADE_MS, sample_rate_hz);
   bm_fade_init(&self->release_is_set, BM_FADE_MS, sample_rate_hz);
   const BmOptoCompressorParams params = {
      .threshold_db = 0.0, .release_ms = 200.0, .sidechain_low_cut_hz = 20.0, .link = 1.0};
   bm_opto_compressor_set(self, &params);
   bm_opto_compressor_reset(self);
   return BM_OK;
}

void bm_opto_compressor_set(BmOptoCompressor* self, const BmOptoCompressorParams* params)
{
   bm_glide_set(&self->drive, bm_gain_from_db(-params->threshold_db));
   bm_glide_set(&self->emphasis_gain, bm_gain_from_db(EMPHASIS_DB * params->emphasis) - 1.0);
   bm_glide_set(&self->makeup_lin, bm_gain_from_db(params->makeup_db));
   bm_glide_set(&self->link, params->link);
   bm_fade_set(&self->limit, params->limit);
   bm_fade_set(&self->release_is_set, params->release_is_set);
   bm_sidechain_cut_set(&self->cut, params->sidechain_low_cut_hz);
   self->coef.release = -expm1(-1000.0 * self->cfg.period_s / params->release_ms);
}

/* What the lamp's driver would hear at a gain of 1, over the threshold. */
BM_INLINE BmFrame hear(BmOptoMemory* mem, BmSidechainCut* cut, const BmOptoControls* controls,
                       double emphasis_pole, BmFrame in)
{
   const BmFrame above = bm_sidechain_cut_step(cut, in);
   const BmFrame to_low = (above - mem->emphasis_low) * emphasis_pole;
   const BmFrame low = mem->emphasis_low + to_low;
   mem->emphasis_low = low + to_low;
   return bm_frame_abs(above + controls->emphasis_gain * (above - low)) * controls->drive;
}

BM_INLINE BmFrame light_asked_for(const BmOptoControls* controls, BmFrame heard)
{
   const BmFrame third = heard * heard * heard;
   const double compress = (1.0 - controls->limit) / MEAN_SINE_3;
   const double limit = controls->limit / MEAN_SINE_9;
   const BmFrame asked = third * (compress + limit * (third * third));
   const BmFrame light = asked / (1.0 + asked * (1.0 / LIGHT_MAX));
   const BmFrame brighter = bm_frame_max(light, bm_frame(light[1], light[0]));
   return light + controls->link * (brighter - light);
}

BM_INLINE void expose(const BmOptoCompressor* self, BmOptoMemory* mem, double by_hand)
{
   const BmFrame n = mem->carriers;
   const BmFrame into_fast =
      self->coef.catch_fast * n * (FAST_TRAPS - mem->fast_traps) - self->coef.free_fast * mem->fast_traps;
   const BmFrame into_slow =
      self->coef.catch_slow * n * (SLOW_TRAPS - mem->slow_traps) - self->coef.free_slow * mem->slow_traps;
   mem->fast_traps += into_fast;
   mem->slow_traps += into_slow;
   mem->light += self->coef.lamp * (mem->asked - mem->light);
   const BmFrame to_light = mem->light - n;
   const double fall = self->coef.recombination + by_hand * (self->coef.release - self->coef.recombination);
   const BmFrame zero = {0.0, 0.0};
   const BmFrame moved =
      self->coef.recombination * bm_frame_max(to_light, zero) + fall * bm_frame_min(to_light, zero);
   mem->carriers = bm_frame_max(n + moved - (1.0 - by_hand) * (into_fast + into_slow), zero);
}

BM_INLINE BmFrame step(const BmOptoCompressor* self, BmOptoMemory* mem, BmSidechainCut* cut,
                       const BmOptoControls* controls, BmFrame in)
{
   const BmFrame gain_lin = 1.0 / (1.0 + mem->carriers);
   expose(self, mem, controls->by_hand);
   mem->asked = light_asked_for(controls, gain_lin * hear(mem, cut, controls, self->coef.emphasis_pole, in));
   return in * gain_lin * controls->makeup_lin;
}

static bool controls_rest(const BmOptoCompressor* self)
{
   return bm_glide_is_still(&self->drive) && bm_glide_is_still(&self->emphasis_gain) &&
          bm_glide_is_still(&self->makeup_lin) && bm_glide_is_still(&self->link) &&
          (bm_fade_is_on(&self->limit) || bm_fade_is_off(&self->limit)) &&
          (bm_fade_is_on(&self->release_is_set) || bm_fade_is_off(&self->release_is_set));
}

static BmOptoControls step_controls(BmOptoCompressor* self)
{
   return (BmOptoControls){
      .drive = bm_glide_step(&self->drive),
      .emphasis_gain = bm_glide_step(&self->emphasis_gain),
      .makeup_lin = bm_glide_step(&self->makeup_lin),
      .link = bm_glide_step(&self->link),
      .limit = bm_fade_step(&self->limit),
      .by_hand = bm_fade_step(&self->release_is_set),
   };
}

BM_CLONES static void run(BmOptoCompressor* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   /* Copies, so that nothing waits for a store. */
   BmOptoMemory mem = self->mem;
   BmSidechainCut cut = self->cut;
   if (controls_rest(self)) {
      const BmOptoControls controls = step_controls(self);
      for (uint32_t i = 0; i < n_frames; ++i) {
         out[i] = step(self, &mem, &cut, &controls, in[i]);
      }
   } else {
      for (uint32_t i = 0; i < n_frames; ++i) {
         const BmOptoControls controls = step_controls(self);
         out[i] = step(self, &mem, &cut, &controls, in[i]);
      }
   }
   self->mem = mem;
   self->cut.mem = cut.mem;
}

void bm_opto_compressor_process(BmOptoCompressor* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   BmControlClock* clock = &self->meter.clock;
   while (n_frames) {
      const uint32_t n = bm_control_clock_next(clock, n_frames);
      if (bm_control_clock_is_due(clock)) {
         self->meter.gain_lin = 1.0 / (1.0 + fmax(self->mem.carriers[0], self->mem.carriers[1]));
         bm_sidechain_cut_glide(&self->cut);
      }
      run(self, in, out, n);
      bm_control_clock_advance(clock, n);
      in += n;
      out += n;
      n_frames -= n;
   }
}

void bm_opto_compressor_reset(BmOptoCompressor* self)
{
   memset(&self->mem, 0, sizeof self->mem);
   bm_sidechain_cut_reset(&self->cut);
   bm_glide_reset(&self->drive);
   bm_glide_reset(&self->emphasis_gain);
   bm_glide_reset(&self->makeup_lin);
   bm_glide_reset(&self->link);
   bm_fade_reset(&self->limit);
   bm_fade_reset(&self->release_is_set);
   bm_reduction_meter_reset(&self->meter);
}

double bm_opto_compressor_reduction_db(const BmOptoCompressor* self)
{
   return bm_reduction_meter_db(&self->meter);
}

/* Of a take at nominal level, what counts as its peak, dBFS, and how much of it is over EMPHASIS_HZ: between
   recorded strums at that level and modelled takes below it. */
#define NOMINAL_PEAK_DB (-18.0)
#define SHARE_OF_HIGHS_LIN 0.19

/* The y of y (1 + y^3) = x, or of y (1 + y^9) = x, by halving. */
static double lamp_balance(double x, bool limit)
{
   double low = 0.0;
   double high = x;
   for (int i = 0; i < 20; ++i) {
      const double y = 0.5 * (low + high);
      const double third = y * y * y;
      const bool is_above = y * (1.0 + (limit ? third * third * third : third)) > x;
      high = is_above ? y : high;
      low = is_above ? low : y;
   }
   return 0.5 * (low + high);
}

double bm_opto_compressor_nominal_gain_lin(const BmOptoCompressorParams* params, double level_lin)
{
   const double highs = SHARE_OF_HIGHS_LIN * (bm_gain_from_db(EMPHASIS_DB * params->emphasis) - 1.0);
   const double heard =
      level_lin * hypot(1.0, highs) * bm_gain_from_db(NOMINAL_PEAK_DB - params->threshold_db);
   return bm_gain_from_db(params->makeup_db) * lamp_balance(heard, params->limit) / heard;
}
