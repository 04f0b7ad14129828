/* SPDX-License-Identifier: ISC */
#include "reverb/room_reverb.h"

#include "base/decibel.h"

#include <math.h>
#include <string.h>

#define PI 3.14159265358979323846
#define DECAY_NEPERS 13.8155105579642741 /* 6 ln 10: the power falls by 60 dB */

#define CONTROL_RATE_HZ 1500.0
#define CONTROL_GLIDE_MS 20.0
#define FADE_INTERVAL_S 0.1

/* Of an octave in which sound dies away at several speeds, the slowest is measured. For the octaves to read
   what is set, bottom and middle stand this much (powers of the ratio, found by measuring) beyond it. */
#define BOTTOM_POWER 1.2
#define MIDDLE_POWER -0.03

#define EMPTY 1e-10 /* -200 dBFS */

/* The room and what stands in it, in shares of its size; our own but for the proportions. */
#define WIDTH_TO_HEIGHT 1.4
#define LENGTH_TO_HEIGHT 1.9
#define LISTENER_X 0.30
#define LISTENER_Y 0.46
#define LISTENER_Z 0.45
#define HEAD_RADIUS_M 0.0875
#define SOURCE_ANGLE_RAD (20.0 * PI / 180.0)
#define WALL_MARGIN_M 0.3
#define REFERENCE_DISTANCE_M 1.5

/* In mean free times. The late part rises between these two behind the direct sound; what it holds is what it
   would if it set in at once after the mean way in + mean length - mean square / (2 mean length) of the lines
   below, 1.68 (Cox, "Renewal Theory", 1962, from memory). The images fade by as much. */
#define LATE_BEGINS 1.2
#define LATE_IS_FULL 2.2
static const double line_lengths[BM_LATE_LINES] = {1.19818, 1.32067, 1.50178, 1.59313, 1.74548, 1.86591,
                                                   2.12652, 2.23603, 2.51372, 2.72520, 3.00418, 3.23227,
                                                   3.43563, 3.84922, 4.22173, 4.48675};
static const double late_in_times[BM_LATE_LINES] = {0.53916, 0.45379, 0.15840, 0.31947, 0.59029, 0.27733,
                                                    0.10094, 0.39990, 0.04304, 0.20285, 0.23375, 0.51746,
                                                    0.12555, 0.01520, 0.34763, 0.42984};
static const double scatter_lengths[BM_LATE_LINES] = {0.27870, 0.50869, 0.48115, 0.15968, 0.00899, 0.58967,
                                                      0.06844, 0.12978, 0.40597, 0.31936, 0.25359, 0.43048,
                                                      0.55471, 0.08963, 0.35457, 0.19545};
static const float late_in_signs[BM_LATE_LINES] = {1, -1, 1, 1, -1, -1, 1, -1, -1, 1, -1, 1, 1, 1, -1, -1};
#define LINE_LONGEST 4.7
#define LATE_IN_LONGEST 0.6
#define SCATTER_LONGEST 0.6

enum { LOW_CUT, SHIMMER, N_BANDS };
static const BmBandKind band_kinds[N_BANDS] = {BM_BAND_LOW_CUT, BM_BAND_HIGH_SHELF};
#define SHIMMER_HZ 6000.0

static BmShoebox room_of(double volume_m3)
{
   const double height_m = cbrt(volume_m3 / (WIDTH_TO_HEIGHT * LENGTH_TO_HEIGHT));
   return (BmShoebox){{LENGTH_TO_HEIGHT * height_m, WIDTH_TO_HEIGHT * height_m, height_m}};
}

/* How far the sources really stand away. */
static double distance_m(const BmRoomReverbParams* params)
{
   const BmPoint size = room_of(params->volume_m3).size_m;
   const double room_x = ((1.0 - LISTENER_X) * size.x_m - WALL_MARGIN_M) / cos(SOURCE_ANGLE_RAD);
   const double room_y = (LISTENER_Y * size.y_m - WALL_MARGIN_M) / sin(SOURCE_ANGLE_RAD);
   return fmin(params->distance_m, fmin(room_x, room_y));
}

static double middle_log(const BmRoomReverbParams* params)
{
   return log(params->decay_s) + MIDDLE_POWER * log(params->low_ratio);
}

static double bottom_ratio_log(const BmRoomReverbParams* params)
{
   return BOTTOM_POWER * log(params->low_ratio);
}

