/* SPDX-License-Identifier: ISC */
#ifndef BM_TAKES_PART_H
#define BM_TAKES_PART_H

#include "body.h"
#include "instrument.h"

#include <stdbool.h>
#include <stdint.h>

/**
   A part is a text file, a line at a time; '#' begins a comment.

       instrument steel-string      which of instrument.c
       tempo 92                     beats a minute
       beats 4                      in a bar
       hand pick                    pick, fingers or thumb
       take NAME 1 close            write NAME.wav: performance 1, one microphone; two make a stereo file;
                                    '-' before a microphone reverses its polarity
       chord Em 0 2 2 0 0 0         frets from the bass side; x is not played
       pattern wide D . d . u . D u steps that share a bar evenly, see below
       section verse -3             a name and its level in dB
       play wide Em C G D           that pattern, a bar a chord

   Steps of a pattern: '.' lets ring; 'D' strums down over all strings, 'd' over the bass half; 'U' strums up,
   'u' over the upper three; 'x' is a damped stroke, '-' stops all strings. Else a pluck of one course, or of
   several joined by '+': 'b' is the chord's first from the bass side, '1' the first from the treble side, '2'
   the next, '2:5' that at fret 5. Behind a step, '!' accents it and '~' keeps it trembling until the next.
*/

#define BM_NAME_MAX 48
#define BM_CHORDS_MAX 32
#define BM_PATTERNS_MAX 32
#define BM_STEPS_MAX 32
#define BM_BARS_MAX 64
#define BM_TAKES_MAX 8
#define BM_COURSE_BASS 0xFF
#define BM_FRET_OF_CHORD (-1)
#define BM_FRET_SILENT (-2)

typedef enum { BM_HAND_PICK, BM_HAND_FINGERS, BM_HAND_THUMB } BmHand;

typedef enum {
   BM_STEP_RING,
   BM_STEP_DOWN,
   BM_STEP_DOWN_BASS,
   BM_STEP_UP,
   BM_STEP_UP_TOP,
   BM_STEP_SCRATCH,
   BM_STEP_STOP,
   BM_STEP_PLUCK
} BmStepKind;

typedef struct {
   BmStepKind kind;
   bool accent;
   bool tremolo;
   uint32_t n_plucks;
   struct {
      uint8_t course; /* from the bass side, or BM_COURSE_BASS */
      int8_t fret;    /* or BM_FRET_OF_CHORD */
   } plucks[BM_COURSES_MAX];
} BmStep;

typedef struct {
   char name[BM_NAME_MAX];
   int8_t frets[BM_COURSES_MAX]; /* from the bass side, or BM_FRET_SILENT */
} BmChord;

typedef struct {
   char name[BM_NAME_MAX];
   uint32_t n_steps;
   BmStep steps[BM_STEPS_MAX];
} BmPattern;

typedef struct {
   uint32_t pattern;
   uint32_t chord;
   double level_db;
} BmBar;

typedef struct {
   char name[BM_NAME_MAX];
   uint32_t performance; /* from 1 */
   uint32_t n_microphones;
   const BmMicrophone* microphones[2];
   bool reversed[2];
} BmTake;

typedef struct {
   char name[BM_NAME_MAX];
   const BmInstrument* instrument;
   double tempo;
   uint32_t beats;
   BmHand hand;
   uint32_t n_takes;
   BmTake takes[BM_TAKES_MAX];
   uint32_t n_chords;
   BmChord chords[BM_CHORDS_MAX];
   uint32_t n_patterns;
   BmPattern patterns[BM_PATTERNS_MAX];
   uint32_t n_bars;
   BmBar bars[BM_BARS_MAX];
} BmPart;

#define BM_PART_MESSAGE_MAX 512

/** Read a part; the file's name without '.part' names it. False, and one line in `message`, if it is missing
   or wrong. */
bool bm_part_read(BmPart* self, const char* path, char message[BM_PART_MESSAGE_MAX]);

#endif
