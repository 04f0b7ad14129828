/* SPDX-License-Identifier: ISC */
#include "recording.h"

#include "plucked_string.h"
#include "random.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TWO_PI 6.283185307179586
#define SPEED_OF_SOUND 343.0
#define CONTACT_T60_S 0.10 /* a pick on a sounding string */
#define REFERENCE_M 0.3

/* How the bridge takes the two polarisations: across the top fully, along it by the saddle's tilt. */
static const BmPlanes bridge_share = {0.95, 0.30};

typedef struct {
   BmPluckedString string;
   uint64_t lift_frame; /* the hand leaves; 0: it is not there for a pluck */
   BmPlanes arriving[BM_STRING_BLOCK];
} Voice;

typedef struct {
   const BmInstrument* instrument;
   const BmPerformance* performance;
   double sample_rate_hz;
   uint32_t n_frames; /* whole blocks */
   uint32_t n_voices;
   Voice* voices;
   BmBody body;
   double* wood; /* force of hands on the bridge side, N */
   double* air;  /* what fingers send to the microphones without the body */
   BmRandom random;
} Stage;

/* gain (s + zero) / (s + pole), by the bilinear transform. */
typedef struct {
   double b0;
   double b1;
   double a1;
   double x1;
   double y1;
} FirstOrder;

static FirstOrder first_order(double zero_hz, double pole_hz, double gain, double sample_rate_hz)
{
   const double zero = tan(0.5 * TWO_PI * zero_hz / sample_rate_hz);
   const double pole = tan(0.5 * TWO_PI * pole_hz / sample_rate_hz);
   return (FirstOrder){.b0 = gain * (1.0 + zero) / (1.0 + pole),
                       .b1 = gain * (zero - 1.0) / (1.0 + pole),
                       .a1 = (pole - 1.0) / (1.0 + pole)};
}

static double filter(FirstOrder* self, double x)
{
   self->y1 = self->b0 * x + self->b1 * self->x1 - self->a1 * self->y1;
   self->x1 = x;
   return self->y1;
}

/* The squeak of skin on windings: noise through a gliding resonance. */
static void add_slide(Stage* stage, const BmGesture* gesture)
{
   const double rate = stage->sample_rate_hz;
   const double length_s = 0.06 + 0.06 * bm_random_unit(&stage->random);
   const double from_hz = 1300.0 + 900.0 * bm_random_unit(&stage->random);
   const double to_hz = from_hz * exp2(0.8 * bm_random_signed(&stage->random));
   const uint32_t start = (uint32_t)(gesture->at_s * rate);
   const uint32_t n = (uint32_t)(length_s * rate);
   double low = 0.0;
   double band = 0.0;
   for (uint32_t i = 0; i < n && start + i < stage->n_frames; ++i) {
      const double t = (double)i / n;
      const double f = 2.0 * sin(0.5 * TWO_PI * (from_hz + (to_hz - from_hz) * t) / rate);
      /* Chamberlin's state-variable filter, Q of 5. */
      low += f * band;
      band += f * (0.15 * bm_random_signed(&stage->random) - low - 0.2 * band);
      const double swell = sin(0.5 * TWO_PI * t);
      stage->air[start + i] += 0.25 * gesture->level * swell * swell * band;
      stage->wood[start + i] += 0.010 * gesture->level * swell * swell * band;
   }
}

/* The heel of the hand and the sleeve: a soft push, and a rustle. */
static void add_knock(Stage* stage, const BmGesture* gesture)
{
   const double rate = stage->sample_rate_hz;
   const double length_s = 0.006 + 0.004 * bm_random_unit(&stage->random);
   const double force_n = 0.12 * gesture->level * exp(0.4 * bm_random_normal(&stage->random));
   const uint32_t start = (uint32_t)(gesture->at_s * rate);
   const uint32_t n = (uint32_t)(length_s * rate);
   double rustle = 0.0;
   for (uint32_t i = 0; i < 4 * n && start + i < stage->n_frames; ++i) {
      const double t = (double)i / n;
      const double swell = t < 1.0 ? sin(0.5 * TWO_PI * t) : 0.0;
      rustle += 0.3 * (bm_random_signed(&stage->random) - rustle);
      stage->wood[start + i] += force_n * swell * swell;
      stage->air[start + i] += 0.06 * gesture->level * rustle * t * exp(-2.0 * t);
   }
}