BmEarlyScene bm_room_reverb_scene(const BmRoomReverbParams* params)
{
   BmEarlyScene scene = {.room = room_of(params->volume_m3)};
   const BmPoint size = scene.room.size_m;
   const BmPoint listener = {LISTENER_X * size.x_m, LISTENER_Y * size.y_m, LISTENER_Z * size.z_m};
   const double ahead_m = distance_m(params) * cos(SOURCE_ANGLE_RAD);
   const double aside_m = distance_m(params) * sin(SOURCE_ANGLE_RAD);
   for (uint32_t i = 0; i < 2; ++i) {
      const double side = i == 0 ? 1.0 : -1.0;
      scene.sources[i] = (BmPoint){listener.x_m + ahead_m, listener.y_m + side * aside_m, listener.z_m};
      scene.ears[i] = (BmPoint){listener.x_m, listener.y_m + side * HEAD_RADIUS_M, listener.z_m};
   }
   return scene;
}

/* The part of the gain below that the taps hold; the rest moves with the decay. */
static double tap_gain_m(const BmRoomReverbParams* params)
{
   return sqrt(0.5 * params->volume_m3 / (4.0 * PI * BM_SPEED_OF_SOUND_M_S)) * distance_m(params) /
          REFERENCE_DISTANCE_M;
}

double bm_room_reverb_gain_m(const BmRoomReverbParams* params)
{
   return tap_gain_m(params) * sqrt(DECAY_NEPERS / params->decay_s);
}

double bm_room_reverb_decay_s(const BmRoomReverbParams* params, double frequency_hz)
{
   const BmDecay decay = {exp(middle_log(params)), exp(bottom_ratio_log(params)), params->damping_hz};
   return bm_decay_time_s(&decay, frequency_hz);
}

static double longest_mean_free_time_s(void)
{
   const BmShoebox room = room_of(BM_ROOM_VOLUME_MAX_M3);
   return bm_shoebox_mean_free_time_s(&room);
}

static BmLateReach late_reach(void)
{
   return (BmLateReach){LINE_LONGEST * longest_mean_free_time_s(),
                        SCATTER_LONGEST * longest_mean_free_time_s()};
}

static uint32_t history_frames(double sample_rate_hz)
{
   const double latest_s = fmax(LATE_IS_FULL, LATE_IN_LONGEST) * longest_mean_free_time_s();
   return (uint32_t)ceil(sample_rate_hz * (0.001 * BM_ROOM_PREDELAY_MAX_MS + latest_s)) + 1;
}

/* Both parts of memory begin on a cache line. */
static size_t late_bytes(double sample_rate_hz)
{
   return (bm_late_field_bytes(sample_rate_hz, late_reach()) + 63) / 64 * 64;
}

static uint32_t frames_of(const BmRoomReverb* self, double time_s)
{
   return (uint32_t)lround(time_s * self->cfg.rate_hz);
}

static void design_layout(BmRoomReverb* self, uint32_t index)
{
   const BmRoomReverbParams* params = &self->coef.heard;
   const BmEarlyScene scene = bm_room_reverb_scene(params);
   const double free_s = bm_shoebox_mean_free_time_s(&scene.room);
   const double predelay_s = 0.001 * params->predelay_ms;
   const BmEarlyTiming timing = {
      .gain_m = tap_gain_m(params),
      .start_s = predelay_s - distance_m(params) / BM_SPEED_OF_SOUND_M_S,
      .fade_s = predelay_s + LATE_BEGINS * free_s,
      .latest_s = predelay_s + LATE_IS_FULL * free_s,
   };
   bm_early_reflections_prepare(&self->early, &scene, &timing);

   self->coef.mean_free_time_s[index] = free_s;
   self->coef.lines_s[index] = 0.0;
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      self->coef.delays[index].loop_frames[i] = frames_of(self, line_lengths[i] * free_s);
      self->coef.delays[index].scatter_frames[i] = frames_of(self, scatter_lengths[i] * free_s);
      self->coef.late_in[index][i] = bm_echo_place(frames_of(self, predelay_s + late_in_times[i] * free_s));
      self->coef.lines_s[index] += self->coef.delays[index].loop_frames[i] / self->cfg.rate_hz;
   }
}

static void adopt_layout(BmRoomReverb* self)
{
   self->coef.current = 1 - self->coef.current;
   bm_early_reflections_adopt(&self->early);
   bm_late_field_set_delays(&self->late, &self->coef.delays[self->coef.current]);
}

static void take_layout(BmRoomReverb* self)
{
   self->coef.heard = self->cfg.params;
   design_layout(self, 1 - self->coef.current);
   adopt_layout(self);
}

