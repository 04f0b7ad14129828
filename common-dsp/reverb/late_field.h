/* SPDX-License-Identifier: ISC */
#ifndef BM_REVERB_LATE_FIELD_H
#define BM_REVERB_LATE_FIELD_H

#include "base/frame.h"
#include "base/status.h"
#include "reverb/decay.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#define BM_LATE_LINES 16

/** The most frames that one call takes, and the shortest delay. */
#define BM_LATE_CHUNK_FRAMES 32

typedef double BmLateLanes[BM_LATE_LINES] __attribute__((aligned(64)));

/** A chunk of each line. */
typedef float BmLateBlock[BM_LATE_LINES][BM_LATE_CHUNK_FRAMES] __attribute__((aligned(64)));

/** One section for each line. */
typedef struct {
   BmLateLanes b0, b1, b2, a1, a2;
} BmLateSections;

/** Sixteen delays, each of its own length and able to fade to another. */
typedef struct {
   float*
      lines; /* [BM_LATE_LINES][capacity_frames]: the rounding, -150 dB a pass, dies away as all sound does */
   uint32_t capacity_frames;
   uint32_t write_index;
   uint32_t delay_frames[BM_LATE_LINES];
   uint32_t next_delay_frames[BM_LATE_LINES];
} BmLateBank;

/** What makes the size of a room; in frames. */
typedef struct {
   uint32_t loop_frames[BM_LATE_LINES]; /* BM_LATE_CHUNK_FRAMES or more */
   uint32_t scatter_frames[BM_LATE_LINES];
} BmLateDelays;

/**
   The late part of a room: sixteen delays that feed each other through a lossless matrix, each absorbing what
   its length must (Jot and Chaigne, AES 90th Conv. 1991), so that all modes die away together as BmDecay
   says.

   The matrix is Hadamard's; on top, pairs of lines may turn slowly against each other, lossless too, which
   moves the modes and does not slide their pitch (after Schlecht and Habets, "Time-varying feedback matrices
   in feedback delay networks and their application in artificial reverberation", JASA 138(3), 2015). A change
   of size fades from old taps to new inside the loop. What would be under -200 dBFS in a line is zero, so a
   tail ends. An impulse that feeds the lines with a total energy of 1 comes out, in each lane, as noise of
   power 10^(-6 t / decay) / sum(delays in seconds) per second; the lanes are unrelated.
*/
typedef struct {
   struct {
      double rate_hz;
      uint32_t control_frames;
   } cfg;
   BmLateBank scatter; /* what comes in, spread over lines and time before it enters the loop */
   BmLateBank loop;
   struct {
      BmDecay decay; /* what the sections were last designed for */
      double share;
      double turn;
      BmLateSections low, high, low_step, high_step, low_next, high_next;
      float turn_cos[BM_LATE_LINES / 2], turn_sin[BM_LATE_LINES / 2]; /* at the last control */
      float turn_cos_next[BM_LATE_LINES / 2], turn_sin_next[BM_LATE_LINES / 2];
      float turn_cos_step[BM_LATE_LINES / 2], turn_sin_step[BM_LATE_LINES / 2];
      double swing_cos[BM_LATE_LINES / 2], swing_sin[BM_LATE_LINES / 2]; /* of one control period */
      bool is_designed;
      bool moves;
      bool turns;
   } coef;
   struct {
      double swing_cos[BM_LATE_LINES / 2], swing_sin[BM_LATE_LINES / 2];
      uint32_t frames_since_control;
      BmLateLanes low_1, low_2, high_1, high_2;
   } mem;
} BmLateField;

/** The longest delays that will be asked for. */
typedef struct {
   double loop_s;
   double scatter_s;
} BmLateReach;

size_t bm_late_field_bytes(double sample_rate_hz, BmLateReach reach);

/** Set up over `memory` (64-byte aligned), to be controlled every `control_frames`;
   bm_late_field_set_delays() before the first sound. */
BmStatus bm_late_field_init(BmLateField* self, void* memory, double sample_rate_hz, BmLateReach reach,
                            uint32_t control_frames);
void bm_late_field_reset(BmLateField* self);

/** After how many frames without input and without anything in the loop nothing is left but in the filters.
 */
uint32_t bm_late_field_reach_frames(const BmLateField* self);

/** Drop what is left in the filters. */
void bm_late_field_forget(BmLateField* self);

/** Take up delays at once. */
void bm_late_field_set_delays(BmLateField* self, const BmLateDelays* delays);

/** Name the delays that the shares in bm_late_field_process() fade to. bm_late_field_set_delays() ends it. */
void bm_late_field_fade_delays(BmLateField* self, const BmLateDelays* delays);

/**
   Head for `decay` and `turn` (how far pairs turn: 0 not, 1 an eighth of a circle either way), to be there
   control_frames on: then this is called again. The first time after init or reset at once.

   @param share how far the fade of delays will be by then, 0 to 1.
*/
void bm_late_field_control(BmLateField* self, const BmDecay* decay, double turn, double share);

/** Let [n_frames] pass in silence, with nothing in the field. */
void bm_late_field_wait(BmLateField* self, uint32_t n_frames);

/**
   Ring on for [n_frames <= BM_LATE_CHUNK_FRAMES].

   @param in     what enters each line; used up.
   @param shares [n_frames] of the next delays, or NULL while none are named.
   @param out    the room, replaced.
   @return how many frames at the end of the chunk left every line of the loop empty.
*/
uint32_t bm_late_field_process(BmLateField* self, BmLateBlock in, const float* shares, BmFrame* out,
                               uint32_t n_frames);

#endif
