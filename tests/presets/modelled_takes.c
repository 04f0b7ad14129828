/* SPDX-License-Identifier: ISC */
#include "preset_takes.h"

#include "part.h"
#include "performance.h"
#include "recording.h"
#include "take_file.h"

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
   const char* part;               /* under PARTS_DIR */
   const BmInstrument* instrument; /* NULL: the part's */
   double from_s;
   double lowest_hz;           /* of the instrument as it is tuned */
   const char* microphones[2]; /* a pair that mono survives: 3 dB are the presets' limit */
   bool is_double;             /* two performances, one to either side */
} Plucked;

/* Each side of a double also holds some of the other, or no preset could open it and survive mono. */
#define DOUBLE_SHARED 0.4

#define SONG "demo-sessions/takes/parts/"
#define OWN "tests/presets/parts/"

static const Plucked plucked[] = {
   {"strummed", SONG "strummed", NULL, 9.0, 82.407, {"body", "neck"}, false},
   {"held chords", SONG "strummed", NULL, 0.0, 82.407, {"body", "neck"}, false},
   {"doubled", SONG "strummed", NULL, 9.0, 82.407, {"body", "body"}, true},
   {"picked", SONG "picked", NULL, 10.0, 82.407, {"body", "neck"}, false},
   {"arpeggio", OWN "arpeggio", NULL, 0.0, 82.407, {"body", "neck"}, false},
   {"nylon", SONG "nylon", NULL, 10.0, 82.407, {"body", "neck"}, false},
   {"twelve-string", SONG "twelve-string", NULL, 6.0, 82.407, {"close", "body"}, false},
   {"baritone", SONG "baritone", NULL, 8.0, 61.735, {"body", "neck"}, false},
   {"sparse baritone", SONG "baritone", NULL, 0.0, 61.735, {"body", "neck"}, false},
   {"ukulele", SONG "ukulele", NULL, 6.0, 261.626, {"body", "neck"}, false},
   {"mandolin", OWN "chop-and-tune", NULL, 0.0, 195.998, {"close", "body"}, false},
   {"tremolo", OWN "tremolo", NULL, 0.0, 195.998, {"body", "body"}, true},
   {"banjo", OWN "roll", &banjo, 0.0, 146.832, {"body", "neck"}, false},
   {"resonator", SONG "picked", &resonator, 10.0, 97.999, {"close", "body"}, false},
   {"double-bass", OWN "walk", &double_bass, 0.0, 41.203, {"body", "neck"}, false},
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
   snprintf(path, sizeof path, "%s/%s.part", PROJECT_DIR, plan->part);
   if (!bm_part_read(&part, path, message)) {
      fprintf(stderr, "%s\n", message);
      return false;
   }
   part.instrument = plan->instrument ? plan->instrument : part.instrument;
   const BmMicrophone* pair[2] = {bm_microphone_find(plan->microphones[0]),
                                  bm_microphone_find(plan->microphones[1])};
   const uint32_t n_performances = plan->is_double ? 2 : 1;
   for (uint32_t p = 0; p < n_performances; ++p) {
      BmPerformance performance;
      BmRecording recording;
      if (!bm_performance_play(&performance, &part, SEED + p)) {
         return false;
      }
      crop(&performance, plan->from_s, duration_s);
      const bool is_made = bm_recording_make(&recording, part.instrument, &performance, pair, 2,
                                             audio->sample_rate_hz, SEED + p);
      bm_performance_free(&performance);
      if (!is_made) {
         return false;
      }
      for (uint32_t c = 0; c < 2; ++c) {
         const double gain = !plan->is_double || c == p ? 1.0 : DOUBLE_SHARED;
         for (uint32_t i = 0; i < audio->n_frames && i < recording.n_frames; ++i) {
            audio->channels[c][i] += gain * recording.channels[c][i];
         }
      }
      bm_recording_free(&recording);
   }
   return true;
}

static double white(uint64_t* seed)
{
   *seed = *seed * 6364136223846793005ULL + 1442695040888963407ULL;
   return (double)(int64_t)(*seed >> 11) / (double)(1LL << 52) - 1.0;
}

/* What lies under the notes of any take: the stand, a foot, the street. */
#define RUMBLE_HZ 30.0
#define RUMBLE_Q 2.0
#define RUMBLE_DB (-30.0) /* under the take */

