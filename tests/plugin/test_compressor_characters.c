/* SPDX-License-Identifier: ISC */
/*
   The three compressors on recorded takes, at 8 dB of reduction and equal loudness, each against the dry
   take. If one of these fails, a compressor no longer does what it is chosen for.

   The facts of the trade are hypotheses here (common practice, no source). The program prints what was
   measured, all descriptors and both directions; only the figures that the compressors are built to meet are
   asserted. The table stands in plugins/compressors.md.
*/
#include "unit_test.h"

#include "takes.h"

#define REDUCTION_DB 8.0

typedef struct {
   const char* name;
   const char* uri;
   const char* settings;
} Character;

static const Character characters[] = {
   {"FET, fast", "urn:bookmatch:fet-compressor#stereo", "ratio 8 attack 0.05 release 60"},
   {"opto", "urn:bookmatch:opto-compressor#stereo", ""},
   {"opto, full emphasis", "urn:bookmatch:opto-compressor#stereo", "emphasis 100"},
   {"variable-mu", "urn:bookmatch:variable-mu-compressor#stereo", ""},
};
enum { FET, OPTO, OPTO_FULL, MU, N_CHARACTERS };

static const char* const take_names[] = {"phrase em9", "phrase fifths", "picked notes", "strummed notes"};
enum { EM9, FIFTHS, PICKED, STRUMMED, N_TAKES };

static HostedTake takes[N_TAKES];
static TakesOnsets onsets[N_TAKES];
static TakeFigures dry[N_TAKES];
static TakeFigures wet[N_TAKES][N_CHARACTERS];
/* The gain's steepest fall, and the share of milliseconds in which the reduction moves by more than 1 dB. */
static double steepest_db_per_ms[N_TAKES][N_CHARACTERS];
static double share_steep[N_TAKES][N_CHARACTERS];

/* Mean of the reduction over time, weighted by the energy that comes in. */
static double mean_reduction_db(const HostedTake* take, const double* trace_db)
{
   double weighted = 0.0;
   double energy = 0.0;
   for (uint32_t ms = 0; ms < take->n_frames / HOSTED_MS; ++ms) {
      for (uint32_t i = ms * HOSTED_MS; i < (ms + 1) * HOSTED_MS; ++i) {
         const double x = (double)take->channel[0][i] * (double)take->channel[0][i] +
                          (double)take->channel[1][i] * (double)take->channel[1][i];
         weighted += x * trace_db[ms];
         energy += x;
      }
   }
   return weighted / energy;
}

static HostedTake compress(const Character* character, const HostedTake* take, double threshold_db,
                           double* trace_db)
{
   BmInstance* instance = hosted_new(character->uri, HOSTED_RATE_HZ);
   hosted_set_all(instance, character->settings);
   hosted_set(instance, "threshold", threshold_db);
   HostedTake out = hosted_run(instance, take, "gain_reduction", trace_db);
   bm_instance_free(instance);
   return out;
}

/* Compress by REDUCTION_DB: the threshold is found by the secant rule. */
static HostedTake compress_by(const Character* character, const HostedTake* take, double* trace_db)
{
   double low = -20.0;
   HostedTake out = compress(character, take, low, trace_db);
   double at_low = mean_reduction_db(take, trace_db) - REDUCTION_DB;
   double next = low + 1.4 * at_low;
   for (int i = 0; i < 6; ++i) {
      hosted_take_free(&out);
      next = fmax(-50.0, fmin(next, 0.0));
      out = compress(character, take, next, trace_db);
      const double at_next = mean_reduction_db(take, trace_db) - REDUCTION_DB;
      if (fabs(at_next) < 0.2) {
         return out;
      }
      const double slope = (at_next - at_low) / (next - low);
      low = next;
      at_low = at_next;
      next = low - at_low / slope;
   }
   fail_msg("%s: no threshold gives %g dB of reduction", character->name, REDUCTION_DB);
   return out;
}

/* From the audio itself, since a fast gain moves within the meter's millisecond: output over input in steps
   of a quarter. */
static double steepest_fall_db_per_ms(const HostedTake* in, const HostedTake* out)
{
   enum { STEP = HOSTED_MS / 4 };
   double steepest = 0.0;
   double last_db = 0.0;
   bool sounded = false;
   for (uint32_t at = 0; at + STEP <= in->n_frames; at += STEP) {
      double in_power = 0.0;
      double out_power = 0.0;
      for (uint32_t i = at; i < at + STEP; ++i) {
         for (int c = 0; c < 2; ++c) {
            in_power += (double)in->channel[c][i] * (double)in->channel[c][i] / (2 * STEP);
            out_power += (double)out->channel[c][i] * (double)out->channel[c][i] / (2 * STEP);
         }
      }
      const bool sounds = in_power > 1e-5;
      const double db = 10.0 * log10((out_power + 1e-30) / (in_power + 1e-30));
      if (sounds && sounded) {
         steepest = fmax(steepest, 4.0 * (last_db - db));
      }
      last_db = db;
      sounded = sounds;
   }
   return steepest;
}

