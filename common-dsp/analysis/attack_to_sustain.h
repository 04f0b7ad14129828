/* SPDX-License-Identifier: ISC */
#ifndef BM_ANALYSIS_ATTACK_TO_SUSTAIN_H
#define BM_ANALYSIS_ATTACK_TO_SUSTAIN_H

#include "base/fft.h"
#include "base/frame.h"
#include "base/status.h"

#include <stddef.h>
#include <stdint.h>

#define BM_ATTACK_BANDS_MAX 32
#define BM_ATTACK_STEPS 4096
#define BM_ATTACK_FLUX_HOPS 31
#define BM_ATTACK_WAITING_MAX 16
#define BM_ATTACK_SLOPE_STEPS 20 /* 5 ms */
#define BM_ATTACK_SEARCH_STEPS 120
#define BM_ATTACK_SUM_STEPS (BM_ATTACK_SEARCH_STEPS + 2 * BM_ATTACK_SLOPE_STEPS)

/** An onset on its way to being counted; a piece of it is done at every step. */
typedef struct {
   int stage;
   uint32_t position; /* within the stage */
   int64_t first;     /* step from which the onset is looked for */
   /* Energy and frames before each step, so that any mean square among them is one difference. */
   double sum_energy[BM_ATTACK_SUM_STEPS + 1];
   double sum_frames[BM_ATTACK_SUM_STEPS + 1];
   double slope_power[BM_ATTACK_SUM_STEPS];
   double highest;
   double steepest;
   int64_t onset;
   double attack_power;
   double energy[4];
   uint64_t n_frames;
} BmAttackSettling;

/**
   How much louder a take's onsets are than what rings on: the mean over onsets of the level of the first 10
   ms over that of 50 to 250 ms after it.

   Onsets by spectral flux with half-wave rectification over a moving median (Bello, Daudet, Abdallah,
   Duxbury, Davies and Sandler, "A tutorial on onset detection in music signals", IEEE Trans. Speech Audio
   Proc. 13(5), 2005, sections III-B and IV), on levels of third-octave bands; the instant then settled to
   0.25 ms where 5 ms after stand highest over 5 ms before. The thresholds are the bench's, so that both count
   the same onsets. Every 5 ms a transform of 20 ms for both channels, worked off evenly, piece by piece every
   0.25 or 0.5 ms, while the next 5 ms are heard; an onset counts some 0.4 s after it was heard.
*/
typedef struct {
   struct {
      double rate_hz;
      uint32_t n_channels;
      uint32_t size_frames;
      uint32_t hop_frames;
      uint32_t ring_frames;
      uint32_t run_frames; /* of the ring's beginning that stand once more after its end */
      uint32_t piece_steps;
      uint32_t piece_units;
      uint32_t n_bands;
      uint32_t band_edge[BM_ATTACK_BANDS_MAX + 1];
      double band_weight[BM_ATTACK_BANDS_MAX];
      double step_frames;
   } cfg;
   float* fft_table;   /* [BM_FFT_TABLE_FLOATS(size)] */
   uint32_t* place[2]; /* [size / 2] where the transform leaves a bin and its mirror */
   float* window;      /* [size] */
   float* heard[2];    /* [ring + run] */
   float* re;          /* [size]; in the end the power of each bin */
   float* im;          /* [size]; in the end that of bin and mirror, in order */
   struct {
      uint32_t write_index;
      uint32_t pending_frames;
      uint64_t n_frames;
      int stage;           /* of the newest transform */
      uint32_t position;   /* within the stage */
      uint32_t oldest;     /* index in the ring of its first frame */
      int32_t units_given; /* to it and not spent, or taken in advance */
      uint64_t spent_units;
      BmFftProgress transform;
      float band_power[BM_ATTACK_BANDS_MAX]; /* then level in dB */
      double transform_time_s;
      double band_db[2][BM_ATTACK_BANDS_MAX];
      double loudest_power;
      double flux_db[BM_ATTACK_FLUX_HOPS];
      double flux_time_s[BM_ATTACK_FLUX_HOPS];
      double waiting_s[BM_ATTACK_WAITING_MAX];
      uint32_t n_waiting;
      BmAttackSettling settling;
      double last_onset_s;
      double step_energy[BM_ATTACK_STEPS];
      uint32_t step_count[BM_ATTACK_STEPS];
      uint64_t n_steps;
      uint64_t step_begin;
      uint64_t step_end;
      double sum_db;
      uint32_t n_onsets;
   } mem;
} BmAttackToSustain;

size_t bm_attack_to_sustain_bytes(double sample_rate_hz);
BmStatus bm_attack_to_sustain_init(BmAttackToSustain* self, void* memory, double sample_rate_hz,
                                   uint32_t n_channels);
void bm_attack_to_sustain_reset(BmAttackToSustain* self);

/** Hear [n_frames]. Real-time: yes. */
void bm_attack_to_sustain_process(BmAttackToSustain* self, const BmFrame* in, uint32_t n_frames);

/** The mean since reset in dB; 0 before the first onset. */
double bm_attack_to_sustain_db(const BmAttackToSustain* self);

/** How many onsets that mean holds. */
uint32_t bm_attack_to_sustain_onsets(const BmAttackToSustain* self);

#endif
