/* SPDX-License-Identifier: ISC */
/*
   The compressors, the transient shaper and the loudness match as a host runs them. If one of these fails, a
   port does not do what it says, or a plugin misses a figure its model meets.
*/
#include "unit_test.h"

#include "takes.h"

#include <stdbool.h>

#define FET "urn:bookmatch:fet-compressor#mono"
#define OPTO "urn:bookmatch:opto-compressor#mono"
#define MU "urn:bookmatch:variable-mu-compressor#mono"
#define SHAPER "urn:bookmatch:transient-shaper#stereo"

static double to_lin(double db)
{
   return pow(10.0, db / 20.0);
}

static double to_db(double lin)
{
   return 20.0 * log10(lin);
}

typedef struct {
   double rate_hz;
   double hz;
   double peak;
   uint64_t frame;
} Sine;

/* Run a sine through a mono plugin; keep the output if `out` [n_frames] is not NULL. */
static void run_sine(BmInstance* instance, Sine* sine, float* out, uint32_t n_frames)
{
   float in_block[240];
   float out_block[240];
   for (uint32_t at = 0; at < n_frames; at += 240) {
      const uint32_t n = n_frames - at < 240 ? n_frames - at : 240;
      for (uint32_t i = 0; i < n; ++i) {
         const double cycles = fmod(sine->hz * (double)sine->frame / sine->rate_hz, 1.0);
         in_block[i] = (float)(sine->peak * sin(2.0 * TAKES_PI * cycles));
         ++sine->frame;
      }
      const float* from[] = {in_block};
      float* to[] = {out_block};
      bm_instance_run(instance, from, to, n);
      if (out) {
         memcpy(out + at, out_block, n * sizeof *out_block);
      }
   }
}

static double component(const float* x, uint32_t n_frames, double cycles)
{
   double re = 0.0;
   double im = 0.0;
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double phase = 2.0 * TAKES_PI * fmod(cycles * i / n_frames, 1.0);
      re += (double)x[i] * cos(phase);
      im += (double)x[i] * sin(phase);
   }
   return 2.0 * sqrt(re * re + im * im) / n_frames;
}

/* A settled sine through a fresh instance; its last half second stays here. */
static float tail[96000];
static uint32_t n_tail;

static BmInstance* settle(const char* uri, const char* settings, Sine sine, double settle_s)
{
   BmInstance* instance = hosted_new(uri, sine.rate_hz);
   hosted_set_all(instance, settings);
   n_tail = (uint32_t)(0.5 * sine.rate_hz);
   run_sine(instance, &sine, NULL, (uint32_t)(settle_s * sine.rate_hz));
   run_sine(instance, &sine, tail, n_tail);
   return instance;
}

static double harmonic(double h, double hz)
{
   return component(tail, n_tail, 0.5 * h * hz);
}

static double settled_level_db(const char* uri, const char* settings, Sine sine, double settle_s)
{
   bm_instance_free(settle(uri, settings, sine, settle_s));
   return to_db(harmonic(1.0, sine.hz));
}

static double settled_reduction_db(const char* uri, const char* settings, Sine sine, double settle_s)
{
   BmInstance* instance = settle(uri, settings, sine, settle_s);
   const double reduction = hosted_get(instance, "gain_reduction");
   bm_instance_free(instance);
   return reduction;
}

/* Giannoulis, Massberg and Reiss, JAES 60(6), 2012, equation 4. */
static double curve_db(double x, double t, double r, double w)
{
   const double over = x - t;
   if (2.0 * over < -w) {
      return x;
   }
   return 2.0 * over > w ? t + over / r
                         : x + (1.0 / r - 1.0) * (over + 0.5 * w) * (over + 0.5 * w) / (2.0 * w);
}

static void the_fet_compressor_has_the_published_static_curve(void** state)
{
   (void)state;
   static const double ratios[] = {2.0, 4.0, 12.0, 100.0};
   double worst = 0.0;
   for (int r = 0; r < 4; ++r) {
      for (double level = -27.0; level <= 0.0; level += 4.5) {
         char settings[128];
         snprintf(settings, sizeof settings,
                  "threshold -20 ratio %g attack 0.02 release 1100 sidechain_low_cut 20", ratios[r]);
         const double y = settled_level_db(FET, settings, (Sine){48000.0, 1000.0, to_lin(level), 0}, 0.2);
         worst = fmax(worst, fabs(curve_db(level, -20.0, ratios[r], 24.0 / ratios[r]) - y));
      }
   }
   printf("FET static curve: within %.3f dB\n", worst);
   assert_between(worst, 0.0, 0.1);
}

