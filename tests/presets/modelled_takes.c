/* SPDX-License-Identifier: ISC */
#include "modelled_takes.h"

#include "part.h"
#include "performance.h"
#include "recording.h"
#include "take_file.h"

#include <sndfile.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846
#define STEEL_GPA 200.0
#define GUT_GPA 6.0
#define SEED 11

#define STRING(n, key_, mm, grams, gpa, is_wound)                                                            \
   {                                                                                                         \
      .course = (n), .key = (key_), .core_mm = (mm), .g_per_m = (grams), .youngs_gpa = (gpa),                \
      .wound = (is_wound)                                                                                    \
   }

/* Gauges and scales: common practice, no source. A banjo's head is a light membrane that takes energy
   quickly; a cone sounds an octave above a guitar's top (Fletcher & Rossing, chs. 9 and 10; values from
   memory). */
static const BmInstrument banjo = {
   .name = "banjo",
   .scale_m = 0.667,
   .n_courses = 4,
   .n_strings = 4,
   .strings = {STRING(0, 50, 0.33, 3.0, STEEL_GPA, true), STRING(1, 55, 0.33, 0.67, STEEL_GPA, false),
               STRING(2, 59, 0.28, 0.48, STEEL_GPA, false), STRING(3, 62, 0.254, 0.40, STEEL_GPA, false)},
   .low_t60_s = 4.0,
   .plain_high_t60_s = 0.8,
   .wound_high_t60_s = 0.5,
   .peaks = {{260.0, 7.0, 0.030, 1.5}, {480.0, 7.0, 0.035, -1.0}, {700.0, 8.0, 0.030, -0.6}},
   .plate_from_hz = 900.0,
   .plate_mobility_s_per_kg = 0.015,
   .plate_radiation = 1.4,
   .pluck_m = 0.090,
};

static const BmInstrument resonator = {
   .name = "resonator",
   .scale_m = 0.635,
   .n_courses = 6,
   .n_strings = 6,
   .strings = {STRING(0, 43, 0.43, 9.0, STEEL_GPA, true), STRING(1, 47, 0.41, 6.0, STEEL_GPA, true),
               STRING(2, 50, 0.36, 4.0, STEEL_GPA, true), STRING(3, 55, 0.33, 2.2, STEEL_GPA, true),
               STRING(4, 59, 0.43, 1.14, STEEL_GPA, false), STRING(5, 62, 0.38, 0.89, STEEL_GPA, false)},
   .low_t60_s = 8.0,
   .plain_high_t60_s = 1.4,
   .wound_high_t60_s = 0.9,
   .peaks = {{190.0, 9.0, 0.010, 2.0}, {430.0, 9.0, 0.025, -1.0}, {860.0, 10.0, 0.020, -0.8}},
   .plate_from_hz = 1200.0,
   .plate_mobility_s_per_kg = 0.006,
   .plate_radiation = 1.5,
   .pluck_m = 0.110,
};

static const BmInstrument double_bass = {
   .name = "double-bass",
   .scale_m = 1.06,
   .n_courses = 4,
   .n_strings = 4,
   .strings = {STRING(0, 28, 1.2, 32.0, GUT_GPA, true), STRING(1, 33, 1.1, 20.0, GUT_GPA, true),
               STRING(2, 38, 1.0, 12.0, GUT_GPA, true), STRING(3, 43, 0.9, 7.5, GUT_GPA, true)},
   .low_t60_s = 3.5,
   .plain_high_t60_s = 0.15,
   .wound_high_t60_s = 0.15,
   .peaks = {{60.0, 10.0, 0.0060, 2.6}, {102.0, 14.0, 0.010, -1.0}, {155.0, 14.0, 0.006, -0.6}},
   .plate_from_hz = 260.0,
   .plate_mobility_s_per_kg = 0.0015,
   .plate_radiation = 1.3,
   .pluck_m = 0.250,
};

/* Which part is played on what, and where in it the take begins. */
typedef struct {
   const char* name;
   const char* part;
   const BmInstrument* instrument; /* NULL: the part's */
   double from_s;
   const char* microphones[2]; /* a pair that mono survives: 3 dB are the presets' limit */
} Plucked;

