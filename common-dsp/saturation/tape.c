/* SPDX-License-Identifier: ISC */
#include "saturation/tape.h"

#include "base/clones.h"
#include "base/decibel.h"

#include <math.h>
#include <string.h>

static const double pi = 3.14159265358979323846;

static const uint32_t factor_at_48k[] = {[BM_QUALITY_LIVE] = 8, [BM_QUALITY_RENDER] = 16};

/* The steady field: second harmonic 5 dB below the third at -18 dBFS; no source, "well under 1 %" is common.
 */
#define STEADY_FIELD_A_M 1.1e3

/* The field of a 1 kHz sine whose replayed third harmonic is 3 %: found by bisection on this model at 38
 * cm/s. */
#define MOL_FIELD_A_M 34.82e3

#define LOSS_TAPS_AT_48K 48
#define SETTLE_S 0.06
#define CONTROL_FRAMES 64

/* A sum of three sines whose rates share no period; the amplitudes sum to 1. */
static const double wander_ratio[] = {1.0, 1.618, 2.618};
static const double wander_share[] = {0.6, 0.25, 0.15};

/* First-order section that is (1 + s lift) / (1 + s flux): exact at 0 and at 20 kHz, pole matched. */
static void design_record_amplifier(BmTapePath* self)
{
   const double lift_s = bm_tape_lift_time_s(&self->cfg.machine);
   const double flux_s = self->cfg.machine.flux_time_s;
   const double pole = exp(-1.0 / (flux_s * self->cfg.high_rate_hz));
   const double match_hz = fmin(20000.0, 0.3 * self->cfg.high_rate_hz);
   const double cosine = cos(2.0 * pi * match_hz / self->cfg.high_rate_hz);
   const double analogue = bm_tape_flux(match_hz, flux_s) / bm_tape_flux(match_hz, lift_s);
   const double power = analogue * analogue * (1.0 - 2.0 * pole * cosine + pole * pole);
   const double sum = 1.0 - pole;
   const double product = (sum * sum - power) / (2.0 * (1.0 - cosine));
   self->coef.record_direct = 0.5 * sum + sqrt(fmax(0.25 * sum * sum - product, 0.0));
   self->coef.record_previous = sum - self->coef.record_direct;
   self->coef.record_pole = pole;
}

/* What the layer itself loses at nominal bias is made up for, as a machine is set up. */
static void replay_magnitudes(const BmTapePath* self, double bias_lin, double* magnitude_lin)
{
   const uint32_t n_points = bm_loss_filter_n_points(&self->losses);
   for (uint32_t i = 0; i < n_points; ++i) {
      const double hz = 0.5 * self->cfg.sample_rate_hz * i / (n_points - 1);
      magnitude_lin[i] = bm_tape_losses(&self->cfg.machine, bias_lin, hz) /
                         (bm_tape_flux(hz, self->cfg.machine.flux_time_s) *
                          bm_hysteresis_response(BM_TAPE_NOMINAL_BIAS_A_M, hz));
   }
}

/* The gain that brings white noise of 1 in front of replay out as 1 below 20 kHz. */
static double level_of_noise(const BmTapePath* self, const double* magnitude_lin)
{
   const uint32_t n_points = bm_loss_filter_n_points(&self->losses);
   const double step_hz = 0.5 * self->cfg.sample_rate_hz / (n_points - 1);
   double power = 0.0;
   for (uint32_t i = 0; i < n_points && i * step_hz <= 20000.0; ++i) {
      power += magnitude_lin[i] * magnitude_lin[i] / (n_points - 1);
   }
   return 1.0 / sqrt(power);
}

static void set_layer_bias(BmTapePath* self, double bias_lin)
{
   bm_hysteresis_set_bias(&self->hysteresis, BM_TAPE_NOMINAL_BIAS_A_M * bias_lin);
   self->coef.rest_magnetisation_a_m =
      bm_hysteresis_anhysteretic_a_m(&self->hysteresis, bm_frame_both(STEADY_FIELD_A_M));
}