static void act(Stage* stage, const BmGesture* gesture, uint32_t frame)
{
   Voice* voice = &stage->voices[gesture->string];
   switch (gesture->kind) {
   case BM_GESTURE_PLUCK:
      bm_string_stop(&voice->string, gesture->fret, gesture->cents);
      bm_string_touch(&voice->string, CONTACT_T60_S);
      bm_string_pluck(&voice->string, &gesture->pluck,
                      fmax(0.0, gesture->at_s * stage->sample_rate_hz - frame), &stage->random);
      voice->lift_frame = (uint64_t)((gesture->at_s + gesture->pluck.contact_s) * stage->sample_rate_hz);
      break;
   case BM_GESTURE_STOP:
      bm_string_stop(&voice->string, gesture->fret, gesture->cents);
      bm_string_touch(&voice->string, 0.0);
      break;
   case BM_GESTURE_TOUCH:
      bm_string_touch(&voice->string, gesture->t60_s);
      voice->lift_frame = 0;
      break;
   case BM_GESTURE_SLIDE:
      add_slide(stage, gesture);
      break;
   case BM_GESTURE_KNOCK:
      add_knock(stage, gesture);
      break;
   }
}

/* One block: strings to the bridge, the bridge's motion, strings from it. */
static void run_block(Stage* stage, uint32_t frame, double heard[][BM_MICROPHONES_MAX])
{
   double impedance = 0.0; /* of all strings as the bridge feels them */
   const double share_power = bridge_share[0] * bridge_share[0] + bridge_share[1] * bridge_share[1];
   for (uint32_t v = 0; v < stage->n_voices; ++v) {
      bm_string_arrive(&stage->voices[v].string, stage->voices[v].arriving);
      impedance += stage->voices[v].string.cfg.impedance * share_power;
   }
   const double at_once = stage->body.coef.at_once;
   for (uint32_t i = 0; i < BM_STRING_BLOCK; ++i) {
      /* A string pulls with Z (2 arriving - bridge); all pulls and the hand's move the body by its mobility.
       */
      BmPlanes pulls = {0.0, 0.0};
      for (uint32_t v = 0; v < stage->n_voices; ++v) {
         pulls += 2.0 * stage->voices[v].string.cfg.impedance * stage->voices[v].arriving[i];
      }
      const BmPlanes shared = pulls * bridge_share;
      const double blocked_n = shared[0] + shared[1] + stage->wood[frame + i];
      const double bridge =
         (bm_body_recoil(&stage->body) + at_once * blocked_n) / (1.0 + at_once * impedance);
      bm_body_push(&stage->body, blocked_n - impedance * bridge, heard[i]);
      const BmPlanes moved = bridge * bridge_share;
      for (uint32_t v = 0; v < stage->n_voices; ++v) {
         stage->voices[v].arriving[i] = moved - stage->voices[v].arriving[i];
      }
   }
   for (uint32_t v = 0; v < stage->n_voices; ++v) {
      bm_string_depart(&stage->voices[v].string, stage->voices[v].arriving);
   }
}

static uint32_t distance_frames(double distance_m, double sample_rate_hz)
{
   return (uint32_t)lround(distance_m / SPEED_OF_SOUND * sample_rate_hz);
}

static void play(Stage* stage, BmRecording* recording, const BmMicrophone* const* microphones)
{
   const double rate = stage->sample_rate_hz;
   const BmPerformance* performance = stage->performance;
   uint32_t next = 0;
   for (uint32_t frame = 0; frame < stage->n_frames; frame += BM_STRING_BLOCK) {
      for (; next < performance->n_gestures &&
             performance->gestures[next].at_s * rate < (double)frame + BM_STRING_BLOCK;
           ++next) {
         act(stage, &performance->gestures[next], frame);
      }
      for (uint32_t v = 0; v < stage->n_voices; ++v) {
         Voice* voice = &stage->voices[v];
         if (voice->lift_frame > 0 && voice->lift_frame < frame + BM_STRING_BLOCK) {
            bm_string_touch(&voice->string, 0.0);
            voice->lift_frame = 0;
         }
      }
      double heard[BM_STRING_BLOCK][BM_MICROPHONES_MAX];
      run_block(stage, frame, heard);
      for (uint32_t m = 0; m < recording->n_microphones; ++m) {
         const uint32_t late = distance_frames(microphones[m]->body_m, rate);
         for (uint32_t i = 0; i < BM_STRING_BLOCK && frame + i + late < recording->n_frames; ++i) {
            recording->channels[m][frame + i + late] = heard[i][m];
         }
      }
   }
   for (uint32_t m = 0; m < recording->n_microphones; ++m) {
      const uint32_t late = distance_frames(microphones[m]->neck_m, rate);
      const double gain = REFERENCE_M / microphones[m]->neck_m;
      for (uint32_t i = late; i < recording->n_frames; ++i) {
         recording->channels[m][i] += gain * stage->air[i - late];
      }
   }
}