static bool is_other_layout(const BmRoomReverbParams* a, const BmRoomReverbParams* b)
{
   return a->volume_m3 != b->volume_m3 || a->predelay_ms != b->predelay_ms || a->distance_m != b->distance_m;
}

/* `index` is the layout that will be heard. */
static void set_levels(BmRoomReverb* self, uint32_t index)
{
   const BmRoomReverbParams* params = &self->cfg.params;
   const double path_m = distance_m(&self->coef.heard);
   const double early = params->early_db > BM_SILENCE_DB ? bm_gain_from_db(params->early_db) : 0.0;
   const double late = params->late_db > BM_SILENCE_DB ? bm_gain_from_db(params->late_db) : 0.0;
   bm_glide_set(&self->early_gain, early * sqrt(DECAY_NEPERS / params->decay_s));
   bm_glide_set(&self->late_gain,
                late * sqrt(DECAY_NEPERS / params->decay_s * self->coef.lines_s[index]) * path_m /
                   REFERENCE_DISTANCE_M *
                   exp(-0.5 * DECAY_NEPERS * path_m / (BM_SPEED_OF_SOUND_M_S * params->decay_s)));
}

static void set_tone(BmRoomReverb* self)
{
   const BmRoomReverbParams* params = &self->cfg.params;
   const BmBandParams low_cut = {
      .frequency_hz = params->low_cut_hz, .q = bm_butterworth_q(2, 0), .amount = 1.0};
   const BmBandParams shimmer = {.frequency_hz = SHIMMER_HZ, .gain_db = params->shimmer_db, .q = BM_SHELF_Q};
   bm_band_eq_set(&self->tone, LOW_CUT, 0, &low_cut);
   bm_band_eq_set(&self->tone, SHIMMER, 0, &shimmer);
}

static BmFade fade_of_layouts(const BmRoomReverb* self)
{
   BmFade fade;
   bm_fade_init(&fade, BM_FADE_MS, self->cfg.rate_hz);
   return fade;
}

size_t bm_room_reverb_bytes(double sample_rate_hz)
{
   return late_bytes(sample_rate_hz) + bm_echo_history_bytes(history_frames(sample_rate_hz));
}

BmStatus bm_room_reverb_init(BmRoomReverb* self, void* memory, double sample_rate_hz)
{
   memset(self, 0, sizeof *self);
   const uint32_t period_frames = (uint32_t)lround(sample_rate_hz / CONTROL_RATE_HZ);
   BmStatus status = bm_band_eq_init(&self->tone, sample_rate_hz, band_kinds, N_BANDS, 1);
   if (status == BM_OK) {
      status = bm_early_reflections_init(&self->early, sample_rate_hz);
   }
   if (status == BM_OK) {
      status = bm_late_field_init(&self->late, memory, sample_rate_hz, late_reach(), period_frames);
   }
   if (status != BM_OK) {
      return status;
   }
   bm_echo_history_init(&self->history, (char*)memory + late_bytes(sample_rate_hz),
                        history_frames(sample_rate_hz));
   self->cfg.rate_hz = sample_rate_hz;
   bm_control_clock_init(&self->mem.clock, period_frames);
   bm_glide_init(&self->decay_log, CONTROL_GLIDE_MS, sample_rate_hz / period_frames);
   bm_glide_init(&self->low_ratio_log, CONTROL_GLIDE_MS, sample_rate_hz / period_frames);
   bm_glide_init(&self->damping_log, CONTROL_GLIDE_MS, sample_rate_hz / period_frames);
   bm_glide_init(&self->turn, CONTROL_GLIDE_MS, sample_rate_hz / period_frames);
   bm_glide_init(&self->early_gain, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->late_gain, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->side_gain, BM_GLIDE_MS, sample_rate_hz);
   self->mem.takes_at_once = true;
   const BmRoomReverbParams defaults = {.decay_s = 1.0,
                                        .low_ratio = 1.0,
                                        .damping_hz = 8000.0,
                                        .volume_m3 = 150.0,
                                        .distance_m = REFERENCE_DISTANCE_M,
                                        .low_cut_hz = 80.0,
                                        .width = 1.0};
   bm_room_reverb_set(self, &defaults);
   bm_room_reverb_reset(self);
   return BM_OK;
}