static void set_contour(BmTapePath* self)
{
   /* Wavelengths as long as the head's face are picked up at its ends as well, in phase, longer ones less and
      less. Depth and width as on studio heads; common practice, no source. */
   const double bump_hz = self->cfg.machine.speed_m_s / self->cfg.machine.head_length_m;
   const double depth = self->cfg.without_losses ? 0.0 : 1.0;
   const BmBandParams cut = {.frequency_hz = fmax(0.36 * bump_hz * depth, 5.0), .q = 0.7071, .amount = 1.0};
   const BmBandParams bump = {.frequency_hz = bump_hz, .gain_db = 1.6 * depth, .q = 1.1};
   const BmBandParams dip = {.frequency_hz = 2.0 * bump_hz, .gain_db = -0.6 * depth, .q = 1.6};
   bm_band_eq_reset(&self->contour);
   bm_band_eq_set(&self->contour, 0, 0, &cut);
   bm_band_eq_set(&self->contour, 1, 0, &bump);
   bm_band_eq_set(&self->contour, 2, 0, &dip);
}

/* Sound at rest, in a mode. */
static void path_start(BmTapePath* self, const BmOversampleDesign* design, const BmTapeParams* mode,
                       double bias_lin)
{
   double magnitude_lin[2 * BM_LOSS_FILTER_MAX_TAPS + 1];
   self->cfg.speed = mode->speed;
   self->cfg.quality = mode->quality;
   self->cfg.without_losses = mode->without_losses;
   self->cfg.machine = bm_tape_machine(mode->speed);
   if (mode->without_losses) {
      self->cfg.machine.spacing_m = 0.0;
      self->cfg.machine.gap_m = 0.0;
      self->cfg.machine.thickness_m = 0.0;
      self->cfg.machine.bias_spacing_m = 0.0;
   }
   bm_oversample_begin(&self->oversample, design);
   self->cfg.high_rate_hz = self->cfg.sample_rate_hz * design->cfg.factor;
   memset(&self->mem, 0, sizeof self->mem);
   self->mem.bias_lin = bias_lin;

   bm_hysteresis_init(&self->hysteresis, self->cfg.high_rate_hz);
   set_layer_bias(self, 1.0);
   /* What a quiet 1 kHz tone meets on its way, at nominal bias, is what the gains undo. */
   const double lift_s = bm_tape_lift_time_s(&self->cfg.machine);
   const double record = bm_tape_flux(1000.0, self->cfg.machine.flux_time_s) / bm_tape_flux(1000.0, lift_s);
   const double losses = bm_tape_losses(&self->cfg.machine, 1.0, 1000.0);
   const BmFrame probe_a_m = bm_frame_both(1.0);
   const double sensitivity = bm_hysteresis_anhysteretic_a_m(&self->hysteresis, probe_a_m)[0];
   self->coef.field_per_input_a_m = MOL_FIELD_A_M / (bm_gain_from_db(BM_TAPE_MOL_DBFS) * record);
   self->coef.output_per_magnetisation = 1.0 / (self->coef.field_per_input_a_m * record * sensitivity *
                                                losses / bm_tape_flux(1000.0, self->cfg.machine.flux_time_s));

   set_layer_bias(self, bias_lin);
   bm_hysteresis_settle(&self->hysteresis, bm_frame_both(STEADY_FIELD_A_M));
   design_record_amplifier(self);
   replay_magnitudes(self, bias_lin, magnitude_lin);
   self->coef.hiss_lin = level_of_noise(self, magnitude_lin);
   bm_loss_filter_reset(&self->losses);
   bm_loss_filter_set(&self->losses, magnitude_lin);
   set_contour(self);
   bm_delay_reset(&self->pad);
}

/* The record amplifier, in place: input to field. Its recursion reaches two steps back, y(n) = v(n) + p^2
   y(n-2) with v(n) = u(n) + p u(n-1), so that two steps run side by side. */
