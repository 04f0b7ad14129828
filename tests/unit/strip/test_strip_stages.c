/* SPDX-License-Identifier: ISC */
/*
   If these fail, switching a stage of the strip clicks or shifts the take in time, or what is switched out
   goes on costing.
*/
#include "unit_test.h"

#include "click.h"

#include "strip/channel_strip.h"
#include "strip/stage.h"

#include <stdlib.h>
#include <string.h>

enum { RATE_HZ = 48000, N_CLICK = 33600, CHANGE_AT = N_CLICK / 2 };

/* So low that nothing bends: what is left above 2 kHz is the switch. */
#define LEVEL 1e-4
/* Reference sheet, test B: a 6 dB jump, required. */
#define CLICK_DBFS (-80.0)

/* A processor that counts: late by `latency`, doubles what comes. */
typedef struct {
   uint32_t n_processed;
   uint32_t n_reset;
   uint32_t latency;
   BmDelay delay;
   BmFrame memory[BM_STAGE_MAX_LATENCY_FRAMES];
} Doubler;

static void doubler_set(void* self, const void* params)
{
   (void)self;
   (void)params;
}

static void doubler_process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)
{
   Doubler* doubler = self;
   doubler->n_processed += n_frames;
   bm_delay_process(&doubler->delay, in, out, n_frames);
   for (uint32_t i = 0; i < n_frames; ++i) {
      out[i] *= 2.0;
   }
}

static void doubler_reset(void* self)
{
   Doubler* doubler = self;
   ++doubler->n_reset;
   bm_delay_init(&doubler->delay, doubler->memory, BM_STAGE_MAX_LATENCY_FRAMES, doubler->latency);
}

static uint32_t doubler_latency(const void* self)
{
   return ((const Doubler*)self)->latency;
}

static const BmStageVerbs doubler_verbs = {doubler_set, doubler_process, doubler_reset, doubler_latency,
                                           20.0};

static Doubler quick, slow;
static BmStage stage;

static void stage_new(void)
{
   memset(&quick, 0, sizeof quick);
   memset(&slow, 0, sizeof slow);
   quick.latency = 3;
   slow.latency = 40;
   const BmStageChoice choices[] = {{&doubler_verbs, &quick, NULL}, {&doubler_verbs, &slow, NULL}};
   assert_int_equal(bm_stage_init(&stage, RATE_HZ, choices, 2, false), BM_OK);
}

static void choose(uint32_t choice, double mix)
{
   bm_stage_choose(&stage, choice, mix);
   bm_stage_refresh(&stage);
}

/* Runs a ramp of small whole numbers and gives the last output. */
static double run_ramp(uint32_t* at, uint32_t n_frames)
{
   BmFrame frames[256];
   double last = 0.0;
   while (n_frames) {
      const uint32_t n = n_frames < 256 ? n_frames : 256;
      for (uint32_t i = 0; i < n; ++i) {
         frames[i] = bm_frame_both(*at % 1000);
         ++*at;
      }
      bm_stage_process(&stage, frames, n);
      last = frames[n - 1][0];
      n_frames -= n;
   }
   return last;
}

static void a_stage_is_as_late_whatever_it_holds(void** state)
{
   (void)state;
   stage_new();
   assert_int_equal(bm_stage_latency_frames(&stage), 40);
   uint32_t at = 0;
   static const double gains[] = {1.0, 2.0, 2.0, 1.0, 2.0};
   static const uint32_t choices[] = {0, 1, 2, 0, 2};
   for (int i = 0; i < 5; ++i) {
      choose(choices[i], 1.0);
      /* The settling, the fade, then a steady sound. */
      const double last = run_ramp(&at, 4000);
      assert_close(last, gains[i] * ((at - 1 - 40) % 1000), 0.0);
   }
}

static void what_is_out_is_not_run_and_comes_in_from_silence(void** state)
{
   (void)state;
   stage_new();
   uint32_t at = 0;
   choose(1, 1.0);
   run_ramp(&at, 1000);
   assert_int_equal(quick.n_processed, 1000);
   assert_int_equal(slow.n_processed, 0);
   choose(0, 1.0);
   /* It runs on for 40 frames and 20 ms in which what comes is faded in, and 20 ms of cross-fade. */
   run_ramp(&at, 4000);
   assert_int_equal(quick.n_processed, 1000 + 40 + 960 + 960);
   const uint32_t n_reset = quick.n_reset;
   choose(1, 1.0);
   run_ramp(&at, 1);
   assert_int_equal(quick.n_reset, n_reset + 1);
}

static void a_choice_made_during_a_change_follows_it(void** state)
{
   (void)state;
   stage_new();
   uint32_t at = 0;
   choose(0, 1.0);
   run_ramp(&at, 1000);
   choose(1, 1.0);
   run_ramp(&at, 700);
   choose(2, 1.0);
   run_ramp(&at, 100);
   assert_true(bm_stage_runs(&stage, 1) && !bm_stage_runs(&stage, 2));
   run_ramp(&at, 6000);
   assert_true(bm_stage_runs(&stage, 2) && !bm_stage_runs(&stage, 1));
   const uint32_t n_processed = quick.n_processed;
   run_ramp(&at, 1000);
   assert_int_equal(quick.n_processed, n_processed);
}