void bm_room_reverb_set(BmRoomReverb* self, const BmRoomReverbParams* params)
{
   self->cfg.params = *params;
   if (self->mem.takes_at_once) {
      self->mem.takes_at_once = false;
      take_layout(self);
   }
   bm_glide_set(&self->decay_log, middle_log(params));
   bm_glide_set(&self->low_ratio_log, bottom_ratio_log(params));
   bm_glide_set(&self->damping_log, log(params->damping_hz));
   bm_glide_set(&self->turn, params->modulation);
   bm_glide_set(&self->side_gain, params->width);
   set_levels(self, self->mem.is_fading ? 1 - self->coef.current : self->coef.current);
   set_tone(self);
}

static void control_layout(BmRoomReverb* self)
{
   const double interval_frames = FADE_INTERVAL_S * self->cfg.rate_hz;
   if (self->mem.is_fading && bm_fade_is_on(&self->mem.fade)) {
      adopt_layout(self);
      self->mem.is_fading = false;
      self->mem.fade = fade_of_layouts(self);
   }
   if (!self->mem.is_fading && is_other_layout(&self->cfg.params, &self->coef.heard) &&
       self->mem.frames_since_fade >= interval_frames) {
      const uint32_t next = 1 - self->coef.current;
      self->coef.heard = self->cfg.params;
      design_layout(self, next);
      bm_late_field_fade_delays(&self->late, &self->coef.delays[next]);
      set_levels(self, next);
      self->mem.is_fading = true;
      self->mem.frames_since_fade = 0;
      bm_fade_set(&self->mem.fade, false);
      bm_fade_set(&self->mem.fade, true);
   }
   if (self->mem.frames_since_fade < interval_frames) {
      self->mem.frames_since_fade += self->mem.clock.period_frames;
   }
}

static void control(BmRoomReverb* self)
{
   control_layout(self);
   const BmDecay decay = {.decay_s = exp(bm_glide_step(&self->decay_log)),
                          .low_ratio = exp(bm_glide_step(&self->low_ratio_log)),
                          .damping_hz = exp(bm_glide_step(&self->damping_log))};
   const uint32_t n_frames = self->mem.clock.period_frames;
   double share = 0.0;
   if (self->mem.is_fading) {
      BmFade ahead = self->mem.fade;
      const uint32_t left = ahead.length_steps - ahead.position_steps;
      ahead.position_steps += (n_frames < left ? n_frames : left) - 1;
      share = bm_fade_step(&ahead);
   }
   const double* free_s = self->coef.mean_free_time_s;
   const uint32_t now = self->coef.current;
   bm_early_reflections_control(&self->early, &decay, free_s[now] + share * (free_s[1 - now] - free_s[now]),
                                n_frames);
   bm_late_field_control(&self->late, &decay, bm_glide_step(&self->turn), share);

   const uint32_t memory_frames = self->history.capacity_frames + bm_late_field_reach_frames(&self->late);
   if (!self->mem.is_idle && self->mem.quiet_frames >= memory_frames) {
      self->mem.is_idle = true;
      bm_early_reflections_forget(&self->early);
      bm_late_field_forget(&self->late);
   }
}

/* How many frames at the end of [n_frames] are zero. */
static uint32_t quiet_at_end(const BmFrame* frames, uint32_t n_frames)
{
   uint32_t n = n_frames;
   while (n > 0 && frames[n - 1][0] == 0.0 && frames[n - 1][1] == 0.0) {
      --n;
   }
   return n_frames - n;
}

static void feed_late(BmRoomReverb* self, const float* shares, BmLateBlock feed, uint32_t n_frames)
{
   const BmEchoPlace* places = self->coef.late_in[self->coef.current];
   const BmEchoPlace* next_places = self->coef.late_in[1 - self->coef.current];
   for (uint32_t i = 0; i < BM_LATE_LINES; ++i) {
      /* 16 lines of 1/16 each of the energy, half of them for each input */
      const float gain = 0.25F * late_in_signs[i];
      const float* x = bm_echo_history_at(&self->history, i % 2, places[i]);
      for (uint32_t n = 0; n < n_frames; ++n) {
         feed[i][n] = gain * x[n];
      }
      if (shares) {
         x = bm_echo_history_at(&self->history, i % 2, next_places[i]);
         for (uint32_t n = 0; n < n_frames; ++n) {
            feed[i][n] += shares[n] * (gain * x[n] - feed[i][n]);
         }
      }
   }
}

