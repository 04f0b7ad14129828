/* SPDX-License-Identifier: ISC */
#ifndef BM_ANALYSIS_LOUDNESS_H
#define BM_ANALYSIS_LOUDNESS_H

#include "analysis/k_weighting.h"
#include "base/control_clock.h"
#include "base/frame.h"
#include "base/status.h"

#include <stdbool.h>
#include <stdint.h>

#define BM_LOUDNESS_BINS 2200    /* of 0.05 LU */
#define BM_LOUDNESS_HOPS_MAX 300 /* of 10 ms, in 3 s */

/** How often each loudness occurred: what gating and percentiles need, in a fixed size. */
typedef struct {
   uint32_t counts[BM_LOUDNESS_BINS];
   double powers[BM_LOUDNESS_BINS]; /* sums, so that a mean is exact whatever the width of a bin */
   double count;                    /* of all bins */
   double power;
   uint32_t end_bin; /* none is filled from here on */
} BmLoudnessHistogram;

/**
   Loudness of a stream after ITU-R BS.1770-4 and EBU Tech 3341, its range after EBU Tech 3342.

   The 3 s are kept as 300 powers of 10 ms, so every figure costs a few sums and none allocates; libebur128
   walks all frames of 3 s when asked for the short-term loudness, and lists grow in it while it hears.
   Momentary and short term move every 10 ms, integrated every 100 ms, range every second. Where 10 ms are not
   whole frames (22.05 kHz), times are off by up to 0.3 %.
*/
typedef struct {
   struct {
      uint32_t n_channels;
   } cfg;
   BmKWeighting weighting;
   struct {
      BmControlClock clock;               /* 10 ms */
      BmPairPowers sums;                  /* of the hop */
      uint64_t n_hops;                    /* since reset */
      double power[BM_LOUDNESS_HOPS_MAX]; /* sum of the channels' mean squares, ring */
      double mono_power[BM_LOUDNESS_HOPS_MAX];
      double momentary_power;
      double short_term_power;
      BmLoudnessHistogram blocks;      /* 400 ms every 100 ms */
      BmLoudnessHistogram mono_blocks; /* of (L+R)/2 on both channels */
      BmLoudnessHistogram passages;    /* 3 s every second */
      double integrated_lufs;
      double mono_integrated_lufs;
      double range_lu;
   } mem;
} BmLoudness;

/** Set up for 1 channel (the left lane) or 2. */
BmStatus bm_loudness_init(BmLoudness* self, double sample_rate_hz, uint32_t n_channels);
void bm_loudness_reset(BmLoudness* self);

/** Hear [n_frames]. Real-time: yes. */
void bm_loudness_process(BmLoudness* self, const BmFrame* in, uint32_t n_frames);

/** The same, up to the end of a hop at most, and give the hop's sums so far. @return how many frames; the hop
   has ended if bm_loudness_is_at_hop() then. */
uint32_t bm_loudness_hear(BmLoudness* self, const BmFrame* in, uint32_t n_frames, BmPairPowers* sums);
bool bm_loudness_is_at_hop(const BmLoudness* self);

/** Loudness of the last 400 ms and 3 s (or of what there is), and gated since reset, in LUFS; BM_SILENCE_DB
   at least. */
double bm_loudness_momentary_lufs(const BmLoudness* self);
double bm_loudness_short_term_lufs(const BmLoudness* self);
double bm_loudness_integrated_lufs(const BmLoudness* self);

/** Loudness range since reset in LU; 0 before 3 s. */
double bm_loudness_range_lu(const BmLoudness* self);

/** Integrated loudness of (L+R)/2 on both channels less that of L and R, in LU; 0 for one channel or none. */
double bm_loudness_mono_change_lu(const BmLoudness* self);

#endif
