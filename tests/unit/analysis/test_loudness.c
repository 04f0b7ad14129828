/* SPDX-License-Identifier: ISC */
/* If these fail, a take is delivered too loud or too soft, or its level is matched wrongly. */
#include "unit_test.h"

#include "analysis/loudness.h"
#include "ladder.h"

#include <ebur128.h>

static const double pi = 3.14159265358979323846;
static const double rates_hz[] = {44100.0, 48000.0, 96000.0};

static BmLoudness meter;

typedef struct {
   double level_dbfs; /* -INFINITY: silence */
   double time_s;
} Part;

typedef struct {
   double highest_momentary, highest_short_term;
   double lowest_momentary_after_1_s, lowest_short_term_after_3_s;
} Extremes;

/* EBU Tech 3341: a 1 kHz sine, alike in both channels, in parts of given peak level. */
static Extremes play(double rate_hz, const Part* parts, uint32_t n_parts, uint32_t repeats)
{
   Extremes extremes = {-200.0, -200.0, 200.0, 200.0};
   uint64_t at = 0;
   for (uint32_t repeat = 0; repeat < repeats; ++repeat) {
      for (uint32_t i = 0; i < n_parts; ++i) {
         const double gain = pow(10.0, parts[i].level_dbfs / 20.0);
         const uint64_t n_frames = (uint64_t)llround(parts[i].time_s * rate_hz);
         for (uint64_t n = 0; n < n_frames; ++n, ++at) {
            const BmFrame x = bm_frame_both(gain * sin(2.0 * pi * 1000.0 * (double)at / rate_hz));
            bm_loudness_process(&meter, &x, 1);
            const double momentary = bm_loudness_momentary_lufs(&meter);
            const double short_term = bm_loudness_short_term_lufs(&meter);
            extremes.highest_momentary = fmax(extremes.highest_momentary, momentary);
            extremes.highest_short_term = fmax(extremes.highest_short_term, short_term);
            if ((double)at > rate_hz) {
               extremes.lowest_momentary_after_1_s = fmin(extremes.lowest_momentary_after_1_s, momentary);
            }
            if ((double)at > 3.0 * rate_hz) {
               extremes.lowest_short_term_after_3_s = fmin(extremes.lowest_short_term_after_3_s, short_term);
            }
         }
      }
   }
   return extremes;
}

static Extremes play_new(double rate_hz, const Part* parts, uint32_t n_parts, uint32_t repeats)
{
   assert_int_equal(bm_loudness_init(&meter, rate_hz, 2), BM_OK);
   return play(rate_hz, parts, n_parts, repeats);
}

#define PLAY(rate_hz, repeats, ...)                                                                          \
   play_new(rate_hz, (const Part[]){__VA_ARGS__}, sizeof((const Part[]){__VA_ARGS__}) / sizeof(Part), repeats)

/* EBU Tech 3341 Table 1, signals 1 to 5; reference sheet section 3. */
static void integrated_loudness_meets_ebu_tech_3341(void** state)
{
   (void)state;
   for (int r = 0; r < 3; ++r) {
      PLAY(rates_hz[r], 1, {-23.0, 20.0});
      assert_close(bm_loudness_integrated_lufs(&meter), -23.0, 0.1);
      assert_close(bm_loudness_momentary_lufs(&meter), -23.0, 0.1);
      assert_close(bm_loudness_short_term_lufs(&meter), -23.0, 0.1);
      PLAY(rates_hz[r], 1, {-33.0, 20.0});
      assert_close(bm_loudness_integrated_lufs(&meter), -33.0, 0.1);
   }
   PLAY(48000.0, 1, {-36.0, 10.0}, {-23.0, 60.0}, {-36.0, 10.0});
   assert_close(bm_loudness_integrated_lufs(&meter), -23.0, 0.1);
   PLAY(44100.0, 1, {-72.0, 10.0}, {-36.0, 10.0}, {-23.0, 60.0}, {-36.0, 10.0}, {-72.0, 10.0});
   assert_close(bm_loudness_integrated_lufs(&meter), -23.0, 0.1);
   PLAY(48000.0, 1, {-26.0, 20.0}, {-20.0, 20.1}, {-26.0, 20.0});
   assert_close(bm_loudness_integrated_lufs(&meter), -23.0, 0.1);
}

