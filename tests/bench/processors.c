/* SPDX-License-Identifier: ISC */
#include "processors.h"

#include "analysis/correlation.h"
#include "analysis/k_weighting.h"
#include "analysis/loudness_match.h"
#include "analysis/lowest_note.h"
#include "analysis/take_alignment.h"
#include "analysis/take_meter.h"
#include "base/delay.h"
#include "base/oversample.h"
#include "dynamics/fet_compressor.h"
#include "dynamics/opto_compressor.h"
#include "dynamics/transient_shaper.h"
#include "dynamics/variable_mu_compressor.h"
#include "filters/fundamental_eq.h"
#include "reverb/room_reverb.h"
#include "saturation/hysteresis.h"
#include "saturation/loss_filter.h"
#include "saturation/preamp.h"
#include "saturation/tape.h"
#include "saturation/transformer.h"
#include "saturation/triode.h"
#include "saturation/tube.h"
#include "stereo/mid_side_eq.h"
#include "stereo/mid_side_matrix.h"
#include "stereo/take_placement.h"
#include "strip/channel_strip.h"
#include "strip/note_tracked_eq.h"

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

static BmFundamentalEqParams every_band(double position)
{
   return (BmFundamentalEqParams){
      .lowest_note_hz = 82.4 * (1.0 + 0.05 * position),
      .low_cut = true,
      .low_cut_slope_db_oct = 36,
      .low_cut_ratio = 0.77,
      .harmonic = 2,
      .harmonic_gain_db = -4.0 + position,
      .harmonic_q = 1.4,
      .low_shelf = {.frequency_hz = 150.0, .gain_db = 2.0 + position},
      .bells = {{.frequency_hz = 400.0, .gain_db = -3.0 + position, .q = 1.0},
                {.frequency_hz = 3000.0, .gain_db = 3.0 + position, .q = 1.0}},
      .high_shelf = {.frequency_hz = 8000.0, .gain_db = 3.0 + position},
   };
}

static void fundamental_eq_set(void* self, double position)
{
   const BmFundamentalEqParams params = every_band(position);
   bm_fundamental_eq_set((BmFundamentalEq*)self, &params);
}

PROCESSOR(note_tracked_eq, BmNoteTrackedEq)

static void note_tracked_eq_set(void* self, double position)
{
   const BmNoteTrackedEqParams params = {
      .note_source = BM_NOTE_FOLLOW, .note_hz = 82.4, .eq = every_band(position)};
   bm_note_tracked_eq_set((BmNoteTrackedEq*)self, &params);
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

PROCESSOR(fet_compressor, BmFetCompressor)

static void fet_compressor_set(void* self, double position)
{
   const BmFetCompressorParams params = {
      .threshold_db = -30.0 + position,
      .ratio = 4.0,
      .attack_ms = 0.1 + 0.01 * position,
      .release_ms = 200.0 + 20.0 * position,
      .makeup_db = 6.0 + position,
      .sidechain_low_cut_hz = 100.0 + 10.0 * position,
      .link = 0.5 + 0.1 * position,
      .quality = BM_QUALITY_LIVE,
   };
   bm_fet_compressor_set((BmFetCompressor*)self, &params);
}

PROCESSOR(opto_compressor, BmOptoCompressor)

static void opto_compressor_set(void* self, double position)
{
   const BmOptoCompressorParams params = {
      .threshold_db = -30.0 + position,
      .emphasis = 0.5 + 0.1 * position,
      .release_ms = 300.0 + 30.0 * position,
      .makeup_db = 6.0 + position,
      .sidechain_low_cut_hz = 100.0 + 10.0 * position,
      .link = 0.5 + 0.1 * position,
   };
   bm_opto_compressor_set((BmOptoCompressor*)self, &params);
}

PROCESSOR(variable_mu_compressor, BmVariableMuCompressor)

static void variable_mu_compressor_set(void* self, double position)
{
   const BmVariableMuCompressorParams params = {
      .threshold_db = -30.0 + position,
      .attack_ms = 20.0 + position,
      .release_s = 0.8 + 0.1 * position,
      .balance = 0.3 + 0.1 * position,
      .makeup_db = 6.0 + position,
      .sidechain_low_cut_hz = 100.0 + 10.0 * position,
      .link = 0.5 + 0.1 * position,
      .quality = BM_QUALITY_LIVE,
   };
   bm_variable_mu_compressor_set((BmVariableMuCompressor*)self, &params);
}

PROCESSOR(transient_shaper, BmTransientShaper)

static void transient_shaper_set(void* self, double position)
{
   const BmTransientShaperParams params = {.attack_db = 6.0 + position, .sustain_db = -6.0 + position};
   bm_transient_shaper_set((BmTransientShaper*)self, &params);
}

static BmStatus take_meter_init(void* self, void* memory, double rate_hz)
{
   return bm_take_meter_init((BmTakeMeter*)self, memory, rate_hz, 2);
}

static void take_meter_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   (void)out;
   bm_take_meter_process((BmTakeMeter*)self, in, n_frames);
}