static double fet_thd_percent(double hz, double release_ms)
{
   char settings[128];
   snprintf(settings, sizeof settings, "threshold -20 ratio 4 attack 0.02 release %g sidechain_low_cut 20",
            release_ms);
   bm_instance_free(settle(FET, settings, (Sine){48000.0, hz, to_lin(-20.0 + 10.0 / 0.75), 0}, 0.7));
   double sum = 0.0;
   for (int h = 2; h <= 12; ++h) {
      sum += harmonic(h, hz) * harmonic(h, hz);
   }
   return 100.0 * sqrt(sum) / harmonic(1.0, hz);
}

static void the_fet_release_rides_a_low_note_when_fast_and_is_clean_when_slow(void** state)
{
   (void)state;
   static const double releases_ms[] = {50.0, 100.0, 200.0, 400.0, 800.0, 1100.0};
   double last = 100.0;
   for (int i = 0; i < 6; ++i) {
      const double thd = fet_thd_percent(60.0, releases_ms[i]);
      printf("FET 60 Hz, 10 dB, release %4.0f ms: THD %.2f %%\n", releases_ms[i], thd);
      assert_true(thd < last);
      assert_true(i > 0 || thd > 1.0);
      last = thd;
   }
   const double clean = fet_thd_percent(1000.0, 1100.0);
   printf("FET 1 kHz, 10 dB, release 1100 ms: THD %.2f %%\n", clean);
   assert_between(clean, 0.0, 0.5);
}

static void the_fet_compressor_folds_nothing_back(void** state)
{
   (void)state;
   static const double rates_hz[] = {44100.0, 48000.0, 96000.0};
   static const char* const settings[] = {"", "attack 0.02 release 50 ratio 20 threshold -20",
                                          "attack 0.8 release 50 ratio 20 threshold -20"};
   for (int r = 0; r < 3; ++r) {
      for (int s = 0; s < 3; ++s) {
         /* An odd number of cycles in 8192 frames: no harmonic falls on another's alias. */
         enum { N = 8192 };
         const uint32_t cycles = (uint32_t)(5000.0 / rates_hz[r] * N) | 1U;
         BmInstance* instance = hosted_new(FET, rates_hz[r]);
         hosted_set_all(instance, settings[s]);
         Sine sine = {rates_hz[r], cycles * rates_hz[r] / N, 1.0, 0};
         run_sine(instance, &sine, NULL, (uint32_t)rates_hz[r]);
         run_sine(instance, &sine, tail, N);
         bm_instance_free(instance);
         const double first = component(tail, N, cycles);
         /* Where harmonics 5 to 40 would fold to. */
         double worst = -200.0;
         for (uint32_t h = 5; h <= 40; ++h) {
            uint32_t bin = h * cycles % N;
            bin = bin > N / 2 ? N - bin : bin;
            if (bin % cycles && bin * rates_hz[r] / N < 20000.0) {
               worst = fmax(worst, to_db(component(tail, N, bin) / first));
            }
         }
         printf("FET 5 kHz at full scale, %6.0f Hz, \"%s\": worst alias %.1f dB\n", rates_hz[r], settings[s],
                worst);
         assert_between(worst, -200.0, -80.0);
      }
   }
}

/* Times from the reduction port after a burst, ms: to half and to a tenth of the reduction. */
static void release_ms(const char* uri, const char* settings, double peak_db, double burst_s, double* half,
                       double* tenth)
{
   BmInstance* instance = hosted_new(uri, 48000.0);
   hosted_set_all(instance, settings);
   Sine sine = {48000.0, 1000.0, to_lin(peak_db), 0};
   run_sine(instance, &sine, NULL, (uint32_t)(burst_s * 48000.0));
   const double from = hosted_get(instance, "gain_reduction");
   sine.peak = 1e-4;
   *half = 0.0;
   *tenth = 0.0;
   for (double t = 0.0; t < 60000.0 && *tenth == 0.0; t += 1.0) {
      run_sine(instance, &sine, NULL, 48);
      const double now = hosted_get(instance, "gain_reduction");
      *half = *half == 0.0 && now < 0.5 * from ? t : *half;
      *tenth = now < 0.1 * from ? t : 0.0;
   }
   bm_instance_free(instance);
}

