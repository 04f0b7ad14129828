/* SPDX-License-Identifier: ISC */
#include "performance.h"

#include "random.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define LEAD_S 0.7
#define RING_OUT_S 2.6
#define DAMP_BEFORE_END_S 0.7

#define DRIFT_S 0.012   /* how far the player wanders from the click */
#define DRIFT_KEPT 0.85 /* from a beat to the next */
#define JITTER_S 0.005
#define TUNING_CENTS 1.0
#define FINGERING_CENTS 1.5
#define LEVEL_DB 1.1
#define ACCENT_DB 1.6
#define STRUM_DB (-4.0)  /* a stroke shares its force among the strings */
#define COURSE_DB (-1.5) /* and a course among its two */
#define PLACE_M 0.008
#define TREMOLO_STROKES_HZ 11.5

typedef struct {
   double force_n;
   double contact_s;
   double release_s;
   double angle_rad;
   double scrape;
   double strum_s; /* across six courses */
} HandMake;

/* Forces and times: plausible, from memory. */
static const HandMake hands[] = {
   [BM_HAND_PICK] = {1.6, 0.014, 0.00008, 1.0, 0.30, 0.030},
   [BM_HAND_FINGERS] = {1.4, 0.026, 0.00025, 0.6, 0.12, 0.040},
   [BM_HAND_THUMB] = {1.5, 0.024, 0.00050, 0.7, 0.10, 0.034},
};

typedef struct {
   BmPerformance* performance;
   const BmPart* part;
   const BmInstrument* instrument;
   BmRandom random;
   HandMake hand;
   double place_m; /* where this player's hand rests */
   double warmth;  /* how this player's pick is held: factor of its release time */
   double tuning_cents[BM_STRINGS_MAX];
   double fretting_cents[BM_STRINGS_MAX];
   int stopped[BM_STRINGS_MAX];      /* fret, or BM_FRET_SILENT */
   double free_at_s[BM_STRINGS_MAX]; /* the last pluck's end */
   double* beats_s;                  /* when the player feels each beat */
   uint32_t n_beats;
   bool out_of_memory;
} Player;

static void add(Player* player, BmGesture gesture)
{
   BmPerformance* self = player->performance;
   if (self->n_gestures == self->capacity) {
      const uint32_t capacity = self->capacity ? 2 * self->capacity : 256;
      BmGesture* more = realloc(self->gestures, capacity * sizeof(BmGesture));
      if (!more) {
         player->out_of_memory = true;
         return;
      }
      self->gestures = more;
      self->capacity = capacity;
   }
   if (gesture.at_s < 0.0) {
      gesture.at_s = 0.0;
   }
   gesture.order = self->n_gestures;
   self->gestures[self->n_gestures++] = gesture;
}

static double vary(Player* player, double deviation)
{
   return deviation * bm_random_normal(&player->random);
}

static double gain_of(double db)
{
   return pow(10.0, db / 20.0);
}

static double beat_s(const Player* player, double beat)
{
   const uint32_t whole = (uint32_t)fmin(beat, player->n_beats - 1.0);
   const double part = beat - whole;
   return player->beats_s[whole] + part * (player->beats_s[whole + 1] - player->beats_s[whole]);
}

/* The player hears the click and wanders round it, the more slowly the further. */
static bool feel_beats(Player* player)
{
   const double beat = 60.0 / player->part->tempo;
   player->n_beats = player->part->n_bars * player->part->beats;
   player->beats_s = malloc((player->n_beats + 1) * sizeof(double));
   if (!player->beats_s) {
      return false;
   }
   double drift = vary(player, DRIFT_S);
   for (uint32_t i = 0; i <= player->n_beats; ++i) {
      player->beats_s[i] = LEAD_S + i * beat + drift;
      drift = DRIFT_KEPT * drift + vary(player, DRIFT_S * sqrt(1.0 - DRIFT_KEPT * DRIFT_KEPT));
   }
   return true;
}

static double cents_of(const Player* player, uint32_t string)
{
   return player->tuning_cents[string] + (player->stopped[string] > 0 ? player->fretting_cents[string] : 0.0);
}

static void pluck_string(Player* player, uint32_t string, int fret, double at_s, double db, double brightness)
{
   const BmStringMake* make = &player->instrument->strings[string];
   if (fret != player->stopped[string]) {
      add(player,
          (BmGesture){.kind = BM_GESTURE_TOUCH, .string = string, .at_s = at_s - 0.045, .t60_s = 0.06});
      player->stopped[string] = fret;
      player->fretting_cents[string] = vary(player, FINGERING_CENTS);
   }
   const double room_s = at_s - player->free_at_s[string];
   const double contact_s =
      fmin(player->hand.contact_s * (1.0 + vary(player, 0.15)), fmax(0.5 * room_s, 0.003));
   const double release_s = player->hand.release_s * player->warmth * exp(vary(player, 0.18)) / brightness;
   add(player, (BmGesture){.kind = BM_GESTURE_PLUCK,
                           .string = string,
                           .fret = (uint32_t)fret,
                           .at_s = at_s - contact_s,
                           .cents = cents_of(player, string),
                           .pluck = {
                              .force_n = player->hand.force_n * gain_of(db + vary(player, LEVEL_DB)),
                              .from_bridge_m = player->place_m + vary(player, PLACE_M),
                              .contact_s = contact_s,
                              .release_s = release_s,
                              .angle_rad = player->hand.angle_rad + vary(player, 0.15),
                              .scrape = player->hand.scrape * exp(vary(player, 0.3)),
                           }});
   player->free_at_s[string] = at_s + release_s;
   const double hz = bm_string_hz(make, fret);
   if (player->performance->lowest_hz == 0.0 || hz < player->performance->lowest_hz) {
      player->performance->lowest_hz = hz;
   }
}