/* A cardioid's ear: bass rises as 1 + (c / d) / 2 s where the wave is still curved; an angle dulls or
   brightens; the transformer lets nothing standing still pass. */
static void colour(double* samples, uint32_t n_frames, const BmMicrophone* microphone, double sample_rate_hz)
{
   const double near_hz = 0.5 * SPEED_OF_SOUND / (TWO_PI * microphone->body_m);
   const double shelf = pow(10.0, microphone->treble_db / 20.0);
   FirstOrder chain[] = {
      first_order(near_hz, 25.0, pow(10.0, microphone->gain_db / 20.0), sample_rate_hz),
      first_order(0.0, 25.0, 1.0, sample_rate_hz),
      first_order(0.0, 25.0, 1.0, sample_rate_hz),
      first_order(5000.0 / sqrt(shelf), 5000.0 * sqrt(shelf), shelf, sample_rate_hz),
      first_order(17000.0, 6000.0, 6000.0 / 17000.0, sample_rate_hz),
   };
   for (uint32_t i = 0; i < n_frames; ++i) {
      double x = samples[i];
      for (uint32_t k = 0; k < sizeof(chain) / sizeof(chain[0]); ++k) {
         x = filter(&chain[k], x);
      }
      samples[i] = x;
   }
}

static bool set_up(Stage* stage, BmRecording* recording)
{
   const double rate = stage->sample_rate_hz;
   recording->n_frames = (uint32_t)ceil(stage->performance->length_s * rate);
   stage->n_frames = (recording->n_frames + BM_STRING_BLOCK - 1) / BM_STRING_BLOCK * BM_STRING_BLOCK;
   stage->voices = calloc(stage->instrument->n_strings, sizeof(Voice));
   stage->wood = calloc(stage->n_frames, sizeof(double));
   stage->air = calloc(stage->n_frames, sizeof(double));
   bool is_ready = stage->voices && stage->wood && stage->air;
   for (uint32_t v = 0; is_ready && v < stage->instrument->n_strings; ++v) {
      is_ready = bm_string_init(&stage->voices[v].string, stage->instrument, v, rate);
      stage->n_voices += is_ready;
   }
   for (uint32_t m = 0; is_ready && m < recording->n_microphones; ++m) {
      recording->channels[m] = calloc(recording->n_frames, sizeof(double));
      is_ready = recording->channels[m] != NULL;
   }
   return is_ready;
}

bool bm_recording_make(BmRecording* self, const BmInstrument* instrument, const BmPerformance* performance,
                       const BmMicrophone* const* microphones, uint32_t n_microphones, double sample_rate_hz,
                       uint64_t seed)
{
   *self = (BmRecording){.n_microphones = n_microphones};
   Stage stage = {.instrument = instrument,
                  .performance = performance,
                  .sample_rate_hz = sample_rate_hz,
                  .random = bm_random(seed, 2)};
   const bool is_ready = set_up(&stage, self);
   if (is_ready) {
      bm_body_init(&stage.body, instrument, sample_rate_hz, microphones, n_microphones, seed);
      play(&stage, self, microphones);
      for (uint32_t m = 0; m < n_microphones; ++m) {
         colour(self->channels[m], self->n_frames, microphones[m], sample_rate_hz);
      }
   } else {
      bm_recording_free(self);
   }
   for (uint32_t v = 0; v < stage.n_voices; ++v) {
      bm_string_free(&stage.voices[v].string);
   }
   free(stage.voices);
   free(stage.wood);
   free(stage.air);
   return is_ready;
}

void bm_recording_free(BmRecording* self)
{
   for (uint32_t m = 0; m < BM_MICROPHONES_MAX; ++m) {
      free(self->channels[m]);
   }
   *self = (BmRecording){0};
}
