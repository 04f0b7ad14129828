/* SPDX-License-Identifier: ISC */
#include "instrument.h"

#include <math.h>
#include <stddef.h>
#include <string.h>

#define PI 3.141592653589793
#define STEEL_GPA 200.0
#define NYLON_GPA 4.5
#define STEEL_G_PER_MM3 7.85e-3
#define NYLON_G_PER_MM3 1.14e-3

/* A plain string weighs what its diameter says; of a wound one both core and mass must be told. A wound nylon
   string's core is floss: the diameter given is of a solid one that would bend as easily. */
#define PLAIN(course, key, mm, material)                                                                     \
   {                                                                                                         \
      course, key, mm, PI / 4.0 * (mm) * (mm)*1e3 * material##_G_PER_MM3, material##_GPA, false              \
   }
#define WOUND(course, key, core_mm, g_per_m, material)                                                       \
   {                                                                                                         \
      course, key, core_mm, g_per_m, material##_GPA, true                                                    \
   }

/* Scales, gauges and tensions: common practice, no source. Body peaks: within the ranges of Fletcher &
   Rossing, chs. 9 and 10; mobilities and decay times plausible for the wood, from memory. */
static const BmInstrument instruments[] = {
   {
      .name = "steel-string",
      .scale_m = 0.648,
      .n_courses = 6,
      .n_strings = 6,
      .strings = {WOUND(0, 40, 0.432, 10.2, STEEL), WOUND(1, 45, 0.406, 6.44, STEEL),
                  WOUND(2, 50, 0.356, 3.76, STEEL), WOUND(3, 55, 0.330, 2.08, STEEL),
                  PLAIN(4, 59, 0.4064, STEEL), PLAIN(5, 64, 0.3048, STEEL)},
      .low_t60_s = 11.0,
      .plain_high_t60_s = 1.6,
      .wound_high_t60_s = 1.1,
      .peaks = {{101.0, 15.0, 0.0080, 3.0}, {193.0, 20.0, 0.018, -1.0}, {231.0, 24.0, 0.009, -0.5}},
      .plate_from_hz = 320.0,
      .plate_mobility_s_per_kg = 0.0022,
      .plate_radiation = 1.3,
      .pluck_m = 0.150,
   },
   {
      .name = "baritone",
      .scale_m = 0.686,
      .n_courses = 6,
      .n_strings = 6,
      .strings = {WOUND(0, 35, 0.480, 17.4, STEEL), WOUND(1, 40, 0.430, 9.78, STEEL),
                  WOUND(2, 45, 0.400, 5.62, STEEL), WOUND(3, 50, 0.360, 3.20, STEEL),
                  WOUND(4, 54, 0.320, 1.94, STEEL), PLAIN(5, 59, 0.4064, STEEL)},
      .low_t60_s = 12.0,
      .plain_high_t60_s = 1.5,
      .wound_high_t60_s = 0.9,
      .peaks = {{91.0, 15.0, 0.0085, 3.2}, {172.0, 20.0, 0.018, -1.0}, {212.0, 22.0, 0.009, -0.5}},
      .plate_from_hz = 290.0,
      .plate_mobility_s_per_kg = 0.0022,
      .plate_radiation = 1.3,
      .pluck_m = 0.160,
   },
   {
      .name = "twelve-string",
      .scale_m = 0.648,
      .n_courses = 6,
      .n_strings = 12,
      .strings = {WOUND(0, 52, 0.300, 2.08, STEEL), WOUND(0, 40, 0.400, 8.15, STEEL),
                  PLAIN(1, 57, 0.4318, STEEL), WOUND(1, 45, 0.380, 4.82, STEEL), PLAIN(2, 62, 0.3048, STEEL),
                  WOUND(2, 50, 0.340, 2.76, STEEL), PLAIN(3, 67, 0.2032, STEEL),
                  WOUND(3, 55, 0.300, 1.55, STEEL), PLAIN(4, 59, 0.3556, STEEL), PLAIN(4, 59, 0.3556, STEEL),
                  PLAIN(5, 64, 0.2540, STEEL), PLAIN(5, 64, 0.2540, STEEL)},
      .low_t60_s = 11.0,
      .plain_high_t60_s = 1.7,
      .wound_high_t60_s = 1.2,
      .peaks = {{99.0, 14.0, 0.0080, 3.0}, {188.0, 18.0, 0.018, -1.0}, {226.0, 22.0, 0.009, -0.5}},
      .plate_from_hz = 310.0,
      .plate_mobility_s_per_kg = 0.0022,
      .plate_radiation = 1.3,
      .pluck_m = 0.145,
   },
   {
      .name = "nylon",
      .scale_m = 0.650,
      .n_courses = 6,
      .n_strings = 6,
      .strings = {WOUND(0, 40, 0.75, 5.75, NYLON), WOUND(1, 45, 0.70, 3.42, NYLON),
                  WOUND(2, 50, 0.65, 1.92, NYLON), PLAIN(3, 55, 1.0236, NYLON), PLAIN(4, 59, 0.8179, NYLON),
                  PLAIN(5, 64, 0.7112, NYLON)},
      .low_t60_s = 5.5,
      .plain_high_t60_s = 0.22,
      .wound_high_t60_s = 0.45,
      .peaks = {{98.0, 13.0, 0.012, 2.6}, {190.0, 16.0, 0.028, -1.0}, {228.0, 18.0, 0.014, -0.5}},
      .plate_from_hz = 300.0,
      .plate_mobility_s_per_kg = 0.0045,
      .plate_radiation = 1.3,
      .pluck_m = 0.140,
   },
   {
      .name = "ukulele",
      .scale_m = 0.380,
      .n_courses = 4,
      .n_strings = 4,
      .strings = {PLAIN(0, 67, 0.64, NYLON), PLAIN(1, 60, 0.91, NYLON), PLAIN(2, 64, 0.69, NYLON),
                  PLAIN(3, 69, 0.56, NYLON)},
      .low_t60_s = 2.4,
      .plain_high_t60_s = 0.15,
      .wound_high_t60_s = 0.15,
      .peaks = {{196.0, 12.0, 0.020, 2.2}, {388.0, 14.0, 0.040, -1.0}, {520.0, 16.0, 0.018, -0.5}},
      .plate_from_hz = 660.0,
      .plate_mobility_s_per_kg = 0.0080,
      .plate_radiation = 1.3,
      .pluck_m = 0.130,
   },
   {
      .name = "mandolin",
      .scale_m = 0.352,
      .n_courses = 4,
      .n_strings = 8,
      .strings = {WOUND(0, 55, 0.380, 4.73, STEEL), WOUND(0, 55, 0.380, 4.73, STEEL),
                  WOUND(1, 62, 0.300, 1.99, STEEL), WOUND(1, 62, 0.300, 1.99, STEEL),
                  PLAIN(2, 69, 0.381, STEEL), PLAIN(2, 69, 0.381, STEEL), PLAIN(3, 76, 0.254, STEEL),
                  PLAIN(3, 76, 0.254, STEEL)},
      .low_t60_s = 5.0,
      .plain_high_t60_s = 0.9,
      .wound_high_t60_s = 0.7,
      .peaks = {{206.0, 14.0, 0.0080, 2.2}, {430.0, 16.0, 0.018, -1.0}, {560.0, 18.0, 0.009, -0.5}},
      .plate_from_hz = 700.0,
      .plate_mobility_s_per_kg = 0.0035,
      .plate_radiation = 1.3,
      .pluck_m = 0.085,
   },
};