BM_CLONES static void record(BmTapePath* self, BmFrame* high, uint32_t n_high)
{
   const double direct = self->coef.record_direct * self->coef.field_per_input_a_m;
   const double previous = self->coef.record_previous * self->coef.field_per_input_a_m;
   const double pole = self->coef.record_pole;
   const double pole2 = pole * pole;
   BmFrame in = self->mem.record_in;
   BmFrame driven = self->mem.record_driven;
   BmFramePair out = *(const BmFramePair*)self->mem.record_out;
   for (uint32_t n = 0; n < n_high; n += 2) {
      const bool is_pair = n + 1 < n_high;
      const BmFrame then = high[is_pair ? n + 1 : n];
      const BmFramePair u = direct * BM_FRAME_PAIR(high[n], then) + previous * BM_FRAME_PAIR(in, high[n]);
      const BmFrame u_first = BM_FIRST_OF_PAIR(u);
      const BmFramePair next = (u + pole * BM_FRAME_PAIR(driven, u_first)) + pole2 * out;
      if (is_pair) {
         *(BmFramePair*)(high + n) = next + STEADY_FIELD_A_M;
         in = then;
         driven = BM_SECOND_OF_PAIR(u);
         out = next;
      } else {
         in = high[n];
         driven = u_first;
         out = __builtin_shufflevector(out, next, 2, 3, 4, 5);
         high[n] = BM_SECOND_OF_PAIR(out) + STEADY_FIELD_A_M;
      }
   }
   self->mem.record_in = in;
   self->mem.record_driven = driven;
   *(BmFramePair*)self->mem.record_out = out;
}

/* The layer for the frames of one bias, at the high rate. */
static void magnetise(BmTapePath* self, BmFrame* high, uint32_t n_high)
{
   record(self, high, n_high);
   bm_hysteresis_process(&self->hysteresis, high, high, n_high);
   for (uint32_t n = 0; n < n_high; ++n) {
      high[n] = (high[n] - self->coef.rest_magnetisation_a_m) * self->coef.output_per_magnetisation;
   }
}

typedef struct {
   const double* bias_lin;  /* per frame, or NULL when it rests at path.mem.bias_lin */
   uint32_t elapsed_frames; /* since the control period began */
   double wander_delay_s;   /* there */
   double wander_slope_s;   /* per frame */
   const BmFrame* hiss;     /* per frame, or NULL */
} Block;

typedef float TapePair __attribute__((vector_size(16), aligned(8), may_alias));

/* Four neighbours, newest first, of a frame in the first halves and of another in the second. */
BM_INLINE void read_tape(const BmTapePath* self, uint32_t at0, uint32_t at1, BmFramePair* neighbour)
{
   const uint32_t mask = BM_TAPE_WANDER_FRAMES - 1;
   const BmTapeFrame* tape = self->mem.wander;
   const uint32_t last = (at0 - 3) & mask;
   if (at1 - at0 == 1 && last + 4 <= mask) { /* nearly always */
      for (uint32_t i = 0; i < 4; ++i) {
         neighbour[3 - i] = __builtin_convertvector(*(const TapePair*)(tape + last + i), BmFramePair);
      }
      return;
   }
   for (uint32_t i = 0; i < 4; ++i) {
      const TapePair pair = BM_FRAME_PAIR(tape[(at0 - i) & mask], tape[(at1 - i) & mask]);
      neighbour[i] = __builtin_convertvector(pair, BmFramePair);
   }
}

/* The tape between the heads, which may stray; one frame at the least, for the cubic. */
BM_CLONES static void run_past_replay_head(BmTapePath* self, const Block* block, BmFrame* high,
                                           uint32_t n_high)
{
   const uint32_t mask = BM_TAPE_WANDER_FRAMES - 1;
   const uint32_t start = self->mem.wander_index;
   BmTapeFrame before = self->mem.wander[(start - 1) & mask];
   self->mem.wander_index = start + n_high;
   for (uint32_t n = 0; n < n_high; ++n) {
      const BmTapeFrame now = __builtin_convertvector(high[n], BmTapeFrame);
      self->mem.wander[(start + n) & mask] = now;
      high[n] = __builtin_convertvector(before, BmFrame);
      before = now;
   }
   if (block->wander_delay_s == 0.0 && block->wander_slope_s == 0.0) {
      return;
   }
   const double delay_frames = block->wander_delay_s * self->cfg.high_rate_hz;
   const double slope_frames = block->wander_slope_s * self->cfg.sample_rate_hz;
   const uint32_t elapsed = block->elapsed_frames * self->oversample.cfg.factor;
   for (uint32_t n = 0; n < n_high; n += 2) {
      const bool is_pair = n + 1 < n_high;
      /* From the control period's start, so that rounding does not depend on where a block begins. */
      const double since = elapsed + n;
      const BmFramePair delay = delay_frames + slope_frames * (since + (BmFramePair){0.0, 0.0, 1.0, 1.0});
      const BmFramePair whole = (delay - 0.5) + BM_TO_WHOLE;
      const BmFramePair t = delay - (whole - BM_TO_WHOLE);
      const BmFramePairBits bits = (BmFramePairBits)whole;
      const uint32_t at0 = start + n - (uint32_t)bits[0];
      const uint32_t at1 = start + n + 1 - (uint32_t)bits[2];
      BmFramePair tape[4];
      read_tape(self, at0, at1, tape);
      /* The cubic through them, between the middle two. */
      const BmFramePair third = 0.5 * (tape[1] - tape[2]) + (1.0 / 6.0) * (tape[3] - tape[0]);
      const BmFramePair second = 0.5 * (tape[0] + tape[2]) - tape[1];
      const BmFramePair first = (tape[2] - 0.5 * tape[1]) - ((1.0 / 3.0) * tape[0] + (1.0 / 6.0) * tape[3]);
      const BmFramePair read = tape[1] + t * (first + t * (second + t * third));
      high[n] = BM_FIRST_OF_PAIR(read);
      if (is_pair) {
         high[n + 1] = BM_SECOND_OF_PAIR(read);
      }
   }
}