static void measure_all(void)
{
   takes[EM9] = takes_phrase("guit_em9", 6.0);
   takes[FIFTHS] = takes_phrase("guit_e_fifths", 6.0);
   takes[PICKED] = takes_picked();
   takes[STRUMMED] = takes_strummed();
   for (int t = 0; t < N_TAKES; ++t) {
      onsets[t] = takes_onsets(&takes[t]);
      dry[t] = takes_measure(&takes[t], &onsets[t]);
      const uint32_t n_ms = takes[t].n_frames / HOSTED_MS;
      double* trace_db = calloc(n_ms, sizeof *trace_db);
      for (int c = 0; c < N_CHARACTERS; ++c) {
         HostedTake out = compress_by(&characters[c], &takes[t], trace_db);
         HostedTake equal = hosted_take_scaled(&out, pow(10.0, (dry[t].lufs - takes_lufs(&out)) / 20.0));
         wet[t][c] = takes_measure(&equal, &onsets[t]);
         uint32_t steep = 0;
         for (uint32_t ms = 1; ms < n_ms; ++ms) {
            const double slope = trace_db[ms] - trace_db[ms - 1];
            steep += fabs(slope) >= 1.0;
         }
         share_steep[t][c] = (double)steep / n_ms;
         steepest_db_per_ms[t][c] = steepest_fall_db_per_ms(&takes[t], &out);
         hosted_take_free(&out);
         hosted_take_free(&equal);
      }
      free(trace_db);
   }
}

static void print_table(void)
{
   printf("Change against the dry take, at equal loudness and %g dB of reduction\n", REDUCTION_DB);
   printf("%-16s%-22s", "", "");
   for (uint32_t f = 0; f < TAKES_N_FIGURES; ++f) {
      printf("%14s", take_figure_names[f]);
   }
   printf("%14s\n", "onsets");
   for (int t = 0; t < N_TAKES; ++t) {
      printf("%-16s%-22s", take_names[t], "dry");
      for (uint32_t f = 0; f < TAKES_N_FIGURES; ++f) {
         printf("%14.2f", takes_figure(&dry[t], f));
      }
      printf("%14u\n", onsets[t].n);
      for (int c = 0; c < N_CHARACTERS; ++c) {
         printf("%-16s%-22s", "", characters[c].name);
         for (uint32_t f = 0; f < TAKES_N_FIGURES; ++f) {
            printf("%+14.2f", takes_figure(&wet[t][c], f) - takes_figure(&dry[t], f));
         }
         printf("   steepest %.1f dB/ms, over 1 dB/ms in %.2f %%\n", steepest_db_per_ms[t][c],
                100.0 * share_steep[t][c]);
      }
   }
   for (int c = 0; c < N_CHARACTERS; ++c) {
      printf("%-16s%-22s", c ? "" : "mean of takes", characters[c].name);
      for (uint32_t f = 0; f < TAKES_N_FIGURES; ++f) {
         double sum = 0.0;
         for (int t = 0; t < N_TAKES; ++t) {
            sum += takes_figure(&wet[t][c], f) - takes_figure(&dry[t], f);
         }
         printf("%+14.2f", sum / N_TAKES);
      }
      printf("\n");
   }
}

static void the_fet_gain_falls_faster_than_ten_db_a_millisecond_on_a_picked_onset(void** state)
{
   (void)state;
   assert_true(steepest_db_per_ms[PICKED][FET] > 10.0);
}

static void the_opto_reduction_is_smooth_on_every_take(void** state)
{
   (void)state;
   for (int t = 0; t < N_TAKES; ++t) {
      assert_true(share_steep[t][OPTO] < 0.01 && share_steep[t][OPTO_FULL] < 0.01);
   }
}

static void the_opto_with_emphasis_takes_the_highs_down(void** state)
{
   (void)state;
   for (int t = 0; t < N_TAKES; ++t) {
      assert_true(wet[t][OPTO_FULL].highs_db < dry[t].highs_db);
   }
}

static void the_variable_mu_halves_the_spread_of_a_strummed_take(void** state)
{
   (void)state;
   assert_true(wet[STRUMMED][MU].spread_lu <= 0.5 * dry[STRUMMED].spread_lu);
}

static void the_variable_mu_keeps_the_highs_of_a_strummed_take(void** state)
{
   (void)state;
   assert_close(wet[STRUMMED][MU].highs_db, dry[STRUMMED].highs_db, 1.0);
}

int main(void)
{
   if (!bm_recordings_are_there() || !bm_recording_phrase_is_there("guit_em9") ||
       !bm_recording_phrase_is_there("guit_e_fifths")) {
      return bm_test_missing("a recording", "run tests/recordings/fetch, install sonic-pi-samples");
   }
   if (!hosted_open()) {
      return 1;
   }
   measure_all();
   print_table();
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_fet_gain_falls_faster_than_ten_db_a_millisecond_on_a_picked_onset),
      cmocka_unit_test(the_opto_reduction_is_smooth_on_every_take),
      cmocka_unit_test(the_opto_with_emphasis_takes_the_highs_down),
      cmocka_unit_test(the_variable_mu_halves_the_spread_of_a_strummed_take),
      cmocka_unit_test(the_variable_mu_keeps_the_highs_of_a_strummed_take),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   for (int t = 0; t < N_TAKES; ++t) {
      hosted_take_free(&takes[t]);
   }
   bm_host_free(hosted_host);
   return n_failed;
}