static void a_mix_of_half_is_half_of_each_in_time(void** state)
{
   (void)state;
   stage_new();
   uint32_t at = 0;
   choose(1, 0.5);
   assert_close(run_ramp(&at, 1000), 1.5 * (at - 1 - 40), 0.0);
}

static BmChannelStrip* strip;

/* A band's frequency, gain and Q. */
#define BAND(hz, db, quality)                                                                                \
   {                                                                                                         \
      .frequency_hz = (hz), .gain_db = (db), .q = (quality)                                                  \
   }

static BmChannelStripParams settings(void)
{
   return (BmChannelStripParams){
      .slots = {{BM_CHARACTER_NONE, BM_PLACE_AFTER_PREAMP, 1.0},
                {BM_CHARACTER_NONE, BM_PLACE_AFTER_PREAMP, 1.0}},
      .room_mix = 0.5,
      .eq = {.note_hz = 82.4,
             .eq = {.low_cut = true,
                    .low_cut_slope_db_oct = 24,
                    .low_cut_ratio = 0.77,
                    .harmonic = 2,
                    .harmonic_gain_db = -6.0,
                    .harmonic_q = 1.0,
                    .low_shelf = BAND(150.0, 3.0, 0.7),
                    .bells = {BAND(1000.0, 6.0, 1.0), BAND(3000.0, -3.0, 1.0)},
                    .high_shelf = BAND(8000.0, 3.0, 0.7)}},
      .preamp = {.gain_db = 6.0},
      .fet = {-20.0, 4.0, 0.2, 200.0, 6.0, 60.0, 1.0, BM_QUALITY_LIVE},
      .opto = {.threshold_db = -20.0,
               .release_ms = 300.0,
               .makeup_db = 6.0,
               .sidechain_low_cut_hz = 60.0,
               .link = 1.0},
      .variable_mu = {-20.0, 10.0, 0.6, 0.0, 6.0, 60.0, 1.0, BM_QUALITY_LIVE},
      .tube = {0.0, 0.0, BM_QUALITY_LIVE},
      .tape = {.bias_lin = 1.0, .speed = BM_TAPE_SPEED_38, .wander_rate_hz = 1.0},
      .mid_side_eq = {.mid = {.low_cut = {false, 12, 60.0},
                              .low_shelf = BAND(150.0, 3.0, 0.7),
                              .bells = {BAND(1000.0, 6.0, 1.0), BAND(3000.0, 3.0, 1.0)},
                              .high_shelf = BAND(8000.0, -3.0, 0.7)},
                      .side = {.low_cut = {true, 12, 150.0},
                               .low_shelf = BAND(200.0, -3.0, 0.7),
                               .bells = {BAND(1000.0, -6.0, 1.0), BAND(3000.0, 3.0, 1.0)},
                               .high_shelf = BAND(8000.0, 3.0, 0.7)}},
      .shaper = {6.0, 6.0, BM_SHAPE_ALL},
      .room = {.decay_s = 0.5,
               .low_ratio = 1.0,
               .damping_hz = 8000.0,
               .volume_m3 = 100.0,
               .distance_m = 1.5,
               .low_cut_hz = 100.0,
               .width = 1.0},
   };
}

/* Peak over full scale 1 of what a change leaves above 2 kHz beside a 997 Hz tone, worst of three phases. */
static double click_dbfs(BmChannelStripParams before, BmChannelStripParams after, double settle_s)
{
   double worst = -200.0;
   static double y[N_CLICK];
   for (int phase = 0; phase < 3; ++phase) {
      bm_channel_strip_reset(strip);
      bm_channel_strip_set(strip, &before);
      const int settle = (int)(settle_s * RATE_HZ);
      for (int start = -settle; start < N_CLICK; start += 240) {
         BmFrame frames[240];
         if (start == CHANGE_AT) {
            bm_channel_strip_set(strip, &after);
         }
         for (int i = 0; i < 240; ++i) {
            const double t = (double)(start + i) / RATE_HZ;
            const double turn = 2.0 * 3.14159265358979323846;
            frames[i] =
               bm_frame(LEVEL * sin(turn * (997.0 * t + phase / 6.0)), LEVEL * cos(turn * 997.0 * t));
         }
         bm_channel_strip_process(strip, frames, frames, 240);
         for (int i = 0; i < 240 && start >= 0; ++i) {
            y[start + i] = frames[i][0] / LEVEL;
         }
      }
      worst = fmax(worst, bm_test_click_dbfs(y, N_CLICK, RATE_HZ, 2000.0));
   }
   return worst;
}