static void path_process(BmTapePath* self, const Block* block, const BmFrame* in, BmFrame* out,
                         uint32_t n_frames)
{
   BmFrame high[BM_OVERSAMPLE_BLOCK_FRAMES * BM_OVERSAMPLE_MAX_FACTOR];
   const uint32_t factor = self->oversample.cfg.factor;
   const uint32_t n_high = n_frames * factor;
   bm_oversample_up(&self->oversample, in, high, n_frames);
   if (block->bias_lin) {
      for (uint32_t n = 0; n < n_frames; ++n) {
         set_layer_bias(self, block->bias_lin[n]);
         magnetise(self, high + (size_t)n * factor, factor);
      }
   } else {
      magnetise(self, high, n_high);
   }
   run_past_replay_head(self, block, high, n_high);
   bm_oversample_down(&self->oversample, high, out, n_frames);
   if (block->hiss) {
      for (uint32_t n = 0; n < n_frames; ++n) {
         out[n] += self->coef.hiss_lin * block->hiss[n];
      }
   }
   bm_loss_filter_process(&self->losses, out, out, n_frames);
   bm_band_eq_process(&self->contour, out, out, n_frames);
   bm_delay_process(&self->pad, out, out, n_frames);
}

BmStatus bm_tape_init(BmTape* self, double sample_rate_hz)
{
   const BmStatus status = bm_check_rate(sample_rate_hz);
   if (status != BM_OK) {
      return status;
   }
   memset(self, 0, sizeof *self);
   self->cfg.sample_rate_hz = sample_rate_hz;
   const uint32_t n_taps = sample_rate_hz > 68000.0 ? 2 * LOSS_TAPS_AT_48K : LOSS_TAPS_AT_48K;
   uint32_t latency_frames[2];
   for (BmQuality quality = BM_QUALITY_LIVE; quality <= BM_QUALITY_RENDER; ++quality) {
      /* The cubic that reads the tape lies one frame back. */
      bm_oversample_design(&self->design[quality], sample_rate_hz,
                           bm_oversample_factor(sample_rate_hz, factor_at_48k[quality]), quality, 1);
      latency_frames[quality] = self->design[quality].cfg.latency_frames + n_taps - 1;
   }
   self->cfg.latency_frames = latency_frames[latency_frames[1] > latency_frames[0]];
   static const BmBandKind contour[] = {BM_BAND_LOW_CUT, BM_BAND_BELL, BM_BAND_BELL};
   for (uint32_t i = 0; i < 2; ++i) {
      self->path[i].cfg.sample_rate_hz = sample_rate_hz;
      bm_loss_filter_init(&self->path[i].losses, n_taps);
      bm_band_eq_init(&self->path[i].contour, sample_rate_hz, contour, 3, 1);
   }
   bm_changeover_init(&self->mem.changeover, self->cfg.latency_frames + (uint32_t)(SETTLE_S * sample_rate_hz),
                      sample_rate_hz);
   bm_control_clock_init(&self->mem.clock, CONTROL_FRAMES);
   bm_drive_init(&self->mem.drive, sample_rate_hz, self->cfg.latency_frames);
   bm_glide_init(&self->mem.bias_lin, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->mem.wander_lin, 300.0, sample_rate_hz / CONTROL_FRAMES);
   bm_glide_init(&self->mem.wander_rate_hz, 300.0, sample_rate_hz / CONTROL_FRAMES);
   bm_glide_init(&self->mem.hiss_lin, BM_GLIDE_MS, sample_rate_hz);
   bm_tape_reset(self);
   return BM_OK;
}