/* Signals 9 to 14 of the same table. */
static void momentary_and_short_term_meet_ebu_tech_3341(void** state)
{
   (void)state;
   Extremes seen = PLAY(48000.0, 5, {-20.0, 1.34}, {-30.0, 1.66});
   assert_close(seen.lowest_short_term_after_3_s, -23.0, 0.1);
   assert_close(seen.highest_short_term, -20.0, 0.1); /* before 3 s are full there is only the beginning */
   seen = PLAY(48000.0, 25, {-20.0, 0.18}, {-30.0, 0.22});
   assert_close(seen.lowest_momentary_after_1_s, -23.0, 0.1);
   for (int i = 0; i < 20; i += 6) {
      seen = PLAY(48000.0, 1, {-INFINITY, i * 0.15}, {-23.0, 3.0}, {-INFINITY, 1.0});
      assert_close(seen.highest_short_term, -23.0, 0.1);
      seen = PLAY(48000.0, 1, {-INFINITY, i * 0.020}, {-23.0, 0.4}, {-INFINITY, 1.0});
      assert_close(seen.highest_momentary, -23.0, 0.1);
   }
   assert_int_equal(bm_loudness_init(&meter, 48000.0, 2), BM_OK);
   for (int i = 0; i < 20; ++i) {
      const Part file[] = {{-INFINITY, i * 0.020}, {-38.0 + i, 0.4}, {-INFINITY, 1.0}};
      seen = play(48000.0, file, 3, 1);
      assert_close(seen.highest_momentary, -38.0 + i, 0.1);
   }
}

/* EBU Tech 3342 Table 1, signals 1 to 4, 1 LU; ours stay within 0.1 as the sheet proposes. */
static void the_range_meets_ebu_tech_3342(void** state)
{
   (void)state;
   PLAY(48000.0, 1, {-20.0, 20.0}, {-30.0, 20.0});
   assert_close(bm_loudness_range_lu(&meter), 10.0, 0.1);
   PLAY(44100.0, 1, {-20.0, 20.0}, {-15.0, 20.0});
   assert_close(bm_loudness_range_lu(&meter), 5.0, 0.1);
   PLAY(48000.0, 1, {-40.0, 20.0}, {-20.0, 20.0});
   assert_close(bm_loudness_range_lu(&meter), 20.0, 0.1);
   PLAY(48000.0, 1, {-50.0, 20.0}, {-35.0, 20.0}, {-20.0, 20.0}, {-35.0, 20.0}, {-50.0, 20.0});
   assert_close(bm_loudness_range_lu(&meter), 15.0, 0.1);
}

/* BS.1770-4: a 997 Hz sine of 0 dBFS in one channel reads -3.01 LKFS; one channel by itself likewise. */
static void a_full_scale_sine_in_one_channel_reads_as_the_standard_says(void** state)
{
   (void)state;
   for (uint32_t n_channels = 1; n_channels <= 2; ++n_channels) {
      assert_int_equal(bm_loudness_init(&meter, 48000.0, n_channels), BM_OK);
      for (int n = 0; n < 96000; ++n) {
         const double x = sin(2.0 * pi * 997.0 * n / 48000.0);
         const BmFrame frame = bm_frame(x, n_channels == 2 ? 0.0 : x);
         bm_loudness_process(&meter, &frame, 1);
      }
      assert_close(bm_loudness_integrated_lufs(&meter), -3.01, 0.01);
   }
}

/* Noise that comes and goes and wanders across the stage, against libebur128 (its own test vectors: EBU's);
   sheet: 0.05 LU, range 0.1 LU. Mono change against the same library fed with the fold-down. */