static void the_opto_cell_remembers(void** state)
{
   (void)state;
   static const double bursts_s[] = {0.1, 1.0, 10.0};
   double tenth[3];
   for (int i = 0; i < 3; ++i) {
      double half;
      release_ms(OPTO, "threshold -20 emphasis 0 sidechain_low_cut 20", -8.0, bursts_s[i], &half, &tenth[i]);
      printf("opto after %4.1f s at 10 dB: half in %.0f ms, nine tenths in %.0f ms\n", bursts_s[i], half,
             tenth[i]);
      assert_between(half, 40.0, 80.0);
   }
   assert_between(tenth[1], 500.0, 5000.0);
   assert_between(tenth[2], 1.5 * tenth[0], 5000.0);
}

static void the_opto_detector_leans_to_the_highs_as_far_as_it_is_told(void** state)
{
   (void)state;
   double more_db[2];
   for (int full = 0; full < 2; ++full) {
      const char* settings = full ? "threshold -20 emphasis 100 sidechain_low_cut 20"
                                  : "threshold -20 emphasis 0 sidechain_low_cut 20";
      more_db[full] = settled_reduction_db(OPTO, settings, (Sine){48000.0, 6000.0, to_lin(-8.0), 0}, 3.0) -
                      settled_reduction_db(OPTO, settings, (Sine){48000.0, 200.0, to_lin(-8.0), 0}, 3.0);
      printf("opto, emphasis %d: 6 kHz reduced %.2f dB more than 200 Hz\n", full * 100, more_db[full]);
   }
   assert_close(more_db[0], 0.0, 0.1);
   assert_true(more_db[1] >= 3.0);
}

static void the_opto_limits_when_told_and_releases_when_told(void** state)
{
   (void)state;
   const Sine loud = {48000.0, 1000.0, to_lin(-4.0), 0};
   assert_true(settled_reduction_db(OPTO, "threshold -20 law 1 emphasis 0", loud, 2.0) >
               settled_reduction_db(OPTO, "threshold -20 law 0 emphasis 0", loud, 2.0) + 2.0);
   double half;
   double tenth_of_cell;
   double tenth_by_hand;
   release_ms(OPTO, "threshold -20", -8.0, 2.0, &half, &tenth_of_cell);
   release_ms(OPTO, "threshold -20 release_source 1 release 80", -8.0, 2.0, &half, &tenth_by_hand);
   assert_true(tenth_by_hand < 0.4 * tenth_of_cell);
}

static void the_variable_mu_ratio_grows_with_level(void** state)
{
   (void)state;
   const char* settings = "threshold -20 attack 20 release 1 balance 0 sidechain_low_cut 20";
   double last = settled_level_db(MU, settings, (Sine){48000.0, 1000.0, to_lin(-20.0), 0}, 1.5);
   double last_ratio = 1.0;
   double from_db = 100.0;
   for (double level = -18.0; level <= 8.0; level += 2.0) {
      const double y = settled_level_db(MU, settings, (Sine){48000.0, 1000.0, to_lin(level), 0}, 1.5);
      const double ratio = 2.0 / (y - last);
      printf("variable-mu, %+.0f to %+.0f dB over the threshold: ratio %.2f\n", level + 18.0, level + 20.0,
             ratio);
      assert_true(ratio > last_ratio);
      if (from_db == 100.0 && ratio >= 1.5) {
         assert_between(ratio, 1.5, 1.8);
         from_db = level;
      }
      if (level == from_db + 20.0) {
         assert_true(ratio > 8.0);
         return;
      }
      last = y;
      last_ratio = ratio;
   }
   fail_msg("the ratio was never 1.5 with 20 dB to go");
}