static void add_rumble(BmTakeAudio* audio)
{
   uint64_t seed = SEED;
   for (uint32_t c = 0; c < audio->n_channels; ++c) {
      double power[2] = {1e-20, 1e-20};
      double* rumble = calloc(audio->n_frames, sizeof *rumble);
      double low = 0.0;
      double band = 0.0;
      const double g = 2.0 * PI * RUMBLE_HZ / audio->sample_rate_hz;
      for (uint32_t i = 0; rumble && i < audio->n_frames; ++i) {
         low += g * band; /* Chamberlin's filter (common practice), far below its limit */
         band += g * (white(&seed) - low - band / RUMBLE_Q);
         rumble[i] = low;
         power[0] += low * low;
         power[1] += audio->channels[c][i] * audio->channels[c][i];
      }
      const double gain = pow(10.0, 0.05 * RUMBLE_DB) * sqrt(power[1] / power[0]);
      for (uint32_t i = 0; rumble && i < audio->n_frames; ++i) {
         audio->channels[c][i] += gain * rumble[i];
      }
      free(rumble);
   }
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
   double swell_s;  /* from soft to loud and back */
   double swell_db; /* between them */
   double lowest_hz;
   int keys[N_BOWED_NOTES];
   BowedMode modes[N_BOWED_MODES];
} Bowed;

#define CELLO                                                                                                \
   65.406, {48, 43, 50, 55, 52, 48},                                                                         \
   {                                                                                                         \
      {102.0, 12.0, {1.0, 0.8}}, {178.0, 16.0, {1.1, 1.3}}, {232.0, 16.0, {1.0, 0.9}},                       \
         {600.0, 4.0, {0.6, 0.6}}, {1800.0, 2.0, {0.7, 0.5}},                                                \
   }

static const Bowed bowed[] = {
   {"violin",
    0.8,
    1.0,
    0.0,
    195.998,
    {62, 69, 67, 74, 71, 69},
    {{275.0, 12.0, {1.0, 0.8}},
     {460.0, 18.0, {1.0, 1.2}},
     {545.0, 18.0, {1.3, 1.1}},
     {1100.0, 4.0, {0.6, 0.6}},
     {2600.0, 2.0, {0.9, 0.7}}}},
   {"cello", 1.2, 1.0, 0.0, CELLO},
   {"cello that swells", 1.2, 3.0, 12.0, CELLO},
};

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
      const double swell =
         pow(10.0, -0.05 * plan->swell_db * (0.5 + 0.5 * cos(2.0 * PI * t / plan->swell_s)));
      const double force = swell * stroke * (wave + 0.05 * white(&seed));
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

/* Long enough for two swells. */
#define DURATION_S 4.5
#define SWELLS_DURATION_S 7.5

static bool make(const char* name, PresetTake* take, BmTakeAudio* audio)
{
   const double duration_s = (double)audio->n_frames / audio->sample_rate_hz;
   for (size_t i = 0; i < sizeof plucked / sizeof *plucked; ++i) {
      if (!strcmp(name, plucked[i].name)) {
         take->lowest_hz = plucked[i].lowest_hz;
         return play(&plucked[i], duration_s, audio);
      }
   }
   for (size_t i = 0; i < sizeof bowed / sizeof *bowed; ++i) {
      if (!strcmp(name, bowed[i].name)) {
         take->lowest_hz = bowed[i].lowest_hz;
         bow(&bowed[i], audio);
         return true;
      }
   }
   fprintf(stderr, "no take %s\n", name);
   return false;
}

bool preset_take(const char* name, PresetTake* take)
{
   const double duration_s = strstr(name, "swells") ? SWELLS_DURATION_S : DURATION_S;
   BmTakeAudio audio = {
      .sample_rate_hz = PRESET_RATE_HZ, .n_channels = 2, .n_frames = (uint32_t)(duration_s * PRESET_RATE_HZ)};
   *take = (PresetTake){.n_frames = audio.n_frames};
   for (int c = 0; c < 2; ++c) {
      audio.channels[c] = calloc(audio.n_frames, sizeof(double));
      take->channel[c] = calloc(audio.n_frames, sizeof(float));
   }
   const bool is_made = audio.channels[0] && audio.channels[1] && take->channel[0] && take->channel[1] &&
                        make(name, take, &audio);
   if (is_made) {
      add_rumble(&audio);
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

void preset_take_free(PresetTake* take)
{
   free(take->channel[0]);
   free(take->channel[1]);
   *take = (PresetTake){.n_frames = 0};
}

bool preset_takes_are_there(void)
{
   return true;
}