/* All strings of a course, one just after the other. */
static void pluck_course(Player* player, uint32_t course, int fret, double at_s, double db, bool upward)
{
   const BmInstrument* instrument = player->instrument;
   double late_s = 0.0;
   db += instrument->n_strings > instrument->n_courses ? COURSE_DB : 0.0;
   for (uint32_t i = 0; i < instrument->n_strings; ++i) {
      const uint32_t string = upward ? instrument->n_strings - 1 - i : i;
      if (instrument->strings[string].course == course) {
         pluck_string(player, string, fret, at_s + late_s, db - (late_s > 0.0 ? 1.0 : 0.0),
                      upward ? 1.15 : 1.0);
         late_s += 0.0022 + 0.0018 * bm_random_unit(&player->random);
      }
   }
}

static void strum(Player* player, const BmChord* chord, const BmStep* step, double at_s, double db)
{
   const uint32_t n = player->instrument->n_courses;
   const bool upward = step->kind == BM_STEP_UP || step->kind == BM_STEP_UP_TOP;
   uint32_t first = 0;
   uint32_t last = n - 1;
   if (step->kind == BM_STEP_DOWN_BASS) {
      while (chord->frets[first] == BM_FRET_SILENT) {
         ++first;
      }
      last = first + n / 2 < n ? first + n / 2 - (bm_random_unit(&player->random) < 0.5) : n - 1;
   } else if (step->kind == BM_STEP_UP) {
      first = n > 4 ? 1 + (bm_random_unit(&player->random) < 0.5) : 0;
   } else if (step->kind == BM_STEP_UP_TOP) {
      first = n > 3 ? n - 3 : 0;
   }
   const double hurry = step->accent ? 0.7 : 1.0;
   const double spread_s = player->hand.strum_s * hurry * (upward ? 0.7 : 1.0) * exp(vary(player, 0.15));
   add(player, (BmGesture){.kind = BM_GESTURE_KNOCK, .at_s = at_s, .level = gain_of(db)});
   for (uint32_t course = first; course <= last; ++course) {
      const double along = (upward ? last - course : course - first) / (double)(n - 1);
      const int fret = chord->frets[course];
      if (fret == BM_FRET_SILENT) {
         continue;
      }
      /* The wrist swings through: fastest in the middle, weaker where it ends. */
      const double late_s = spread_s * (along - 0.5 + 0.05 * sin(6.2831853 * along)) + vary(player, 0.0007);
      pluck_course(player, course, fret, at_s + late_s, db + STRUM_DB - 2.5 * along - (upward ? 1.5 : 0.0),
                   upward);
   }
}

static void touch_all(Player* player, double at_s, double t60_s)
{
   for (uint32_t string = 0; string < player->instrument->n_strings; ++string) {
      add(player, (BmGesture){.kind = BM_GESTURE_TOUCH,
                              .string = string,
                              .at_s = at_s + 0.01 * bm_random_unit(&player->random),
                              .t60_s = t60_s * exp(vary(player, 0.2))});
   }
}

/* A stroke over strings that the left hand only lays on. */
static void scratch(Player* player, const BmChord* chord, double at_s, double db)
{
   touch_all(player, at_s - 0.03, 0.05);
   const BmStep down = {.kind = BM_STEP_DOWN, .accent = true};
   strum(player, chord, &down, at_s, db - 3.0);
   touch_all(player, at_s + 0.035, 0.05);
}

static void play_step(Player* player, const BmChord* chord, const BmStep* step, double at_s, double until_s,
                      double db)
{
   db += step->accent ? ACCENT_DB : 0.0;
   switch (step->kind) {
   case BM_STEP_RING:
      return;
   case BM_STEP_STOP:
      touch_all(player, at_s, 0.12);
      return;
   case BM_STEP_SCRATCH:
      scratch(player, chord, at_s, db);
      return;
   case BM_STEP_PLUCK:
      break;
   default:
      strum(player, chord, step, at_s, db);
      return;
   }
   const uint32_t n_strokes =
      step->tremolo ? (uint32_t)fmax(1.0, round((until_s - at_s) * TREMOLO_STROKES_HZ)) : 1;
   for (uint32_t stroke = 0; stroke < n_strokes; ++stroke) {
      const double stroke_s =
         at_s + (until_s - at_s) * stroke / n_strokes + (stroke ? vary(player, 0.004) : 0.0);
      const double swell_db = step->tremolo ? -3.0 + 2.0 * sin(3.14159265 * stroke / n_strokes) : 0.0;
      for (uint32_t i = 0; i < step->n_plucks; ++i) {
         uint32_t course = step->plucks[i].course;
         if (course == BM_COURSE_BASS) {
            course = 0;
            while (chord->frets[course] == BM_FRET_SILENT) {
               ++course;
            }
         }
         int fret = step->plucks[i].fret;
         if (fret == BM_FRET_OF_CHORD) {
            fret = chord->frets[course];
         }
         if (fret != BM_FRET_SILENT) {
            pluck_course(player, course, fret, stroke_s + fabs(vary(player, 0.003)), db + swell_db,
                         stroke % 2 == 1);
         }
      }
   }
}

