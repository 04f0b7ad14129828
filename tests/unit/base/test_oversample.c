/* SPDX-License-Identifier: ISC */
/* If these fail, whatever distorts folds back into the audible band, loses its top octave, or comes late
   against the dry signal. Targets: issue 4 (ripple under 0.01 dB to 20 kHz, stop band over 100 dB). */
#include "unit_test.h"

#include "base/oversample.h"

#include <string.h>

#define N_FRAMES 512
#define N_HIGH (N_FRAMES * BM_OVERSAMPLE_MAX_FACTOR)

static const double rates_hz[] = {44100.0, 48000.0, 88200.0, 96000.0, 192000.0};
static const uint32_t factors[] = {2, 4, 8, 16};
static const double stop_db[] = {[BM_QUALITY_LIVE] = -100.0, [BM_QUALITY_RENDER] = -120.0};

#define N_RATES (sizeof rates_hz / sizeof *rates_hz)
#define N_FACTORS (sizeof factors / sizeof *factors)

static BmOversample oversample;
static BmFrame low[N_FRAMES];
static BmFrame high[N_HIGH];
static double response[N_HIGH];

static void interpolator_response(uint32_t factor)
{
   bm_oversample_reset(&oversample);
   memset(low, 0, sizeof low);
   low[0] = bm_frame_both(1.0);
   bm_oversample_up(&oversample, low, high, N_FRAMES);
   for (uint32_t i = 0; i < N_FRAMES * factor; ++i) {
      response[i] = high[i][0] / factor;
   }
}

/* An impulse in each of the high-rate phases shows the decimator's response, every factor-th value at a time.
 */
static void decimator_response(uint32_t factor)
{
   memset(response, 0, sizeof response);
   for (uint32_t phase = 0; phase < factor; ++phase) {
      bm_oversample_reset(&oversample);
      memset(high, 0, sizeof high);
      high[phase] = bm_frame_both(1.0);
      bm_oversample_down(&oversample, high, low, N_FRAMES);
      for (uint32_t n = 0; n < N_FRAMES; ++n) {
         if (n * factor >= phase) {
            response[n * factor - phase] = low[n][0];
         }
      }
   }
}

static double level_db(double frequency_norm, uint32_t n)
{
   double re = 0.0;
   double im = 0.0;
   const double step_re = cos(2.0 * M_PI * frequency_norm);
   const double step_im = sin(2.0 * M_PI * frequency_norm);
   double turn_re = 1.0;
   double turn_im = 0.0;
   for (uint32_t i = 0; i < n; ++i) {
      re += response[i] * turn_re;
      im -= response[i] * turn_im;
      const double next_re = turn_re * step_re - turn_im * step_im;
      turn_im = turn_re * step_im + turn_im * step_re;
      turn_re = next_re;
   }
   return 10.0 * log10(re * re + im * im + 1e-40);
}

static void check_response(double rate_hz, uint32_t factor, BmQuality quality)
{
   const uint32_t n = N_FRAMES * factor;
   for (double hz = 0.0; hz <= 20000.0; hz += 500.0) {
      assert_close(level_db(hz / (rate_hz * factor), n), 0.0, 0.01);
      /* What would fold onto, or is an image of, this frequency. */
      for (uint32_t k = 1; k <= factor / 2; ++k) {
         assert_true(level_db((k * rate_hz - hz) / (rate_hz * factor), n) < stop_db[quality]);
         assert_true(level_db((k * rate_hz + hz) / (rate_hz * factor), n) < stop_db[quality]);
      }
   }
}

static void the_audible_band_passes_and_its_images_and_aliases_do_not(void** state)
{
   (void)state;
   for (uint32_t r = 0; r < N_RATES; ++r) {
      for (uint32_t f = 0; f < N_FACTORS; ++f) {
         for (BmQuality quality = BM_QUALITY_LIVE; quality <= BM_QUALITY_RENDER; ++quality) {
            /* The highest factor at the highest rates shows nothing new, and takes time. */
            if (factors[f] * rates_hz[r] > 800000.0) {
               continue;
            }
            assert_int_equal(bm_oversample_init(&oversample, rates_hz[r], factors[f], quality, 0), BM_OK);
            interpolator_response(factors[f]);
            check_response(rates_hz[r], factors[f], quality);
            decimator_response(factors[f]);
            check_response(rates_hz[r], factors[f], quality);
         }
      }
   }
}