static void wandering_noise_reads_as_libebur128_says(void** state)
{
   (void)state;
   static const double all_rates_hz[] = {8000.0, 44100.0, 48000.0, 96000.0, 192000.0};
   for (int r = 0; r < 5; ++r) {
      const double rate_hz = all_rates_hz[r];
      const uint32_t n_frames = (uint32_t)(16.0 * rate_hz);
      ebur128_state* library = ebur128_init(2, (unsigned long)rate_hz, EBUR128_MODE_I | EBUR128_MODE_LRA);
      ebur128_state* mono = ebur128_init(2, (unsigned long)rate_hz, EBUR128_MODE_I);
      assert_non_null(library);
      assert_non_null(mono);
      assert_int_equal(bm_loudness_init(&meter, rate_hz, 2), BM_OK);
      uint64_t seed = 3;
      for (uint32_t n = 0; n < n_frames; ++n) {
         const double t = n / rate_hz;
         const double level = pow(10.0, (-30.0 + 15.0 * sin(0.9 * t) + 10.0 * sin(5.0 * t)) / 20.0);
         const double common = bm_test_random(&seed), own = bm_test_random(&seed);
         const float pair[2] = {(float)(level * common), (float)(level * (0.5 * common + 0.6 * own))};
         const float folded[2] = {0.5F * (pair[0] + pair[1]), 0.5F * (pair[0] + pair[1])};
         ebur128_add_frames_float(library, pair, 1);
         ebur128_add_frames_float(mono, folded, 1);
         const BmFrame x = bm_frame((double)pair[0], (double)pair[1]);
         bm_loudness_process(&meter, &x, 1);
      }
      double expected = 0.0, expected_mono = 0.0;
      ebur128_loudness_global(library, &expected);
      ebur128_loudness_global(mono, &expected_mono);
      assert_close(bm_loudness_integrated_lufs(&meter), expected, 0.05);
      assert_close(bm_loudness_mono_change_lu(&meter), expected_mono - expected, 0.05);
      ebur128_loudness_momentary(library, &expected);
      assert_close(bm_loudness_momentary_lufs(&meter), expected, 0.05);
      ebur128_loudness_shortterm(library, &expected);
      assert_close(bm_loudness_short_term_lufs(&meter), expected, 0.05);
      ebur128_loudness_range(library, &expected);
      assert_close(bm_loudness_range_lu(&meter), expected, 0.1);
      ebur128_destroy(&library);
      ebur128_destroy(&mono);
   }
}

static void silence_reads_the_floor_and_reset_begins_anew(void** state)
{
   (void)state;
   PLAY(48000.0, 1, {-6.0, 4.0});
   bm_loudness_reset(&meter);
   assert_true(bm_loudness_integrated_lufs(&meter) == -120.0);
   assert_true(bm_loudness_momentary_lufs(&meter) == -120.0);
   assert_true(bm_loudness_range_lu(&meter) == 0.0);
   assert_true(bm_loudness_mono_change_lu(&meter) == 0.0);
   play(48000.0, (const Part[]){{-INFINITY, 5.0}}, 1, 1);
   assert_true(bm_loudness_integrated_lufs(&meter) == -120.0);
   assert_true(bm_loudness_short_term_lufs(&meter) == -120.0);
   assert_true(bm_loudness_range_lu(&meter) == 0.0);
   const BmLoudness before = meter;
   play(48000.0, (const Part[]){{-30.0, 20.0}}, 1, 1);
   assert_true(before.mem.n_hops < meter.mem.n_hops);
   assert_close(bm_loudness_integrated_lufs(&meter), -30.0, 0.1);
}

static void block_size_leaves_no_trace(void** state)
{
   (void)state;
   enum { N = 48000 };
   BmFrame* in = aligned_alloc(64, N * sizeof *in);
   bm_test_noise(in, N, 0.3, 5);
   double integrated[2], momentary[2];
   for (int sliced = 0; sliced < 2; ++sliced) {
      assert_int_equal(bm_loudness_init(&meter, 44100.0, 2), BM_OK);
      const uint32_t block = sliced ? 37 : N;
      for (uint32_t n = 0; n < N; n += block) {
         bm_loudness_process(&meter, in + n, N - n < block ? N - n : block);
      }
      integrated[sliced] = bm_loudness_integrated_lufs(&meter);
      momentary[sliced] = bm_loudness_momentary_lufs(&meter);
   }
   assert_true(integrated[0] == integrated[1] && momentary[0] == momentary[1]);
   free(in);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(integrated_loudness_meets_ebu_tech_3341),
      cmocka_unit_test(momentary_and_short_term_meet_ebu_tech_3341),
      cmocka_unit_test(the_range_meets_ebu_tech_3342),
      cmocka_unit_test(a_full_scale_sine_in_one_channel_reads_as_the_standard_says),
      cmocka_unit_test(wandering_noise_reads_as_libebur128_says),
      cmocka_unit_test(silence_reads_the_floor_and_reset_begins_anew),
      cmocka_unit_test(block_size_leaves_no_trace),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