static void take_meter_reset(void* self)
{
   bm_take_meter_reset((BmTakeMeter*)self);
}

static BmStatus take_placement_init(void* self, void* memory, double rate_hz)
{
   return bm_take_placement_init((BmTakePlacement*)self, memory, rate_hz, 2);
}

static void take_placement_set(void* self, double position)
{
   const BmTakePlacementParams params = {
      .method = BM_PLACEMENT_BINAURAL,
      .takes = {{.azimuth_deg = -30.0 + 5.0 * position, .distance_m = 1.0},
                {.azimuth_deg = 30.0 + 5.0 * position, .distance_m = 1.0, .delay_ms = 0.4}},
   };
   bm_take_placement_set((BmTakePlacement*)self, &params);
}

static void take_placement_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_take_placement_process((BmTakePlacement*)self, in, out, n_frames);
}

static void take_placement_reset(void* self)
{
   bm_take_placement_reset((BmTakePlacement*)self);
}

static BmStatus take_alignment_init(void* self, void* memory, double rate_hz)
{
   return bm_take_alignment_init((BmTakeAlignment*)self, memory, rate_hz);
}

static void take_alignment_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   (void)out;
   bm_take_alignment_process((BmTakeAlignment*)self, in, n_frames);
}

static void take_alignment_reset(void* self)
{
   bm_take_alignment_reset((BmTakeAlignment*)self);
}

static BmStatus lowest_note_init(void* self, void* memory, double rate_hz)
{
   (void)memory;
   return bm_lowest_note_init((BmLowestNote*)self, rate_hz);
}

static void lowest_note_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   (void)out;
   bm_lowest_note_process((BmLowestNote*)self, in, n_frames);
}

static void lowest_note_reset(void* self)
{
   bm_lowest_note_reset((BmLowestNote*)self);
}

PROCESSOR(preamp, BmPreamp)

static void preamp_set(void* self, double position)
{
   const BmPreampParams params = {
      .gain_db = 20.0 + position,
      .low_gain_db = 3.0 + position,
      .high_gain_db = 3.0 + position,
      .quality = BM_QUALITY_LIVE,
   };
   bm_preamp_set((BmPreamp*)self, &params);
}

PROCESSOR(tube, BmTube)

static void tube_set(void* self, double position)
{
   const BmTubeParams params = {
      .drive_db = 6.0 + position, .bias = 0.2 + 0.1 * position, .quality = BM_QUALITY_LIVE};
   bm_tube_set((BmTube*)self, &params);
}

PROCESSOR(tape, BmTape)

static void tape_set(void* self, double position)
{
   const BmTapeParams params = {
      .drive_db = 6.0 + position,
      .bias_lin = 1.0 + 0.05 * position,
      .speed = BM_TAPE_SPEED_38,
      .wander_percent = 0.1,
      .wander_rate_hz = 2.0,
      .hiss_lin = 1e-4,
      .quality = BM_QUALITY_LIVE,
   };
   bm_tape_set((BmTape*)self, &params);
}

static BmStatus room_reverb_init(void* self, void* memory, double rate_hz)
{
   return bm_room_reverb_init((BmRoomReverb*)self, memory, rate_hz);
}

static void room_reverb_set(void* self, double position)
{
   const BmRoomReverbParams params = {
      .decay_s = 0.8 + 0.1 * position,
      .low_ratio = 1.0,
      .damping_hz = 6000.0 + 500.0 * position,
      .volume_m3 = 150.0,
      .predelay_ms = 10.0,
      .distance_m = 1.5,
      .low_cut_hz = 100.0 + 10.0 * position,
      .shimmer_db = 2.0 + position,
      .width = 1.0,
      .modulation = 0.5,
   };
   bm_room_reverb_set((BmRoomReverb*)self, &params);
}