/* The room's answer to [n_frames] of `in`, which it may change. */
static void sound(BmRoomReverb* self, BmFrame* in, BmFrame* early, BmFrame* late, uint32_t n_frames)
{
   float shares[BM_LATE_CHUNK_FRAMES];
   if (self->mem.is_fading) {
      for (uint32_t n = 0; n < n_frames; ++n) {
         shares[n] = (float)bm_fade_step(&self->mem.fade);
      }
   }
   bm_band_eq_process(&self->tone, in, in, n_frames);
   for (uint32_t n = 0; n < n_frames; ++n) {
      in[n] = bm_frame_select(bm_frame_abs(in[n]) < bm_frame_both(EMPTY), bm_frame_both(0.0), in[n]);
   }
   uint32_t n_quiet = quiet_at_end(in, n_frames);
   if (self->mem.is_idle && n_quiet == n_frames) {
      bm_late_field_wait(&self->late, n_frames);
      memset(early, 0, n_frames * sizeof *early);
      memset(late, 0, n_frames * sizeof *late);
      return;
   }
   self->mem.is_idle = false;
   const float* fading = self->mem.is_fading ? shares : NULL;
   BmLateBlock feed;
   if (n_frames < BM_LATE_CHUNK_FRAMES) { /* what is beyond is worked on and dropped */
      memset(feed, 0, sizeof feed);
   }
   bm_echo_history_push(&self->history, in, n_frames);
   bm_early_reflections_process(&self->early, &self->history, fading, early, n_frames);
   feed_late(self, fading, feed, n_frames);
   const uint32_t n_empty = bm_late_field_process(&self->late, feed, fading, late, n_frames);
   n_quiet = n_empty < n_quiet ? n_empty : n_quiet;
   self->mem.quiet_frames = n_quiet < n_frames ? n_quiet : self->mem.quiet_frames + n_frames;
}

static void process_chunk(BmRoomReverb* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   BmFrame heard[BM_LATE_CHUNK_FRAMES], early[BM_LATE_CHUNK_FRAMES], late[BM_LATE_CHUNK_FRAMES];
   memcpy(heard, in, n_frames * sizeof *heard);
   sound(self, heard, early, late, n_frames);
   BmFrame gains[3] = {bm_frame_both(self->early_gain.value), bm_frame_both(self->late_gain.value),
                       bm_frame_both(self->side_gain.value)};
   const bool moves = !(bm_glide_is_still(&self->early_gain) && bm_glide_is_still(&self->late_gain) &&
                        bm_glide_is_still(&self->side_gain));
   for (uint32_t n = 0; n < n_frames; ++n) {
      if (moves) {
         gains[0] = bm_frame_both(bm_glide_step(&self->early_gain));
         gains[1] = bm_frame_both(bm_glide_step(&self->late_gain));
         gains[2] = bm_frame_both(bm_glide_step(&self->side_gain));
      }
      const BmFrame wet = gains[0] * early[n] + gains[1] * late[n];
      const BmFrame other = __builtin_shufflevector(wet, wet, 1, 0);
      const BmFrame mid = 0.5 * (wet + other);
      const BmFrame side = 0.5 * (wet - other);
      out[n] = mid + side * gains[2];
   }
}

void bm_room_reverb_process(BmRoomReverb* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   while (n_frames > 0) {
      if (bm_control_clock_is_due(&self->mem.clock)) {
         control(self);
      }
      uint32_t n = bm_control_clock_next(&self->mem.clock, n_frames);
      n = n < BM_LATE_CHUNK_FRAMES ? n : BM_LATE_CHUNK_FRAMES;
      process_chunk(self, in, out, n);
      bm_control_clock_advance(&self->mem.clock, n);
      in += n;
      out += n;
      n_frames -= n;
   }
}

void bm_room_reverb_reset(BmRoomReverb* self)
{
   BmGlide* glides[] = {&self->decay_log,  &self->low_ratio_log, &self->damping_log, &self->turn,
                        &self->early_gain, &self->late_gain,     &self->side_gain};
   bm_band_eq_reset(&self->tone);
   bm_echo_history_reset(&self->history);
   bm_early_reflections_reset(&self->early);
   bm_late_field_reset(&self->late);
   bm_control_clock_reset(&self->mem.clock);
   take_layout(self);
   set_levels(self, self->coef.current);
   for (uint32_t i = 0; i < sizeof glides / sizeof glides[0]; ++i) {
      bm_glide_reset(glides[i]);
   }
   self->mem.fade = fade_of_layouts(self);
   self->mem.is_fading = false;
   self->mem.is_idle = false;
   self->mem.frames_since_fade = UINT32_MAX / 2;
   self->mem.quiet_frames = 0;
   self->mem.takes_at_once = true;
}
