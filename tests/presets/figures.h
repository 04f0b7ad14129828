/* SPDX-License-Identifier: ISC */
/*
   What the name and the sentence of a preset say of the sound, as figures.

   Limits were set before anything was measured. A change counts from 1 dB (or LU): the step in level that
   ISO 3382-1, Annex A, calls just noticeable for strength and clarity (from memory); for crest factor, attack
   and shares of energy it is taken over (common practice, no source). Distortion is heard as colour from 1 %,
   a room's tail from -40 dB under the take, and as distance from -25 dB (common practice, no source).
*/
#ifndef BM_TEST_FIGURES_H
#define BM_TEST_FIGURES_H

#include "host.h"
#include "takes.h"

typedef enum {
   NOTHING, /* ends a list */
   /* Changes against the dry take, dB or LU; onsets are the dry take's. */
   CREST,     /* peak against mean */
   ATTACK,    /* first 10 ms of an onset against 50 to 250 ms after it */
   PICK,      /* over 2 kHz, first 20 ms of an onset against all of 50 to 250 ms after it */
   RING,      /* 400 to 600 ms after an onset that no other follows against 50 to 250 ms */
   SPREAD,    /* 10th to 95th percentile of momentary loudness (takes.h) */
   BAND,      /* share of the energy that a band has */
   BOOM,      /* that of a third of an octave round the second harmonic of the instrument's lowest note */
   UNDER,     /* that of all more than half an octave under this note */
   SIDE,      /* side against mid; not of a mono take */
   SIDE_BAND, /* energy of the side in a band against that of the whole */
   MID_BAND,
   SIDE_ATTACK, /* of the side alone */
   SIDE_RING,
   /* Of the take that comes out. */
   TAIL, /* 50 to 250 ms after the take was cut off, against the whole; not from one input to one output */
   HISS, /* as TAIL, of what was added and not of what rings */
   REDUCTION, /* the most that a compressor takes away, dB */
   /* Of a sine of 220 Hz, or of low_hz, at -18 dBFS root mean square: dB under the fundamental. */
   SECOND,
   THIRD,
   DISTORTION, /* harmonics 2 to 5 */
   EVENNESS,   /* the second against the third */
} Figure;

/** The figure lies between `least` and `most`. */
typedef struct {
   Figure figure;
   double least;
   double most;
   double low_hz; /* of a band; or of the sine */
   double high_hz;
} Promise;

#define STEP_DB 1.0
#define COLOUR_DB (-40.0)
#define HEARD_DB (-40.0)
#define FAR_DB (-25.0)

#define UP(figure)                                                                                           \
   {                                                                                                         \
      (figure), STEP_DB, INFINITY, 0.0, 0.0                                                                  \
   }
#define DOWN(figure)                                                                                         \
   {                                                                                                         \
      (figure), -INFINITY, -STEP_DB, 0.0, 0.0                                                                \
   }
#define KEPT(figure)                                                                                         \
   {                                                                                                         \
      (figure), -STEP_DB, STEP_DB, 0.0, 0.0                                                                  \
   }
#define MORE(low_hz, high_hz)                                                                                \
   {                                                                                                         \
      BAND, STEP_DB, INFINITY, (low_hz), (high_hz)                                                           \
   }
#define LESS(low_hz, high_hz)                                                                                \
   {                                                                                                         \
      BAND, -INFINITY, -STEP_DB, (low_hz), (high_hz)                                                         \
   }
#define SAME(low_hz, high_hz)                                                                                \
   {                                                                                                         \
      BAND, -STEP_DB, STEP_DB, (low_hz), (high_hz)                                                           \
   }
#define BRIGHTER MORE(5000.0, INFINITY)
#define DARKER LESS(5000.0, INFINITY)
#define AS_BRIGHT SAME(5000.0, INFINITY)
#define AT_LEAST(figure, db)                                                                                 \
   {                                                                                                         \
      (figure), (db), INFINITY, 0.0, 0.0                                                                     \
   }
#define AT_MOST(figure, db)                                                                                  \
   {                                                                                                         \
      (figure), -INFINITY, (db), 0.0, 0.0                                                                    \
   }
#define A_ROOM                                                                                               \
   {                                                                                                         \
      TAIL, HEARD_DB, FAR_DB, 0.0, 0.0                                                                       \
   }
#define A_PLACE AT_LEAST(TAIL, FAR_DB)

#define MAX_PROMISES 5

/** A passage as it was heard. */
typedef struct {
   HostedTake take; /* borrowed */
   uint32_t n_channels;
   double lowest_hz;
   BmAnalysis analysis;
   double* energy; /* running sum, [n_frames + 1] */
   double* side_energy;
   BmSpectrum mid, side; /* of two channels */
   double tail_db;
   double reduction_db;
} Heard;

/** Measure `n_channels` of a passage that is kept until heard_free(); what only the sides tell if asked to.
 */
Heard heard_new(const HostedTake* take, uint32_t n_channels, double lowest_hz, bool with_sides);
void heard_free(Heard* self);

/** Whether it needs `with_sides`. */
bool figure_is_of_sides(Figure figure);

/** Whether a form with so many inputs and outputs can show it. */
bool figure_is_of(Figure figure, uint32_t n_inputs, uint32_t n_outputs);

/** `sine`: a fresh plugin with the preset, for the figures of a sine. */
double figure_of(const Promise* promise, const Heard* before, const Heard* after, const TakesOnsets* onsets,
                 BmInstance* sine);

/** "2 to 5 kHz" and so on, for people. */
void figure_name(const Promise* promise, char* name, size_t size);

#endif