/* Vaidyanathan, Multirate Systems and Filter Banks, ch. 4: a half-band filter is 1/2 at a quarter of its
 * rate. */
static void one_stage_is_a_half_band_filter(void** state)
{
   (void)state;
   bm_oversample_init(&oversample, 48000.0, 2, BM_QUALITY_LIVE, 0);
   interpolator_response(2);
   assert_close(level_db(0.25, 2 * N_FRAMES), 20.0 * log10(0.5), 1e-9);
   assert_true(level_db(0.5, 2 * N_FRAMES) < -280.0);
}

static void a_sine_comes_back_late_by_whole_frames_and_otherwise_unchanged(void** state)
{
   (void)state;
   const double tones_hz[] = {30.0, 997.0, 15000.0, 20000.0};
   const uint32_t inner_delays[] = {0, 1};
   for (uint32_t r = 0; r < N_RATES; ++r) {
      for (uint32_t f = 0; f < N_FACTORS; ++f) {
         for (BmQuality quality = BM_QUALITY_LIVE; quality <= BM_QUALITY_RENDER; ++quality) {
            for (uint32_t d = 0; d < 2; ++d) {
               bm_oversample_init(&oversample, rates_hz[r], factors[f], quality, inner_delays[d]);
               const uint32_t latency_frames = bm_oversample_latency_frames(&oversample);
               for (uint32_t t = 0; t < 4; ++t) {
                  const double step_rad = 2.0 * M_PI * tones_hz[t] / rates_hz[r];
                  for (uint32_t n = 0; n < N_FRAMES; ++n) {
                     low[n] = bm_frame(sin(step_rad * n), cos(step_rad * n));
                  }
                  bm_oversample_reset(&oversample);
                  bm_oversample_up(&oversample, low, high, N_FRAMES);
                  if (inner_delays[d]) {
                     memmove(high + 1, high, (N_FRAMES * factors[f] - 1) * sizeof *high);
                     high[0] = bm_frame_both(0.0);
                  }
                  bm_oversample_down(&oversample, high, low, N_FRAMES);
                  for (uint32_t n = 2 * latency_frames + 40; n < N_FRAMES; ++n) {
                     const double phase_rad = step_rad * (n - (double)latency_frames);
                     const double tolerance = quality == BM_QUALITY_RENDER ? 1e-5 : 1e-4;
                     assert_close(low[n][0], sin(phase_rad), tolerance);
                     assert_close(low[n][1], cos(phase_rad), tolerance);
                  }
               }
            }
         }
      }
   }
}

static void rounding_stays_far_below_the_signal(void** state)
{
   (void)state;
   for (uint32_t f = 0; f < N_FACTORS; ++f) {
      bm_oversample_init(&oversample, 48000.0, factors[f], BM_QUALITY_RENDER, 0);
      for (uint32_t n = 0; n < N_FRAMES; ++n) {
         low[n] = bm_frame_both(sin(2.0 * M_PI * n * 7.0 / 256.0));
      }
      bm_oversample_up(&oversample, low, high, N_FRAMES);
      bm_oversample_down(&oversample, high, low, N_FRAMES);
      /* Seven periods of the settled half: its fundamental apart, all is rounding. */
      double re = 0.0;
      double im = 0.0;
      double power = 0.0;
      for (uint32_t n = N_FRAMES - 256; n < N_FRAMES; ++n) {
         re += low[n][0] * cos(2.0 * M_PI * n * 7.0 / 256.0);
         im += low[n][0] * sin(2.0 * M_PI * n * 7.0 / 256.0);
      }
      for (uint32_t n = N_FRAMES - 256; n < N_FRAMES; ++n) {
         const double sine =
            (re * cos(2.0 * M_PI * n * 7.0 / 256.0) + im * sin(2.0 * M_PI * n * 7.0 / 256.0)) / 128.0;
         power += (low[n][0] - sine) * (low[n][0] - sine) / 256.0;
      }
      assert_between(10.0 * log10(power / 0.5), -400.0, -135.0);
   }
}