/* The left hand lifts and sets down anew; strings that stay as they are ring on. */
static void change_chord(Player* player, const BmChord* chord, double at_s)
{
   bool slides = bm_random_unit(&player->random) < 0.6;
   for (uint32_t string = 0; string < player->instrument->n_strings; ++string) {
      const BmStringMake* make = &player->instrument->strings[string];
      const int fret = chord->frets[make->course];
      if (fret == player->stopped[string]) {
         continue;
      }
      const double lift_s = at_s - 0.050 - 0.025 * bm_random_unit(&player->random);
      add(player,
          (BmGesture){
             .kind = BM_GESTURE_TOUCH, .string = string, .at_s = lift_s, .t60_s = fret > 0 ? 0.08 : 0.15});
      if (slides && make->wound && make->youngs_gpa > 100.0 && player->stopped[string] > 0 && fret > 0) {
         add(player,
             (BmGesture){
                .kind = BM_GESTURE_SLIDE, .string = string, .at_s = lift_s, .level = exp(vary(player, 0.5))});
         slides = false;
      }
      player->stopped[string] = fret;
      player->fretting_cents[string] = vary(player, FINGERING_CENTS);
      if (fret != BM_FRET_SILENT) {
         add(player, (BmGesture){.kind = BM_GESTURE_STOP,
                                 .string = string,
                                 .fret = (uint32_t)fret,
                                 .at_s = at_s - 0.012 + vary(player, 0.002),
                                 .cents = cents_of(player, string)});
      }
   }
}

static void play_bar(Player* player, uint32_t bar)
{
   const BmPart* part = player->part;
   const BmChord* chord = &part->chords[part->bars[bar].chord];
   const BmPattern* pattern = &part->patterns[part->bars[bar].pattern];
   const double first_beat = (double)bar * part->beats;
   change_chord(player, chord, beat_s(player, first_beat) - 0.5 * player->hand.strum_s - 0.005);
   for (uint32_t i = 0; i < pattern->n_steps; ++i) {
      uint32_t next = i + 1;
      while (next < pattern->n_steps && pattern->steps[next].kind == BM_STEP_RING) {
         ++next;
      }
      const double place = (double)i / pattern->n_steps * part->beats;
      const double until = (double)next / pattern->n_steps * part->beats;
      /* The beat itself bears a little more weight than what lies between. */
      const double lift_db = i == 0 ? 0.6 : fmod(place, 1.0) == 0.0 ? 0.0 : -1.2;
      play_step(player, chord, &pattern->steps[i],
                beat_s(player, first_beat + place) + vary(player, JITTER_S),
                beat_s(player, first_beat + until), part->bars[bar].level_db + lift_db);
   }
}

static int compare_gestures(const void* a, const void* b)
{
   const BmGesture* x = a;
   const BmGesture* y = b;
   if (x->at_s != y->at_s) {
      return x->at_s < y->at_s ? -1 : 1;
   }
   return x->order < y->order ? -1 : 1;
}

bool bm_performance_play(BmPerformance* self, const BmPart* part, uint64_t seed)
{
   *self = (BmPerformance){0};
   Player player = {
      .performance = self,
      .part = part,
      .instrument = part->instrument,
      .random = bm_random(seed, 1),
      .hand = hands[part->hand],
   };
   player.place_m = part->instrument->pluck_m * (1.0 + vary(&player, 0.06));
   player.warmth = exp(vary(&player, 0.15));
   player.hand.strum_s *= sqrt(part->instrument->n_courses / 6.0);
   for (uint32_t string = 0; string < part->instrument->n_strings; ++string) {
      player.tuning_cents[string] = vary(&player, TUNING_CENTS);
   }
   if (!feel_beats(&player)) {
      return false;
   }
   for (uint32_t bar = 0; bar < part->n_bars; ++bar) {
      play_bar(&player, bar);
   }
   self->length_s = LEAD_S + player.n_beats * 60.0 / part->tempo + RING_OUT_S;
   touch_all(&player, self->length_s - DAMP_BEFORE_END_S, 0.25);
   free(player.beats_s);
   if (player.out_of_memory) {
      bm_performance_free(self);
      return false;
   }
   qsort(self->gestures, self->n_gestures, sizeof(BmGesture), compare_gestures);
   return true;
}

void bm_performance_free(BmPerformance* self)
{
   free(self->gestures);
   *self = (BmPerformance){0};
}
