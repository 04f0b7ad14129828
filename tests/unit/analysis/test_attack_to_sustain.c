/* SPDX-License-Identifier: ISC */
/* If these fail, a transient shaper is set by a figure that is not the take's. */
#include "unit_test.h"

#include "analysis/attack_to_sustain.h"

#include <stdlib.h>

static const double pi = 3.14159265358979323846;

static BmAttackToSustain meter;

static void* open_meter(double rate_hz, uint32_t n_channels)
{
   void* memory = aligned_alloc(64, (bm_attack_to_sustain_bytes(rate_hz) + 63) / 64 * 64);
   assert_int_equal(bm_attack_to_sustain_init(&meter, memory, rate_hz, n_channels), BM_OK);
   return memory;
}

/* Notes of eight partials a second apart, each dying away by e^(-t / tau) in amplitude. */
static void play_notes(double rate_hz, double tau_s, uint32_t n_notes, double level, uint32_t block)
{
   BmFrame frames[512];
   uint32_t n_in_block = 0;
   for (uint32_t n = 0; n < (uint32_t)(n_notes * rate_hz); ++n) {
      const double t = fmod(n / rate_hz + 0.5, 1.0);
      double note = 0.0;
      for (int k = 1; k <= 8; ++k) {
         note += sin(2.0 * pi * 220.0 * k * n / rate_hz + k * k) / 8.0;
      }
      const double envelope = n < rate_hz / 2.0 ? 0.0 : exp(-t / tau_s);
      frames[n_in_block++] = bm_frame_both(level * note * envelope);
      if (n_in_block == block) {
         bm_attack_to_sustain_process(&meter, frames, block);
         n_in_block = 0;
      }
   }
   bm_attack_to_sustain_process(&meter, frames, n_in_block);
}

/* For a decay e^(-2 t / tau) of power: mean of the first 10 ms over mean of 50 to 250 ms, in closed form. */
static double expected_db(double tau_s)
{
   const double k = 2.0 / tau_s;
   const double attack = (1.0 - exp(-k * 0.01)) / 0.01;
   const double sustain = (exp(-k * 0.05) - exp(-k * 0.25)) / 0.2;
   return 10.0 * log10(attack / sustain);
}

static void decaying_notes_read_as_the_closed_form_says_at_every_rate(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 44100.0, 192000.0};
   static const double taus_s[] = {0.05, 0.15, 0.5};
   for (int r = 0; r < 3; ++r) {
      for (int i = 0; i < 3; ++i) {
         void* memory = open_meter(rates_hz[r], 1);
         play_notes(rates_hz[r], taus_s[i], 3, 0.5, 512);
         assert_int_equal(bm_attack_to_sustain_onsets(&meter), 3);
         assert_close(bm_attack_to_sustain_db(&meter), expected_db(taus_s[i]), 0.4);
         free(memory);
      }
   }
}

static void how_loud_the_take_is_makes_no_difference(void** state)
{
   (void)state;
   double db[2];
   for (int quiet = 0; quiet < 2; ++quiet) {
      void* memory = open_meter(48000.0, 2);
      play_notes(48000.0, 0.1, 4, quiet ? 0.02 : 0.9, 512);
      db[quiet] = bm_attack_to_sustain_db(&meter);
      free(memory);
   }
   assert_close(db[0], db[1], 0.05);
}

static void a_held_tone_and_silence_have_no_onsets_after_the_first(void** state)
{
   (void)state;
   void* memory = open_meter(48000.0, 2);
   for (int n = 0; n < 144000; ++n) {
      const BmFrame x = bm_frame_both(0.3 * sin(2.0 * pi * 220.0 * n / 48000.0) * (n < 96000 ? 1.0 : 0.0));
      bm_attack_to_sustain_process(&meter, &x, 1);
   }
   assert_true(bm_attack_to_sustain_onsets(&meter) <= 1);
   bm_attack_to_sustain_reset(&meter);
   assert_true(bm_attack_to_sustain_db(&meter) == 0.0);
   free(memory);
}

/* Its pieces must fit in the time until the next, or onsets are lost, at any rate. */
static void each_transform_is_done_before_the_next_begins(void** state)
{
   (void)state;
   static const double rates_hz[] = {8000.0, 9050.0, 11025.0, 36203.0, 44100.0, 48000.0, 144900.0, 384000.0};
   for (size_t r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      void* memory = open_meter(rates_hz[r], 2);
      uint32_t n_hops = 0;
      for (uint32_t n = 0; n < (uint32_t)(0.1 * rates_hz[r]); ++n) {
         const BmFrame x = bm_frame_both(sin(0.01 * n));
         bm_attack_to_sustain_process(&meter, &x, 1);
         if (meter.mem.pending_frames == meter.cfg.hop_frames - 1) {
            assert_int_equal(meter.mem.stage, 0);
            ++n_hops;
         }
      }
      assert_in_range(n_hops, 14, 30);
      free(memory);
   }
}

/* Else the meter takes most of a block's time now and then, and a session clicks that had time enough. */
static void every_short_block_bears_its_share_of_the_work(void** state)
{
   (void)state;
   static const double rates_hz[] = {44100.0, 48000.0, 88200.0, 96000.0, 192000.0};
   for (size_t r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      void* memory = open_meter(rates_hz[r], 2);
      uint64_t seed = 6;
      BmFrame frames[64];
      uint32_t n_blocks = 0;
      uint64_t most = 0;
      for (uint32_t n = 0; n + 64 <= (uint32_t)(2.0 * rates_hz[r]); n += 64, ++n_blocks) {
         for (uint32_t i = 0; i < 64; ++i) {
            const double t = fmod((n + i) / rates_hz[r], 0.25);
            frames[i] = bm_frame(bm_test_random(&seed), bm_test_random(&seed)) * exp(-20.0 * t);
         }
         const uint64_t n_before = meter.mem.spent_units;
         bm_attack_to_sustain_process(&meter, frames, 64);
         const uint64_t units = meter.mem.spent_units - n_before;
         most = units > most ? units : most;
      }
      assert_in_range(bm_attack_to_sustain_onsets(&meter), 6, 8);
      const double mean = (double)meter.mem.spent_units / n_blocks;
      printf("%.1f kHz: %u units in a block at most, %.0f on average\n", rates_hz[r] / 1000.0, (uint32_t)most,
             mean);
      assert_true((double)most < 2.2 * mean);
      free(memory);
   }
}

static void block_size_and_reset_leave_no_trace(void** state)
{
   (void)state;
   double db[3];
   void* memory = open_meter(44100.0, 2);
   for (int run = 0; run < 3; ++run) {
      play_notes(44100.0, 0.2, 3, 0.5, run == 1 ? 17 : 512);
      db[run] = bm_attack_to_sustain_db(&meter);
      bm_attack_to_sustain_reset(&meter);
   }
   assert_true(db[0] == db[1] && db[0] == db[2]);
   free(memory);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(decaying_notes_read_as_the_closed_form_says_at_every_rate),
      cmocka_unit_test(how_loud_the_take_is_makes_no_difference),
      cmocka_unit_test(a_held_tone_and_silence_have_no_onsets_after_the_first),
      cmocka_unit_test(each_transform_is_done_before_the_next_begins),
      cmocka_unit_test(every_short_block_bears_its_share_of_the_work),
      cmocka_unit_test(block_size_and_reset_leave_no_trace),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
