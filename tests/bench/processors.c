/* SPDX-License-Identifier: ISC */
#include "processors.h"

#include "analysis/correlation.h"
#include "analysis/k_weighting.h"
#include "analysis/loudness_match.h"
#include "base/delay.h"
#include "base/oversample.h"
#include "filters/fundamental_eq.h"
#include "stereo/mid_side_eq.h"
#include "stereo/mid_side_matrix.h"

#include <string.h>

/* The verbs of a processor whose struct holds all it needs; its `set` is written beside it. */
#define PROCESSOR(name, Type)                                                                                \
   static BmStatus name##_init(void* self, void* memory, double rate_hz)                                     \
   {                                                                                                         \
      (void)memory;                                                                                          \
      return bm_##name##_init((Type*)self, rate_hz);                                                         \
   }                                                                                                         \
   static void name##_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)                \
   {                                                                                                         \
      bm_##name##_process((Type*)self, in, out, n_frames);                                                   \
   }                                                                                                         \
   static void name##_reset(void* self)                                                                      \
   {                                                                                                         \
      bm_##name##_reset((Type*)self);                                                                        \
   }

#define VERBS(name, Type) sizeof(Type), NULL, name##_init, name##_set, name##_process, name##_reset

PROCESSOR(fundamental_eq, BmFundamentalEq)

static void fundamental_eq_set(void* self, double position)
{
   const BmFundamentalEqParams params = {
      .lowest_note_hz = 82.4 * (1.0 + 0.05 * position),
      .low_cut = true,
      .low_cut_slope_db_oct = 36,
      .low_cut_ratio = 0.77,
      .harmonic = 2,
      .harmonic_gain_db = -4.0 + position,
      .harmonic_q = 1.4,
      .low_shelf = {150.0, 2.0 + position, 0.0},
      .bells = {{400.0, -3.0 + position, 1.0}, {3000.0, 3.0 + position, 1.0}},
      .high_shelf = {8000.0, 3.0 + position, 0.0},
   };
   bm_fundamental_eq_set((BmFundamentalEq*)self, &params);
}

PROCESSOR(mid_side_eq, BmMidSideEq)

static BmMidSideEqHalf mid_side_half(double gain_db)
{
   return (BmMidSideEqHalf){
      .low_cut = {true, 36, 60.0},
      .low_shelf = {.frequency_hz = 150.0, .gain_db = gain_db},
      .bells = {{.frequency_hz = 400.0, .gain_db = -gain_db, .q = 1.0},
                {.frequency_hz = 3000.0, .gain_db = gain_db, .q = 1.0}},
      .high_shelf = {.frequency_hz = 8000.0, .gain_db = gain_db},
   };
}

static void mid_side_eq_set(void* self, double position)
{
   const BmMidSideEqParams params = {
      .mid = mid_side_half(3.0 + position),
      .side = mid_side_half(-3.0 + position),
      .listen = BM_LISTEN_BOTH,
   };
   bm_mid_side_eq_set((BmMidSideEq*)self, &params);
}

PROCESSOR(mid_side_matrix, BmMidSideMatrix)

static void mid_side_matrix_set(void* self, double position)
{
   const BmMidSideMatrixParams params = {
      .direction = BM_MID_SIDE_THROUGH,
      .mid_gain_db = -2.0 + position,
      .side_gain_db = 3.0 + position,
      .width = 1.2 + 0.1 * position,
   };
   bm_mid_side_matrix_set((BmMidSideMatrix*)self, &params);
}

static BmStatus correlation_init(void* self, void* memory, double rate_hz)
{
   (void)memory;
   return bm_correlation_init((BmCorrelation*)self, rate_hz, BM_CORRELATION_WINDOW_S);
}

static void correlation_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   (void)out;
   bm_correlation_process((BmCorrelation*)self, in, n_frames);
}

static void correlation_reset(void* self)
{
   bm_correlation_reset((BmCorrelation*)self);
}

static BmStatus loudness_match_init(void* self, void* memory, double rate_hz)
{
   (void)memory;
   return bm_loudness_match_init((BmLoudnessMatch*)self, rate_hz);
}

static void loudness_match_set(void* self, double position)
{
   (void)position;
   bm_loudness_match_set((BmLoudnessMatch*)self, true);
}

static void loudness_match_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   memcpy(out, in, n_frames * sizeof *out);
   bm_loudness_match_process((BmLoudnessMatch*)self, in, out, n_frames);
}

static void loudness_match_reset(void* self)
{
   bm_loudness_match_reset((BmLoudnessMatch*)self);
}

/* Up and down again with nothing in between: what an oversampled processor pays before it does anything. */
#define OVERSAMPLE(name, factor_at_48k, quality)                                                             \
   static BmStatus name##_init(void* self, void* memory, double rate_hz)                                     \
   {                                                                                                         \
      (void)memory;                                                                                          \
      const uint32_t factor = bm_oversample_factor(rate_hz, factor_at_48k);                                  \
      return bm_oversample_init((BmOversample*)self, rate_hz, factor, quality, 0);                           \
   }

OVERSAMPLE(oversample_2_live, 2, BM_QUALITY_LIVE)
OVERSAMPLE(oversample_4_live, 4, BM_QUALITY_LIVE)
OVERSAMPLE(oversample_8_live, 8, BM_QUALITY_LIVE)
OVERSAMPLE(oversample_8_render, 8, BM_QUALITY_RENDER)

static void oversample_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   BmOversample* oversample = (BmOversample*)self;
   BmFrame high[BM_OVERSAMPLE_BLOCK_FRAMES * BM_OVERSAMPLE_MAX_FACTOR];
   while (n_frames) {
      const uint32_t n = n_frames < BM_OVERSAMPLE_BLOCK_FRAMES ? n_frames : BM_OVERSAMPLE_BLOCK_FRAMES;
      bm_oversample_up(oversample, in, high, n);
      bm_oversample_down(oversample, high, out, n);
      in += n;
      out += n;
      n_frames -= n;
   }
}

static void oversample_reset(void* self)
{
   bm_oversample_reset((BmOversample*)self);
}

#define OVERSAMPLE_VERBS(name)                                                                               \
   sizeof(BmOversample), NULL, name##_init, NULL, oversample_process, oversample_reset

const BmProcessor bm_processors[] = {
   {"fundamental-eq", VERBS(fundamental_eq, BmFundamentalEq)},
   {"mid-side-eq", VERBS(mid_side_eq, BmMidSideEq)},
   {"mid-side-matrix", VERBS(mid_side_matrix, BmMidSideMatrix)},
   {"correlation", sizeof(BmCorrelation), NULL, correlation_init, NULL, correlation_process,
    correlation_reset},
   {"loudness-match", VERBS(loudness_match, BmLoudnessMatch)},
   {"oversample 2, live", OVERSAMPLE_VERBS(oversample_2_live)},
   {"oversample 4, live", OVERSAMPLE_VERBS(oversample_4_live)},
   {"oversample 8, live", OVERSAMPLE_VERBS(oversample_8_live)},
   {"oversample 8, render", OVERSAMPLE_VERBS(oversample_8_render)},
};
const uint32_t bm_n_processors = sizeof bm_processors / sizeof *bm_processors;