static void no_block_size_changes_a_bit(void** state)
{
   (void)state;
   static BmFrame in[N_FRAMES];
   static BmFrame whole[N_FRAMES];
   uint64_t seed = 4;
   for (uint32_t n = 0; n < N_FRAMES; ++n) {
      in[n] = bm_frame(bm_test_random(&seed), bm_test_random(&seed));
   }
   for (uint32_t f = 0; f < N_FACTORS; ++f) {
      bm_oversample_init(&oversample, 44100.0, factors[f], BM_QUALITY_RENDER, 1);
      bm_oversample_up(&oversample, in, high, N_FRAMES);
      bm_oversample_down(&oversample, high, whole, N_FRAMES);
      for (uint32_t block = 1; block < 100; block += 13) {
         bm_oversample_reset(&oversample);
         for (uint32_t n = 0; n < N_FRAMES; n += block) {
            const uint32_t n_block = block < N_FRAMES - n ? block : N_FRAMES - n;
            bm_oversample_up(&oversample, in + n, high, n_block);
            bm_oversample_down(&oversample, high, low + n, n_block);
         }
         assert_memory_equal(low, whole, sizeof low);
      }
   }
}

static void a_factor_of_one_is_the_input_itself(void** state)
{
   (void)state;
   bm_oversample_init(&oversample, 192000.0, 1, BM_QUALITY_LIVE, 0);
   uint64_t seed = 1;
   for (uint32_t n = 0; n < N_FRAMES; ++n) {
      low[n] = bm_frame_both(bm_test_random(&seed));
   }
   static BmFrame out[N_FRAMES];
   bm_oversample_up(&oversample, low, high, N_FRAMES);
   bm_oversample_down(&oversample, high, out, N_FRAMES);
   assert_memory_equal(out, low, sizeof low);
   assert_int_equal(bm_oversample_latency_frames(&oversample), 0);
}

static void the_high_rate_stays_near_the_one_at_48_khz(void** state)
{
   (void)state;
   for (double rate_hz = 32000.0; rate_hz <= 384000.0; rate_hz += 50.0) {
      const double high_hz = rate_hz * bm_oversample_factor(rate_hz, 8);
      assert_between(high_hz, 8 * 32000.0, 8 * 68000.0);
   }
   assert_int_equal(bm_oversample_factor(8000.0, 4), 4);
   assert_int_equal(bm_oversample_factor(384000.0, 4), 1);
}

static void a_rate_or_a_factor_that_makes_no_sense_is_refused(void** state)
{
   (void)state;
   assert_int_equal(bm_oversample_init(&oversample, 1000.0, 2, BM_QUALITY_LIVE, 0), BM_BAD_RATE);
   assert_int_equal(bm_oversample_init(&oversample, (double)NAN, 2, BM_QUALITY_LIVE, 0), BM_BAD_RATE);
   assert_int_equal(bm_oversample_init(&oversample, 48000.0, 0, BM_QUALITY_LIVE, 0), BM_BAD_ARGUMENT);
   assert_int_equal(bm_oversample_init(&oversample, 48000.0, 3, BM_QUALITY_LIVE, 0), BM_BAD_ARGUMENT);
   assert_int_equal(bm_oversample_init(&oversample, 48000.0, 32, BM_QUALITY_LIVE, 0), BM_BAD_ARGUMENT);
}

int main(void)
{
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_audible_band_passes_and_its_images_and_aliases_do_not),
      cmocka_unit_test(one_stage_is_a_half_band_filter),
      cmocka_unit_test(a_sine_comes_back_late_by_whole_frames_and_otherwise_unchanged),
      cmocka_unit_test(rounding_stays_far_below_the_signal),
      cmocka_unit_test(no_block_size_changes_a_bit),
      cmocka_unit_test(a_factor_of_one_is_the_input_itself),
      cmocka_unit_test(the_high_rate_stays_near_the_one_at_48_khz),
      cmocka_unit_test(a_rate_or_a_factor_that_makes_no_sense_is_refused),
   };
   return cmocka_run_group_tests(tests, NULL, NULL);
}