static void room_reverb_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_room_reverb_process((BmRoomReverb*)self, in, out, n_frames);
}

static void room_reverb_reset(void* self)
{
   bm_room_reverb_reset((BmRoomReverb*)self);
}

static BmStatus channel_strip_init(void* self, void* memory, double rate_hz)
{
   return bm_channel_strip_init((BmChannelStrip*)self, memory, rate_hz, 2, 2);
}

/* Everything out: what the strip costs by itself. */
static void channel_strip_set(void* self, double position)
{
   const BmChannelStripParams params = {.room_mix = 0.2 + 0.1 * position};
   bm_channel_strip_set((BmChannelStrip*)self, &params);
}

static void channel_strip_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_channel_strip_process((BmChannelStrip*)self, in, out, n_frames);
}

static void channel_strip_reset(void* self)
{
   bm_channel_strip_reset((BmChannelStrip*)self);
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

/* What the saturators have between up and down, at the rate of live quality; each frame is held. */
typedef struct {
   BmTriode triode;
   BmTriodeRest rest;
   BmTriodeMemory memory;
   BmHysteresis layer;
   double step_s;
   uint32_t factor;
} Oversampled;

static void oversampled_reset(void* self)
{
   Oversampled* oversampled = (Oversampled*)self;
   oversampled->rest = bm_triode_rest(&oversampled->triode, -1.5);
   bm_triode_settle(&oversampled->triode, &oversampled->rest, &oversampled->memory);
   bm_hysteresis_reset(&oversampled->layer);
}

static BmStatus oversampled_init(void* self, void* memory, double rate_hz)
{
   static const BmTriodeCircuit circuit = {.supply_v = 250.0,
                                           .plate_ohm = 47e3,
                                           .cathode_ohm = 1500.0,
                                           .cathode_farad = 22e-6,
                                           .source_ohm = 2e3,
                                           .coupling_farad = 2.2e-6,
                                           .grid_ohm = 22e3};
   Oversampled* oversampled = (Oversampled*)self;
   (void)memory;
   oversampled->factor = bm_oversample_factor(rate_hz, 4);
   oversampled->step_s = 1.0 / (oversampled->factor * rate_hz);
   bm_triode_init(&oversampled->triode, &circuit);
   bm_hysteresis_init(&oversampled->layer, 1.0 / oversampled->step_s);
   bm_hysteresis_set_bias(&oversampled->layer, BM_TAPE_NOMINAL_BIAS_A_M);
   oversampled_reset(self);
   return BM_OK;
}

static uint32_t hold(const Oversampled* oversampled, const BmFrame* in, double gain, BmFrame* high,
                     uint32_t n_frames)
{
   const uint32_t n = n_frames < BM_OVERSAMPLE_BLOCK_FRAMES ? n_frames : BM_OVERSAMPLE_BLOCK_FRAMES;
   for (uint32_t i = 0; i < n * oversampled->factor; ++i) {
      high[i] = gain * in[i / oversampled->factor];
   }
   return n;
}

static void triode_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   Oversampled* oversampled = (Oversampled*)self;
   BmFrame high[BM_OVERSAMPLE_BLOCK_FRAMES * BM_OVERSAMPLE_MAX_FACTOR];
   for (uint32_t at = 0, n = 0; at < n_frames; at += n) {
      n = hold(oversampled, in + at, 2.0, high, n_frames - at);
      bm_triode_process(&oversampled->triode, &oversampled->rest, &oversampled->memory, high, n,
                        oversampled->factor, oversampled->step_s);
      memcpy(out + at, high, n * sizeof *out);
   }
}

static void hysteresis_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   Oversampled* oversampled = (Oversampled*)self;
   BmFrame high[BM_OVERSAMPLE_BLOCK_FRAMES * BM_OVERSAMPLE_MAX_FACTOR];
   for (uint32_t at = 0, n = 0; at < n_frames; at += n) {
      n = hold(oversampled, in + at, 1e5, high, n_frames - at);
      bm_hysteresis_process(&oversampled->layer, high, high, n * oversampled->factor);
      memcpy(out + at, high, n * sizeof *out);
   }
}