static void start(BmTape* self, uint32_t copy)
{
   BmTapePath* path = &self->path[copy];
   const BmOversampleDesign* design = &self->design[self->params.quality];
   path_start(path, design, &self->params, self->mem.bias_lin.value);
   const uint32_t latency_frames = design->cfg.latency_frames + bm_loss_filter_latency_frames(&path->losses);
   bm_delay_init(&path->pad, path->mem.pad, BM_TAPE_MAX_LATENCY_FRAMES,
                 self->cfg.latency_frames - latency_frames);
}

static bool is_in_mode(const BmTapePath* path, const BmTapeParams* params)
{
   return path->cfg.speed == params->speed && path->cfg.quality == params->quality &&
          path->cfg.without_losses == params->without_losses;
}

void bm_tape_set(BmTape* self, const BmTapeParams* params)
{
   self->params = *params;
   bm_drive_set(&self->mem.drive, params->drive_db);
   bm_glide_set(&self->mem.bias_lin, params->bias_lin);
   bm_glide_set(&self->mem.wander_lin, 0.01 * params->wander_percent);
   bm_glide_set(&self->mem.wander_rate_hz, params->wander_rate_hz);
   bm_glide_set(&self->mem.hiss_lin, params->hiss_lin);
   if (self->is_fresh) {
      self->is_set = true;
      start(self, self->mem.changeover.heard);
   }
}

/* The work of a control period's first frame. */
static void control(BmTape* self)
{
   for (uint32_t i = 0; i < 2; ++i) {
      BmTapePath* path = &self->path[i];
      if (bm_changeover_runs(&self->mem.changeover, i) && path->mem.bias_lin != self->mem.bias_lin.value) {
         double magnitude_lin[2 * BM_LOSS_FILTER_MAX_TAPS + 1];
         path->mem.bias_lin = self->mem.bias_lin.value;
         replay_magnitudes(path, path->mem.bias_lin, magnitude_lin);
         path->coef.hiss_lin = level_of_noise(path, magnitude_lin);
         bm_loss_filter_glide(&path->losses, magnitude_lin);
      }
   }
   /* The delay is the integral of the deviation of speed, and never negative. */
   self->mem.wander_delay_s += self->mem.wander_slope_s * CONTROL_FRAMES;
   const double depth = bm_glide_step(&self->mem.wander_lin);
   const double rate_hz = bm_glide_step(&self->mem.wander_rate_hz);
   double delay_s = 0.0;
   for (uint32_t i = 0; i < 3; ++i) {
      double* cycles = &self->mem.wander_phase[i];
      *cycles += rate_hz * wander_ratio[i] * CONTROL_FRAMES / self->cfg.sample_rate_hz;
      *cycles -= floor(*cycles);
      if (depth > 0.0) {
         delay_s += depth * wander_share[i] / (2.0 * pi * rate_hz * wander_ratio[i]) *
                    (1.0 - cos(2.0 * pi * *cycles));
      }
   }
   /* A control that jumps leaves the tape elsewhere than it is to be: it gets there no faster than it ever
      strays. */
   const double fastest_s = BM_TAPE_MAX_WANDER_LIN / self->cfg.sample_rate_hz;
   const double slope_s = (delay_s - self->mem.wander_delay_s) / CONTROL_FRAMES;
   self->mem.wander_slope_s = fmin(fmax(slope_s, -fastest_s), fastest_s);
}

/* Of uniform noise whose root mean square is 1. */
static const double noise_peak = 1.7320508075688772;

/* Uniform white noise, a stream a lane: 64-bit congruential generator (Knuth, MMIX constants), top bits. */
static inline double noise(uint64_t* seed)
{
   *seed = *seed * 6364136223846793005ULL + 1442695040888963407ULL;
   return (double)(int64_t)*seed * 0x1p-63;
}

