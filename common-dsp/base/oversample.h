/* SPDX-License-Identifier: ISC */
#ifndef BM_BASE_OVERSAMPLE_H
#define BM_BASE_OVERSAMPLE_H

#include "base/frame.h"
#include "base/status.h"

#include <stdint.h>

/** How much is spent on purity: enough to mix with, or what a final rendering deserves. */
typedef enum { BM_QUALITY_LIVE = 0, BM_QUALITY_RENDER = 1 } BmQuality;

#define BM_OVERSAMPLE_MAX_FACTOR 16

/** A convenient block for a caller's stack buffer: this many frames, times the factor. Any other size will
 * do. */
#define BM_OVERSAMPLE_BLOCK_FRAMES 32

/** Most coefficient pairs of one half-band filter (44.1 kHz, render: 46). */
#define BM_HALFBAND_MAX_PAIRS 48

/** Most frames that a half-band filter takes at a time. */
#define BM_HALFBAND_PIECE_FRAMES (BM_OVERSAMPLE_BLOCK_FRAMES * BM_OVERSAMPLE_MAX_FACTOR / 2)

/** A linear-phase half-band filter of 4 n_pairs - 1 taps. Private to BmOversample. */
typedef struct {
   uint32_t n_pairs;
   float tap[BM_HALFBAND_MAX_PAIRS]; /* outwards from the centre, doubled for zero-stuffing */
} BmHalfbandTaps;

/** Private to BmOversample. */
typedef struct {
   uint32_t factor;
   uint32_t n_stages;
   uint32_t pad_frames; /* at the high rate */
   uint32_t latency_frames;
} BmOversampleSizes;

/** What a rate, a factor and a quality settle. Small, where a BmOversample holds windows of 8 KiB a stage. */
typedef struct {
   BmOversampleSizes cfg;
   BmHalfbandTaps stage[4];
} BmOversampleDesign;

/** One half-band filter, both ways. Private to BmOversample. */
typedef struct {
   BmHalfbandTaps coef;
   struct {
      /* Left and right in turn; room for whole fours of frames. */
      float up[2 * (2 * BM_HALFBAND_MAX_PAIRS + BM_HALFBAND_PIECE_FRAMES + 4)];
      float down[2 * (2 * BM_HALFBAND_MAX_PAIRS + BM_HALFBAND_PIECE_FRAMES + 4)];
      float down_odd[2 * (BM_HALFBAND_MAX_PAIRS + BM_HALFBAND_PIECE_FRAMES + 4)];
   } mem;
} BmHalfband;

/**
   Runs a processor at 2, 4, 8 or 16 times the sample rate: half-band stages up and down, linear phase.

   Pass band up to 20 kHz (0.3 of the rate above 66.7 kHz; 0.4535 of it below 44.1 kHz). Ripple there below
   0.001 dB, images and aliases of it below -100 dB (live) or -120 dB (render). Kaiser-windowed half-band
   filters designed by formula (J. F. Kaiser, "Nonrecursive digital filter design using the I0-sinh window
   function", ISCAS 1974), so any rate is served. They run in single precision: what rounding adds stays 135
   dB below the signal.

   The delay up and down together is a whole number of frames; what is missing to the next whole one is
   added at the high rate. Block sizes do not change a bit of the output.
*/
typedef struct {
   BmOversampleSizes cfg;
   BmHalfband stage[4];
   struct {
      float pad[2 * BM_OVERSAMPLE_MAX_FACTOR];
   } mem;
} BmOversample;

/**
   Design the filters. `factor` is 1 (nothing is done), 2, 4, 8 or 16.

   `inner_delay_frames` is the delay, at the high rate, of what the caller runs between up and down (0 if
   none): the padding takes it into account, so that the whole stays a whole number of frames. Errors:
   BM_BAD_RATE, BM_BAD_ARGUMENT (factor).
*/
BmStatus bm_oversample_design(BmOversampleDesign* self, double sample_rate_hz, uint32_t factor,
                              BmQuality quality, uint32_t inner_delay_frames);

/** Begin with filters that are designed, and clear. Real-time: yes. */
void bm_oversample_begin(BmOversample* self, const BmOversampleDesign* design);

/** Design, and begin with that. */
BmStatus bm_oversample_init(BmOversample* self, double sample_rate_hz, uint32_t factor, BmQuality quality,
                            uint32_t inner_delay_frames);

/** The factor that brings `sample_rate_hz` near 48 kHz times `factor_at_48k`: half of it at 96 kHz, and so
 * on. */
uint32_t bm_oversample_factor(double sample_rate_hz, uint32_t factor_at_48k);

void bm_oversample_reset(BmOversample* self);

/** Delay of up, the caller's inner delay and down together, in frames at the sample rate. */
uint32_t bm_oversample_latency_frames(const BmOversample* self);

/** Interpolate `in` [n_frames] to `high` [n_frames * factor]; no overlap. Real-time: yes. */
void bm_oversample_up(BmOversample* self, const BmFrame* in, BmFrame* high, uint32_t n_frames);

/** Decimate `high` [n_frames * factor], which is overwritten, to `out` [n_frames]; no overlap. Real-time:
 * yes. */
void bm_oversample_down(BmOversample* self, BmFrame* high, BmFrame* out, uint32_t n_frames);

#endif
