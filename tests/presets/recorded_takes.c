/* SPDX-License-Identifier: ISC */
/* "picked notes", "strummed notes", "held chords", "doubled chords": recorded single notes, put in time;
   "phrase": strummed, recorded as it is. */
#include "unit_test.h"

#include "preset_takes.h"
#include "takes.h"

#define PHRASE "guit_em9"
#define PHRASE_S 6.0
#define LOWEST_HZ 82.407
#define PEAK_DBFS (-3.5)

/* A chord every 1.2 s that rings until the next; the right one played by another, a little late and with
   other accents, if it is a double. */
static HostedTake held_chords(bool is_double)
{
   static const int chords[4][5] = {
      {40, 47, 52, 55, 59}, {45, 52, 57, 60, 64}, {43, 50, 55, 59, 62}, {40, 52, 55, 59, 64}};
   static const double strokes_db[2][5] = {{0.0, -4.0, -2.0, -5.0, -1.0}, {-2.0, -1.0, -4.0, -3.0, -5.0}};
   HostedTake take = hosted_take_new(6 * HOSTED_RATE_HZ);
   HostedTake other = hosted_take_new(6 * HOSTED_RATE_HZ);
   for (uint32_t i = 0; i < 5; ++i) {
      for (uint32_t s = 0; s < 5; ++s) {
         takes_add_note(&take, chords[i % 4][s], 1.2 * i + 0.012 * s, strokes_db[0][i], 1.15);
         takes_add_note(&other, chords[i % 4][s], 1.2 * i + 0.004 + 0.015 * s, strokes_db[1][i], 1.15);
      }
   }
   if (is_double) {
      float* left = other.channel[0];
      other.channel[0] = take.channel[1];
      take.channel[1] = left;
   }
   hosted_take_free(&other);
   takes_level(&take);
   return take;
}

/* Down if peaks would be higher than a preamp is set for. */
static void leave_room(HostedTake* take)
{
   double peak = 0.0;
   for (uint32_t i = 0; i < take->n_frames; ++i) {
      peak = fmax(peak, fmax(fabs((double)take->channel[0][i]), fabs((double)take->channel[1][i])));
   }
   const double gain = fmin(1.0, pow(10.0, 0.05 * PEAK_DBFS) / peak);
   for (uint32_t i = 0; i < take->n_frames; ++i) {
      take->channel[0][i] = (float)(gain * (double)take->channel[0][i]);
      take->channel[1][i] = (float)(gain * (double)take->channel[1][i]);
   }
}

bool preset_take(const char* name, PresetTake* take)
{
   HostedTake made = {{NULL, NULL}, 0};
   if (!strcmp(name, "picked notes")) {
      made = takes_picked();
   } else if (!strcmp(name, "strummed notes")) {
      made = takes_strummed();
   } else if (!strcmp(name, "held chords")) {
      made = held_chords(false);
   } else if (!strcmp(name, "doubled chords")) {
      made = held_chords(true);
   } else if (!strcmp(name, "phrase")) {
      made = takes_phrase(PHRASE, PHRASE_S);
   } else {
      fprintf(stderr, "no take %s\n", name);
   }
   leave_room(&made);
   *take = (PresetTake){{made.channel[0], made.channel[1]}, made.n_frames, LOWEST_HZ};
   return made.n_frames > 0;
}

void preset_take_free(PresetTake* take)
{
   free(take->channel[0]);
   free(take->channel[1]);
   *take = (PresetTake){.n_frames = 0};
}

bool preset_takes_are_there(void)
{
   return bm_recordings_are_there() && bm_recording_phrase_is_there(PHRASE);
}