static void process_block(BmTape* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   BmFrame driven[BM_OVERSAMPLE_BLOCK_FRAMES];
   BmFrame hiss[BM_OVERSAMPLE_BLOCK_FRAMES];
   BmFrame heard[2][BM_OVERSAMPLE_BLOCK_FRAMES];
   double bias_lin[BM_OVERSAMPLE_BLOCK_FRAMES];
   double back_lin[BM_OVERSAMPLE_BLOCK_FRAMES];
   const bool bias_moves = !bm_glide_is_still(&self->mem.bias_lin);
   bool has_hiss = false;
   for (uint32_t n = 0; n < n_frames; ++n) {
      driven[n] = in[n] * bm_drive_step(&self->mem.drive, &back_lin[n]);
      bias_lin[n] = bm_glide_step(&self->mem.bias_lin);
      hiss[n] = bm_frame_both(0.0);
      /* Asked anew for every frame: the noise goes on only while it is heard, whatever the block. */
      if (!bm_glide_is_still(&self->mem.hiss_lin) || self->mem.hiss_lin.value != 0.0) {
         has_hiss = true;
         const double hiss_lin = bm_glide_step(&self->mem.hiss_lin);
         const double left = noise(&self->mem.noise);
         hiss[n] = back_lin[n] * hiss_lin * noise_peak * bm_frame(left, noise(&self->mem.noise));
      }
   }
   const Block block = {
      .bias_lin = bias_moves ? bias_lin : NULL,
      .elapsed_frames = self->mem.clock.position_frames,
      .wander_delay_s = self->mem.wander_delay_s,
      .wander_slope_s = self->mem.wander_slope_s,
      .hiss = has_hiss ? hiss : NULL,
   };
   for (uint32_t i = 0; i < 2; ++i) {
      if (bm_changeover_runs(&self->mem.changeover, i)) {
         path_process(&self->path[i], &block, driven, heard[i], n_frames);
      }
   }
   bm_changeover_mix(&self->mem.changeover, heard[0], heard[1], out, n_frames);
   for (uint32_t n = 0; n < n_frames; ++n) {
      out[n] /= back_lin[n];
   }
}

void bm_tape_process(BmTape* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   self->is_fresh = false;
   while (n_frames) {
      BmChangeover* changeover = &self->mem.changeover;
      if (!changeover->is_changing && !is_in_mode(&self->path[changeover->heard], &self->params)) {
         start(self, bm_changeover_begin(changeover));
      }
      if (bm_control_clock_is_due(&self->mem.clock)) {
         control(self);
      }
      uint32_t n = n_frames < BM_OVERSAMPLE_BLOCK_FRAMES ? n_frames : BM_OVERSAMPLE_BLOCK_FRAMES;
      n = bm_control_clock_next(&self->mem.clock, n);
      n = bm_changeover_frames(changeover, n);
      process_block(self, in, out, n);
      bm_control_clock_advance(&self->mem.clock, n);
      in += n;
      out += n;
      n_frames -= n;
   }
}

void bm_tape_reset(BmTape* self)
{
   BmChangeover changeover = self->mem.changeover;
   bm_changeover_init(&changeover, changeover.settle_frames, self->cfg.sample_rate_hz);
   self->mem.changeover = changeover;
   bm_control_clock_reset(&self->mem.clock);
   bm_drive_reset(&self->mem.drive);
   bm_glide_reset(&self->mem.bias_lin);
   bm_glide_reset(&self->mem.wander_lin);
   bm_glide_reset(&self->mem.wander_rate_hz);
   bm_glide_reset(&self->mem.hiss_lin);
   /* A fixed seed: a session sounds the same each time. */
   self->mem.noise = 0x426f6f6b6d617463ULL;
   memset(self->mem.wander_phase, 0, sizeof self->mem.wander_phase);
   self->mem.wander_delay_s = 0.0;
   self->mem.wander_slope_s = 0.0;
   self->is_fresh = true;
   if (self->is_set) {
      start(self, changeover.heard);
   }
}

uint32_t bm_tape_latency_frames(const BmTape* self)
{
   return self->cfg.latency_frames;
}