static BmStatus transformer_init(void* self, void* memory, double rate_hz)
{
   (void)memory;
   bm_transformer_init((BmTransformer*)self, rate_hz);
   return BM_OK;
}

static void transformer_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_transformer_process((BmTransformer*)self, in, out, n_frames);
}

static void transformer_reset(void* self)
{
   bm_transformer_reset((BmTransformer*)self);
}

static BmStatus loss_filter_init(void* self, void* memory, double rate_hz)
{
   double magnitude_lin[2 * BM_LOSS_FILTER_MAX_TAPS + 1];
   BmLossFilter* losses = (BmLossFilter*)self;
   (void)memory;
   bm_loss_filter_init(losses, rate_hz > 68000.0 ? 96 : 48);
   for (uint32_t i = 0; i < bm_loss_filter_n_points(losses); ++i) {
      magnitude_lin[i] = 1.0 / (1.0 + i);
   }
   bm_loss_filter_set(losses, magnitude_lin);
   return BM_OK;
}

static void loss_filter_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   bm_loss_filter_process((BmLossFilter*)self, in, out, n_frames);
}

static void loss_filter_reset(void* self)
{
   bm_loss_filter_reset((BmLossFilter*)self);
}

const BmProcessor bm_processors[] = {
   {"fundamental-eq", VERBS(fundamental_eq, BmFundamentalEq)},
   {"note-tracked-eq", VERBS(note_tracked_eq, BmNoteTrackedEq)},
   {"mid-side-eq", VERBS(mid_side_eq, BmMidSideEq)},
   {"mid-side-matrix", VERBS(mid_side_matrix, BmMidSideMatrix)},
   {"fet-compressor", VERBS(fet_compressor, BmFetCompressor)},
   {"opto-compressor", VERBS(opto_compressor, BmOptoCompressor)},
   {"variable-mu-compressor", VERBS(variable_mu_compressor, BmVariableMuCompressor)},
   {"transient-shaper", VERBS(transient_shaper, BmTransientShaper)},
   {"preamp", VERBS(preamp, BmPreamp)},
   {"tube", VERBS(tube, BmTube)},
   {"tape", VERBS(tape, BmTape)},
   {"room-reverb", sizeof(BmRoomReverb), bm_room_reverb_bytes, room_reverb_init, room_reverb_set,
    room_reverb_process, room_reverb_reset},
   {"channel-strip, all out", sizeof(BmChannelStrip), bm_channel_strip_bytes, channel_strip_init,
    channel_strip_set, channel_strip_process, channel_strip_reset},
   {"take-meter", sizeof(BmTakeMeter), bm_take_meter_bytes, take_meter_init, NULL, take_meter_process,
    take_meter_reset},
   {"take-placement", sizeof(BmTakePlacement), bm_take_placement_bytes, take_placement_init,
    take_placement_set, take_placement_process, take_placement_reset},
   {"take-alignment", sizeof(BmTakeAlignment), bm_take_alignment_bytes, take_alignment_init, NULL,
    take_alignment_process, take_alignment_reset},
   {"lowest-note", sizeof(BmLowestNote), NULL, lowest_note_init, NULL, lowest_note_process,
    lowest_note_reset},
   {"correlation", sizeof(BmCorrelation), NULL, correlation_init, NULL, correlation_process,
    correlation_reset},
   {"loudness-match", VERBS(loudness_match, BmLoudnessMatch)},
   {"oversample 2, live", OVERSAMPLE_VERBS(oversample_2_live)},
   {"oversample 4, live", OVERSAMPLE_VERBS(oversample_4_live)},
   {"oversample 8, live", OVERSAMPLE_VERBS(oversample_8_live)},
   {"oversample 8, render", OVERSAMPLE_VERBS(oversample_8_render)},
   {"triode, 4x", sizeof(Oversampled), NULL, oversampled_init, NULL, triode_process, oversampled_reset},
   {"magnetic layer, 4x", sizeof(Oversampled), NULL, oversampled_init, NULL, hysteresis_process,
    oversampled_reset},
   {"transformer", sizeof(BmTransformer), NULL, transformer_init, NULL, transformer_process,
    transformer_reset},
   {"tape losses", sizeof(BmLossFilter), NULL, loss_filter_init, NULL, loss_filter_process,
    loss_filter_reset},
};
const uint32_t bm_n_processors = sizeof bm_processors / sizeof *bm_processors;