static void the_variable_mu_pair_cancels_even_harmonics_when_balanced(void** state)
{
   (void)state;
   for (double x = -14.0; x <= -2.0; x += 6.0) {
      const Sine sine = {48000.0, 1000.0, to_lin(x), 0};
      bm_instance_free(settle(MU, "threshold -20 balance 0", sine, 1.5));
      const double balanced = to_db(harmonic(2.0, 1000.0) / harmonic(1.0, 1000.0) + 1e-12);
      BmInstance* instance = settle(MU, "threshold -20 balance 50", sine, 1.5);
      const double h2 = to_db(harmonic(2.0, 1000.0) / harmonic(1.0, 1000.0));
      const double h3 = to_db(harmonic(3.0, 1000.0) / harmonic(1.0, 1000.0));
      printf("variable-mu, %.1f dB of reduction: H2 %.1f dB balanced, %.1f dB at balance 50, H3 %.1f dB\n",
             hosted_get(instance, "gain_reduction"), balanced, h2, h3);
      bm_instance_free(instance);
      assert_true(balanced < -110.0);
      assert_true(h2 >= h3 + 6.0);
   }
}

static void the_variable_mu_lets_a_peak_go_sooner_than_a_sustained_level(void** state)
{
   (void)state;
   double after_peak;
   double after_level;
   double tenth;
   release_ms(MU, "threshold -20 attack 5 release 2", -6.0, 0.1, &after_peak, &tenth);
   release_ms(MU, "threshold -20 attack 5 release 2", -6.0, 8.0, &after_level, &tenth);
   printf("variable-mu, release 2 s: half of a peak in %.0f ms, of a level in %.0f ms\n", after_peak,
          after_level);
   assert_true(after_level > 2.5 * after_peak);
}

static void the_transient_shaper_does_not_mind_the_level(void** state)
{
   (void)state;
   HostedTake take = takes_picked();
   HostedTake loud = {{NULL, NULL}, 0};
   double worst = 0.0;
   for (double down_db = 0.0; down_db <= 50.0; down_db += 25.0) {
      BmInstance* instance = hosted_new(SHAPER, HOSTED_RATE_HZ);
      hosted_set_all(instance, "attack 10 sustain 10");
      HostedTake in = hosted_take_scaled(&take, to_lin(8.0 - down_db));
      HostedTake out = hosted_run(instance, &in, NULL, NULL);
      bm_instance_free(instance);
      hosted_take_free(&in);
      if (down_db == 0.0) {
         loud = out;
         continue;
      }
      /* Compared in steps of 10 ms, where the take sounds. */
      double* a = takes_energy(&loud, NULL);
      double* b = takes_energy(&out, NULL);
      for (uint32_t i = 0; i + 480 < take.n_frames; i += 480) {
         const double power_a = a[i + 480] - a[i];
         const double power_b = b[i + 480] - b[i];
         if (power_a / 480.0 > 1e-5) {
            worst = fmax(worst, fabs(10.0 * log10(power_a / power_b) - down_db));
         }
      }
      free(a);
      free(b);
      hosted_take_free(&out);
   }
   printf("transient shaper, 0 to -50 dB: within %.3f dB\n", worst);
   assert_between(worst, 0.0, 0.2);
   hosted_take_free(&loud);
   hosted_take_free(&take);
}

static void the_side_target_leaves_the_mid_of_two_recorded_takes_untouched_to_the_last_bit(void** state)
{
   (void)state;
   /* Two takes: one to each side, as a converter of 24 bits hands them over. */
   HostedTake take = takes_phrase("guit_em9", 6.0);
   for (int c = 0; c < 2; ++c) {
      for (uint32_t i = 0; i < take.n_frames; ++i) {
         take.channel[c][i] = (float)(round((double)take.channel[c][i] * 8388608.0) / 8388608.0);
      }
   }
   BmInstance* instance = hosted_new(SHAPER, HOSTED_RATE_HZ);
   hosted_set_all(instance, "attack 12 sustain 12 target 2");
   HostedTake out = hosted_run(instance, &take, NULL, NULL);
   bm_instance_free(instance);
   double changed = 0.0;
   for (uint32_t i = 0; i < take.n_frames; ++i) {
      assert_true(out.channel[0][i] + out.channel[1][i] == take.channel[0][i] + take.channel[1][i]);
      changed = fmax(changed, fabs((double)(out.channel[0][i] - take.channel[0][i])));
   }
   assert_true(changed > 0.001);
   hosted_take_free(&take);
   hosted_take_free(&out);
}

