/* SPDX-License-Identifier: ISC */
#ifndef BM_TAKES_INSTRUMENT_H
#define BM_TAKES_INSTRUMENT_H

#include <stdbool.h>
#include <stdint.h>

#define BM_STRINGS_MAX 12
#define BM_COURSES_MAX 6
#define BM_BODY_PEAKS 3
#define BM_FRET_MAX 15

/** One string, as bought. */
typedef struct {
   uint8_t course; /* 0 is nearest the player's chin: the bass side */
   uint8_t key;    /* open note, MIDI */
   double core_mm; /* diameter that bends: the whole plain string, or a wound string's core */
   double g_per_m; /* mass */
   double youngs_gpa;
   bool wound;
} BmStringMake;

/** One resonance of the body, as seen from the bridge. */
typedef struct {
   double hz;
   double q;
   double mobility_s_per_kg; /* velocity for a force, at the peak */
   double radiation;         /* sound for a velocity; opposite signs cancel below both */
} BmBodyPeak;

/** An instrument: strings, tuning and body. */
typedef struct {
   const char* name;
   double scale_m;
   uint32_t n_courses;
   uint32_t n_strings;
   BmStringMake strings[BM_STRINGS_MAX];
   double low_t60_s;        /* decay of a string by itself, far below and ... */
   double plain_high_t60_s; /* ... at 5 kHz */
   double wound_high_t60_s;
   BmBodyPeak peaks[BM_BODY_PEAKS]; /* air, top, back */
   double plate_from_hz;            /* above, modes crowd, and only their mean mobility is told */
   double plate_mobility_s_per_kg;
   double plate_radiation; /* at plate_from_hz */
   double pluck_m;         /* where the hand plucks, from the bridge */
} BmInstrument;

/** The instrument of a name, or NULL. */
const BmInstrument* bm_instrument_find(const char* name);

/** The instrument at `index`, or NULL past the last. */
const BmInstrument* bm_instrument_at(uint32_t index);

/** Frequency of a string stopped at a fret: equal temperament on A4 = 440 Hz (ISO 16). */
double bm_string_hz(const BmStringMake* string, double fret);

/** Tension in N that brings the string to its open note: T = (2 L f)^2 m. */
double bm_string_tension_n(const BmStringMake* string, double scale_m);

/** B = pi^3 E d^4 / (64 T L^2), at a fret (Fletcher & Rossing, ch. 2). */
double bm_string_inharmonicity(const BmStringMake* string, double scale_m, double fret);

/** Wave impedance sqrt(T m) in kg/s. */
double bm_string_impedance(const BmStringMake* string, double scale_m);

#endif