static const Plucked plucked[] = {
   {"strummed", "strummed", NULL, 9.0, {"body", "neck"}},
   {"picked", "picked", NULL, 10.0, {"body", "neck"}},
   {"nylon", "nylon", NULL, 10.0, {"body", "neck"}},
   {"twelve-string", "twelve-string", NULL, 6.0, {"close", "body"}},
   {"baritone", "baritone", NULL, 8.0, {"body", "neck"}},
   {"ukulele", "ukulele", NULL, 6.0, {"body", "neck"}},
   {"mandolin", "mandolin", NULL, 4.0, {"close", "body"}},
   {"banjo", "mandolin", &banjo, 8.0, {"body", "neck"}},
   {"resonator", "picked", &resonator, 10.0, {"body", "neck"}},
   {"double-bass", "mandolin", &double_bass, 0.0, {"body", "neck"}},
};

/* Only what happens in the window. */
static void crop(BmPerformance* performance, double from_s, double duration_s)
{
   uint32_t n = 0;
   for (uint32_t i = 0; i < performance->n_gestures; ++i) {
      BmGesture gesture = performance->gestures[i];
      gesture.at_s -= from_s;
      if (gesture.at_s >= 0.0 && gesture.at_s < duration_s) {
         performance->gestures[n++] = gesture;
      }
   }
   performance->n_gestures = n;
   performance->length_s = duration_s;
}

static bool play(const Plucked* plan, double duration_s, BmTakeAudio* audio)
{
   char path[512];
   char message[BM_PART_MESSAGE_MAX];
   static BmPart part;
   BmPerformance performance;
   BmRecording recording;
   snprintf(path, sizeof path, "%s/%s.part", BM_PARTS_DIR, plan->part);
   if (!bm_part_read(&part, path, message)) {
      fprintf(stderr, "%s\n", message);
      return false;
   }
   part.instrument = plan->instrument ? plan->instrument : part.instrument;
   const BmMicrophone* pair[2] = {bm_microphone_find(plan->microphones[0]),
                                  bm_microphone_find(plan->microphones[1])};
   if (!bm_performance_play(&performance, &part, SEED)) {
      return false;
   }
   crop(&performance, plan->from_s, duration_s);
   const bool is_made =
      bm_recording_make(&recording, part.instrument, &performance, pair, 2, audio->sample_rate_hz, SEED);
   for (uint32_t c = 0; is_made && c < 2; ++c) {
      for (uint32_t i = 0; i < audio->n_frames && i < recording.n_frames; ++i) {
         audio->channels[c][i] = recording.channels[c][i];
      }
   }
   if (is_made) {
      bm_recording_free(&recording);
   }
   bm_performance_free(&performance);
   return is_made;
}

/* A bowed string at the bridge: Helmholtz motion gives a sawtooth force (Fletcher & Rossing, ch. 10), heard
   through a few body modes and the bridge's hill (places within that chapter's ranges, from memory). */
typedef struct {
   double hz;
   double q;
   double gain[2]; /* at either microphone */
} BowedMode;

#define N_BOWED_MODES 5
#define N_BOWED_NOTES 6
#define SAW_POINTS 2048

typedef struct {
   const char* name;
   double note_s;
   int keys[N_BOWED_NOTES];
   BowedMode modes[N_BOWED_MODES];
} Bowed;

static const Bowed bowed[] = {
   {"violin",
    0.8,
    {62, 69, 67, 74, 71, 69},
    {{275.0, 12.0, {1.0, 0.8}},
     {460.0, 18.0, {1.0, 1.2}},
     {545.0, 18.0, {1.3, 1.1}},
     {1100.0, 4.0, {0.6, 0.6}},
     {2600.0, 2.0, {0.9, 0.7}}}},
   {"cello",
    1.2,
    {48, 43, 50, 55, 52, 48},
    {{102.0, 12.0, {1.0, 0.8}},
     {178.0, 16.0, {1.1, 1.3}},
     {232.0, 16.0, {1.0, 0.9}},
     {600.0, 4.0, {0.6, 0.6}},
     {1800.0, 2.0, {0.7, 0.5}}}},
};

static double white(uint64_t* seed)
{
   *seed = *seed * 6364136223846793005ULL + 1442695040888963407ULL;
   return (double)(int64_t)(*seed >> 11) / (double)(1LL << 52) - 1.0;
}