static double lufs_from(const HostedTake* take, double from_s)
{
   const uint32_t from = (uint32_t)(from_s * HOSTED_RATE_HZ);
   const HostedTake rest = {{take->channel[0] + from, take->channel[1] + from}, take->n_frames - from};
   return takes_lufs(&rest);
}

static void match_holds_the_loudness_of_a_strummed_take_within_half_a_lu(void** state)
{
   (void)state;
   static const struct {
      const char* uri;
      const char* settings;
   } processors[] = {
      {"urn:bookmatch:fet-compressor#stereo", "match 1 threshold -30 ratio 8 makeup 10"},
      {"urn:bookmatch:opto-compressor#stereo", "match 1 threshold -30 makeup 6"},
      {"urn:bookmatch:variable-mu-compressor#stereo", "match 1 threshold -28 makeup 15"},
      {"urn:bookmatch:transient-shaper#stereo", "match 1 attack 12 sustain -9"},
   };
   HostedTake once = takes_strummed();
   HostedTake take = hosted_take_new(3 * once.n_frames);
   for (uint32_t i = 0; i < take.n_frames; ++i) {
      take.channel[0][i] = once.channel[0][i % once.n_frames];
      take.channel[1][i] = once.channel[1][i % once.n_frames];
   }
   for (int p = 0; p < 4; ++p) {
      BmInstance* instance = hosted_new(processors[p].uri, HOSTED_RATE_HZ);
      hosted_set_all(instance, processors[p].settings);
      HostedTake out = hosted_run(instance, &take, NULL, NULL);
      bm_instance_free(instance);
      const double off = lufs_from(&out, 10.0) - lufs_from(&take, 10.0);
      printf("match, %s: %+.2f LU after 10 s\n", processors[p].uri, off);
      assert_close(off, 0.0, 0.5);
      hosted_take_free(&out);
   }
   hosted_take_free(&once);
   hosted_take_free(&take);
}

static void a_bypass_does_not_make_match_start_again(void** state)
{
   (void)state;
   BmInstance* instance = hosted_new(OPTO, 48000.0);
   hosted_set_all(instance, "threshold 0 makeup 12 match 1");
   Sine sine = {48000.0, 1000.0, 0.02, 0};
   run_sine(instance, &sine, NULL, 48000 * 8);
   hosted_set(instance, "enabled", 0.0);
   run_sine(instance, &sine, NULL, 48000);
   hosted_set(instance, "enabled", 1.0);
   run_sine(instance, &sine, NULL, 4800); /* the cross-fade */
   n_tail = 24000;
   run_sine(instance, &sine, tail, n_tail);
   assert_close(to_db(component(tail, n_tail, 500.0) / 0.02), 0.0, 0.3);
   bm_instance_free(instance);
}

int main(void)
{
   if (!bm_recordings_are_there() || !bm_recording_phrase_is_there("guit_em9")) {
      return bm_test_missing("a recording", "run tests/recordings/fetch, install sonic-pi-samples");
   }
   if (!hosted_open()) {
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_fet_compressor_has_the_published_static_curve),
      cmocka_unit_test(the_fet_release_rides_a_low_note_when_fast_and_is_clean_when_slow),
      cmocka_unit_test(the_fet_compressor_folds_nothing_back),
      cmocka_unit_test(the_opto_cell_remembers),
      cmocka_unit_test(the_opto_detector_leans_to_the_highs_as_far_as_it_is_told),
      cmocka_unit_test(the_opto_limits_when_told_and_releases_when_told),
      cmocka_unit_test(the_variable_mu_ratio_grows_with_level),
      cmocka_unit_test(the_variable_mu_pair_cancels_even_harmonics_when_balanced),
      cmocka_unit_test(the_variable_mu_lets_a_peak_go_sooner_than_a_sustained_level),
      cmocka_unit_test(the_transient_shaper_does_not_mind_the_level),
      cmocka_unit_test(the_side_target_leaves_the_mid_of_two_recorded_takes_untouched_to_the_last_bit),
      cmocka_unit_test(match_holds_the_loudness_of_a_strummed_take_within_half_a_lu),
      cmocka_unit_test(a_bypass_does_not_make_match_start_again),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(hosted_host);
   return n_failed;
}