static void check_click(const char* what, BmChannelStripParams before, BmChannelStripParams after)
{
   /* A room must have forgotten how the tone began. */
   const double in_dbfs = click_dbfs(before, after, before.room_in ? 0.6 : 0.1);
   const double out_dbfs = click_dbfs(after, before, after.room_in ? 0.6 : 0.3);
   if (!(in_dbfs < CLICK_DBFS && out_dbfs < CLICK_DBFS)) {
      fail_msg("%s clicks: %.1f dBFS in, %.1f dBFS out, below %.0f is right", what, in_dbfs, out_dbfs,
               CLICK_DBFS);
   }
}

static void* strip_new(void)
{
   strip = aligned_alloc(64, (sizeof *strip + 63) / 64 * 64);
   void* memory = aligned_alloc(64, (bm_channel_strip_bytes(RATE_HZ) + 63) / 64 * 64);
   assert_true(strip && memory);
   memset(strip, 0, sizeof *strip);
   assert_int_equal(bm_channel_strip_init(strip, memory, RATE_HZ, 2, 2), BM_OK);
   return memory;
}

static double peak_of_tone(uint32_t n_frames)
{
   static uint32_t at;
   double peak = 0.0;
   for (uint32_t i = 0; i < n_frames; ++i, ++at) {
      BmFrame frame = bm_frame_both(LEVEL * sin(2.0 * 3.14159265358979323846 * 1000.0 * at / RATE_HZ));
      bm_channel_strip_process(strip, &frame, &frame, 1);
      peak = fmax(peak, fabs(frame[0]) / LEVEL);
   }
   return peak;
}

/* A bell from -6 to +6 dB, while a character with its latency comes in. */
static void what_is_set_with_a_switch_is_heard_with_it(void** state)
{
   (void)state;
   void* memory = strip_new();
   BmChannelStripParams before = settings();
   before.eq_in = true;
   before.eq.eq.bells[0].gain_db = -6.0;
   BmChannelStripParams after = before;
   after.eq.eq.bells[0].gain_db = 6.0;
   after.slots[0].character = BM_CHARACTER_TUBE;
   bm_channel_strip_set(strip, &before);
   peak_of_tone(4800);
   const double was = peak_of_tone(480);
   bm_channel_strip_set(strip, &after);
   const uint32_t wait = bm_channel_strip_settling_frames(strip);
   assert_between(wait, 1920, 2880); /* 40 ms and the latency of the slot */
   assert_close(peak_of_tone(wait) / was, 1.0, 0.002);
   assert_int_equal(bm_channel_strip_settling_frames(strip), 0);
   peak_of_tone(4800);
   assert_close(20.0 * log10(peak_of_tone(480) / was), 12.0, 0.2);
   free(memory);
   free(strip);
}

static void no_switch_clicks(void** state)
{
   (void)state;
   void* memory = strip_new();
   const BmChannelStripParams out = settings();
   BmChannelStripParams in = out;
   in.eq_in = true;
   check_click("the EQ", out, in);
   in = out;
   in.preamp_in = true;
   check_click("the preamp", out, in);
   in = out;
   in.mid_side_eq_in = true;
   check_click("the mid-side EQ", out, in);
   in = out;
   in.shaper_in = true;
   check_click("the shaper", out, in);
   in = out;
   in.room_in = true;
   check_click("the room", out, in);
   in = out;
   in.polarity = true;
   check_click("polarity", out, in);
   BmChannelStripParams one = out;
   one.slots[0].character = BM_CHARACTER_TAPE;
   for (BmCharacter c = BM_CHARACTER_NONE; c < BM_CHARACTER_TAPE; ++c) {
      in = out;
      in.slots[0].character = c;
      check_click("a character", one, in);
   }
   in = one;
   in.slots[0].place = BM_PLACE_BEFORE_EQ;
   one.eq_in = in.eq_in = true;
   one.room_in = in.room_in = true;
   one.shaper_in = in.shaper_in = true;
   check_click("a place", one, in);
   free(memory);
   free(strip);
}

static void a_stage_that_would_be_later_than_it_has_room_for_is_refused(void** state)
{
   (void)state;
   for (uint32_t over = 0; over < 2; ++over) {
      slow.latency = BM_STAGE_MAX_LATENCY_FRAMES + over;
      const BmStageChoice choices[] = {{&doubler_verbs, &quick, NULL}, {&doubler_verbs, &slow, NULL}};
      assert_int_equal(bm_stage_init(&stage, RATE_HZ, choices, 2, false), over ? BM_BAD_ARGUMENT : BM_OK);
   }
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_stage_is_as_late_whatever_it_holds),
      cmocka_unit_test(what_is_out_is_not_run_and_comes_in_from_silence),
      cmocka_unit_test(a_choice_made_during_a_change_follows_it),
      cmocka_unit_test(a_mix_of_half_is_half_of_each_in_time),
      cmocka_unit_test(what_is_set_with_a_switch_is_heard_with_it),
      cmocka_unit_test(no_switch_clicks),
      cmocka_unit_test(a_stage_that_would_be_later_than_it_has_room_for_is_refused),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
