/* SPDX-License-Identifier: ISC */
#ifndef BM_ANALYSIS_TAKE_METER_H
#define BM_ANALYSIS_TAKE_METER_H

#include "analysis/attack_to_sustain.h"
#include "analysis/correlation.h"
#include "analysis/loudness.h"
#include "analysis/lowest_note.h"
#include "analysis/true_peak.h"
#include "base/frame.h"
#include "base/status.h"

#include <stddef.h>
#include <stdint.h>

/**
   All that the bench says of a take, live: each figure by its own meter, from reset on.

   Momentary and short-term loudness and the lowest note are of now; the others are of the whole passage.
*/
typedef struct {
   struct {
      uint32_t n_channels;
   } cfg;
   BmLoudness loudness;
   BmTruePeak true_peak;
   BmCorrelation correlation;
   BmAttackToSustain attack;
   BmLowestNote lowest_note;
   struct {
      double n_frames;
   } mem;
} BmTakeMeter;

size_t bm_take_meter_bytes(double sample_rate_hz);

/** Set up for 1 channel (the left lane) or 2. */
BmStatus bm_take_meter_init(BmTakeMeter* self, void* memory, double sample_rate_hz, uint32_t n_channels);

/** Begin a new passage. Real-time: yes. */
void bm_take_meter_reset(BmTakeMeter* self);

/** Hear [n_frames]. Real-time: yes. */
void bm_take_meter_process(BmTakeMeter* self, const BmFrame* in, uint32_t n_frames);

/** 20 lg(peak / RMS) of each channel, mean weighted by the channels' energy, in dB; 0 in silence. */
double bm_take_meter_crest_db(const BmTakeMeter* self);

#endif