static void bow(const Bowed* plan, BmTakeAudio* audio)
{
   static double saw[SAW_POINTS];
   uint64_t seed = SEED;
   double state[N_BOWED_MODES][2] = {{0}};
   double phase = 0.0;
   const double rate_hz = audio->sample_rate_hz;
   int last = -1;
   for (uint32_t i = 0; i < audio->n_frames; ++i) {
      const double t = i / rate_hz;
      const int note = (int)(t / plan->note_s);
      const double hz = 440.0 * pow(2.0, (plan->keys[note % N_BOWED_NOTES] - 69) / 12.0);
      if (note != last) {
         last = note;
         const int n_partials = (int)(15000.0 / (hz * 1.02));
         for (int k = 0; k < SAW_POINTS; ++k) {
            saw[k] = 0.0;
            for (int n = 1; n <= n_partials; ++n) {
               saw[k] += sin(2.0 * PI * n * k / SAW_POINTS) / n;
            }
         }
      }
      const double in_note = t - note * plan->note_s;
      const double left = plan->note_s - in_note;
      const double stroke =
         fmin(1.0, fmin(in_note / 0.08, left / 0.06)) * (0.6 + 0.4 * sin(PI * in_note / plan->note_s));
      const double vibrato = 1.0 + 0.006 * fmin(1.0, in_note / 0.3) * sin(2.0 * PI * 5.6 * t);
      phase = fmod(phase + hz * vibrato / rate_hz, 1.0);
      const double at = phase * SAW_POINTS;
      const int k = (int)at;
      const double wave = saw[k] + (at - k) * (saw[(k + 1) % SAW_POINTS] - saw[k]);
      const double force = stroke * (wave + 0.05 * white(&seed));
      for (int m = 0; m < N_BOWED_MODES; ++m) {
         /* A band-pass as a state-variable filter, trapezoidal (Zavalishin; common practice). */
         const BowedMode* mode = &plan->modes[m];
         const double g = tan(PI * mode->hz / rate_hz);
         const double band = (state[m][0] + g * (force - state[m][1])) / (1.0 + g / mode->q + g * g);
         const double low = state[m][1] + g * band;
         state[m][0] = 2.0 * band - state[m][0];
         state[m][1] = 2.0 * low - state[m][1];
         for (int c = 0; c < 2; ++c) {
            audio->channels[c][i] += mode->gain[c] * band / mode->q;
         }
      }
   }
}

static bool read_phrase(BmTakeAudio* audio)
{
   SF_INFO info = {0};
   SNDFILE* file = sf_open("/usr/share/sonic-pi/samples/guit_em9.flac", SFM_READ, &info);
   if (!file || info.channels != 2 || info.samplerate != MODELLED_RATE_HZ) {
      fprintf(stderr, "guit_em9 of Debian's sonic-pi-samples is not there: tests/set-up brings it\n");
      sf_close(file);
      return false;
   }
   float pair[2];
   for (uint32_t i = 0; i < audio->n_frames && sf_readf_float(file, pair, 1) == 1; ++i) {
      audio->channels[0][i] = (double)pair[0];
      audio->channels[1][i] = (double)pair[1];
   }
   sf_close(file);
   return true;
}

static bool make(const char* name, double duration_s, BmTakeAudio* audio)
{
   if (!strcmp(name, "phrase")) {
      return read_phrase(audio);
   }
   for (size_t i = 0; i < sizeof plucked / sizeof *plucked; ++i) {
      if (!strcmp(name, plucked[i].name)) {
         return play(&plucked[i], duration_s, audio);
      }
   }
   for (size_t i = 0; i < sizeof bowed / sizeof *bowed; ++i) {
      if (!strcmp(name, bowed[i].name)) {
         bow(&bowed[i], audio);
         return true;
      }
   }
   fprintf(stderr, "no take %s\n", name);
   return false;
}

bool modelled_take(const char* name, double duration_s, ModelledTake* take)
{
   BmTakeAudio audio = {.sample_rate_hz = MODELLED_RATE_HZ,
                        .n_channels = 2,
                        .n_frames = (uint32_t)(duration_s * MODELLED_RATE_HZ)};
   *take = (ModelledTake){.n_frames = audio.n_frames};
   for (int c = 0; c < 2; ++c) {
      audio.channels[c] = calloc(audio.n_frames, sizeof(double));
      take->channel[c] = calloc(audio.n_frames, sizeof(float));
   }
   const bool is_made = audio.channels[0] && audio.channels[1] && take->channel[0] && take->channel[1] &&
                        make(name, duration_s, &audio);
   if (is_made) {
      bm_take_set_level(&audio, SEED);
      for (uint32_t i = 0; i < audio.n_frames; ++i) {
         take->channel[0][i] = (float)audio.channels[0][i];
         take->channel[1][i] = (float)audio.channels[1][i];
      }
   }
   free(audio.channels[0]);
   free(audio.channels[1]);
   return is_made;
}

void modelled_take_free(ModelledTake* take)
{
   free(take->channel[0]);
   free(take->channel[1]);
}