const BmInstrument* bm_instrument_at(uint32_t index)
{
   return index < sizeof(instruments) / sizeof(instruments[0]) ? &instruments[index] : NULL;
}

const BmInstrument* bm_instrument_find(const char* name)
{
   const BmInstrument* instrument;
   for (uint32_t i = 0; (instrument = bm_instrument_at(i)); ++i) {
      if (strcmp(instrument->name, name) == 0) {
         return instrument;
      }
   }
   return NULL;
}

double bm_string_hz(const BmStringMake* string, double fret)
{
   return 440.0 * exp2((string->key + fret - 69.0) / 12.0);
}

double bm_string_tension_n(const BmStringMake* string, double scale_m)
{
   const double wave_speed = 2.0 * scale_m * bm_string_hz(string, 0.0);
   return wave_speed * wave_speed * string->g_per_m * 1e-3;
}

double bm_string_inharmonicity(const BmStringMake* string, double scale_m, double fret)
{
   const double length_m = scale_m * exp2(-fret / 12.0);
   return PI * PI * PI * string->youngs_gpa * 1e9 * pow(string->core_mm * 1e-3, 4.0) /
          (64.0 * bm_string_tension_n(string, scale_m) * length_m * length_m);
}

double bm_string_impedance(const BmStringMake* string, double scale_m)
{
   return sqrt(bm_string_tension_n(string, scale_m) * string->g_per_m * 1e-3);
}
