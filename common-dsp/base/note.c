/* SPDX-License-Identifier: ISC */
#include "base/note.h"

#include <math.h>

#define A4_HZ 440.0
#define A4_KEY 69.0
#define SEARCH_UNDER_CENTS 120.0
#define SEARCH_OVER_CENTS 2400.0

/* Add at the end only. */
static const BmTuning tunings[] = {
   {"Any instrument", 2, {23, 76}}, /* the outer strings of all the others */
   {"Guitar, standard", 6, {40, 45, 50, 55, 59, 64}},
   {"Guitar, drop D", 6, {38, 45, 50, 55, 59, 64}},
   {"Guitar, DADGAD", 6, {38, 45, 50, 55, 57, 62}},
   {"Guitar, open G", 6, {38, 43, 50, 55, 59, 62}},
   {"Guitar, open D", 6, {38, 45, 50, 54, 57, 62}},
   {"Resonator guitar, high-bass G", 6, {43, 47, 50, 55, 59, 62}},
   {"Twelve-string guitar", 12, {40, 52, 45, 57, 50, 62, 55, 67, 59, 59, 64, 64}},
   {"Baritone guitar", 6, {35, 40, 45, 50, 54, 59}},
   {"Tenor guitar", 4, {48, 55, 62, 69}},
   {"Ukulele, re-entrant", 4, {67, 60, 64, 69}},
   {"Ukulele, low G", 4, {55, 60, 64, 69}},
   {"Baritone ukulele", 4, {50, 55, 59, 64}},
   {"Mandolin", 4, {55, 62, 69, 76}},
   {"Five-string banjo, open G", 5, {67, 50, 55, 59, 62}},
   {"Violin", 4, {55, 62, 69, 76}},
   {"Viola", 4, {48, 55, 62, 69}},
   {"Cello", 4, {36, 43, 50, 57}},
   {"Double bass", 4, {28, 33, 38, 43}},
   {"Double bass, five strings", 5, {23, 28, 33, 38, 43}},
   {"Guitar, half step down", 6, {39, 44, 49, 54, 58, 63}},
   {"Seven-string guitar", 7, {35, 40, 45, 50, 55, 59, 64}},
   {"Mandola", 4, {48, 55, 62, 69}},
   {"Octave mandolin", 4, {43, 50, 57, 64}},
   {"Bouzouki, GDAD", 4, {43, 50, 57, 62}},
   {"Tenor banjo", 4, {48, 55, 62, 69}},
};

#define N_TUNINGS ((uint32_t)(sizeof tunings / sizeof tunings[0]))

double bm_note_hz(double key)
{
   return A4_HZ * exp2((key - A4_KEY) / 12.0);
}

uint32_t bm_tuning_count(void)
{
   return N_TUNINGS;
}

const BmTuning* bm_tuning(uint32_t index)
{
   return &tunings[index < N_TUNINGS ? index : N_TUNINGS - 1];
}

double bm_tuning_lowest_hz(const BmTuning* tuning)
{
   uint8_t lowest = tuning->open_keys[0];
   for (uint32_t i = 1; i < tuning->n_strings; ++i) {
      lowest = tuning->open_keys[i] < lowest ? tuning->open_keys[i] : lowest;
   }
   return bm_note_hz(lowest);
}

double bm_tuning_search_low_hz(const BmTuning* tuning)
{
   return bm_tuning_lowest_hz(tuning) * exp2(-SEARCH_UNDER_CENTS / 1200.0);
}

double bm_tuning_search_high_hz(const BmTuning* tuning)
{
   uint8_t highest = tuning->open_keys[0];
   for (uint32_t i = 1; i < tuning->n_strings; ++i) {
      highest = tuning->open_keys[i] > highest ? tuning->open_keys[i] : highest;
   }
   return bm_note_hz(highest) * exp2(SEARCH_OVER_CENTS / 1200.0);
}
