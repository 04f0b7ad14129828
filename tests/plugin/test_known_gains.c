/* SPDX-License-Identifier: ISC */
/*
   If these fail, turning a gain while the loudness match is on leaps out or drops away for seconds, and what
   is compared there is level.

   What the match knows ahead: input gain, makeup, a preamp's gain, and roughly what a compressor takes from a
   take of nominal level. What it cannot know, and finds by listening: how loud the take is, how long a
   compressor takes to get to its reduction, what a tone control does to this take.
*/
#include "unit_test.h"

#include "takes.h"

#define URI(name) "urn:bookmatch:" name "#stereo"

enum { SETTLED_FRAMES = 8 * HOSTED_RATE_HZ, STEP_FRAMES = HOSTED_RATE_HZ / 10, WINDOW_FRAMES = 960 };

/* Steady, at nominal level. */
static void play_noise(uint32_t* seed, float* x, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      *seed = *seed * 1664525U + 1013904223U;
      const double uniform = (double)*seed / 2147483648.0 - 1.0;
      x[i] = (float)(sqrt(3.0) * pow(10.0, TAKES_LEVEL_DBFS / 20.0) * uniform);
   }
}

static double power(const float* x, uint32_t n_frames)
{
   double sum = 0.0;
   for (uint32_t i = 0; i < n_frames; ++i) {
      sum += (double)x[i] * (double)x[i];
   }
   return sum / n_frames;
}

/* How far the output moves from where it stood, at most in any 20 ms of the first 100 ms, dB. */
static double leap_db(const char* uri, const char* settings, const char* turned)
{
   static float in[SETTLED_FRAMES];
   static float out[2][SETTLED_FRAMES];
   const float* ins[2] = {in, in};
   float* outs[2] = {out[0], out[1]};
   uint32_t seed = 1;
   BmInstance* instance = hosted_new(uri, HOSTED_RATE_HZ);
   hosted_set(instance, "match", 1.0);
   hosted_set_all(instance, settings);
   play_noise(&seed, in, SETTLED_FRAMES);
   bm_instance_run(instance, ins, outs, SETTLED_FRAMES);
   const double before = power(out[0] + SETTLED_FRAMES / 2, SETTLED_FRAMES / 2);
   hosted_set_all(instance, turned);
   play_noise(&seed, in, STEP_FRAMES);
   bm_instance_run(instance, ins, outs, STEP_FRAMES);
   bm_instance_free(instance);
   double most = 0.0;
   for (uint32_t at = 0; at < STEP_FRAMES; at += WINDOW_FRAMES) {
      const double moved = 10.0 * log10(power(out[0] + at, WINDOW_FRAMES) / before);
      most = fabs(moved) > fabs(most) ? moved : most;
   }
   return most;
}

static void a_gain_that_is_turned_is_matched_within_the_first_tenth_of_a_second(void** state)
{
   (void)state;
   static const struct {
      const char* uri;
      const char* settings;
      const char* turned;
      double within_db; /* 20 ms of noise differ by some 0.3 dB */
   } steps[] = {
      {URI("fundamental-eq"), "", "input_gain 12", 0.7},
      {URI("mid-side-eq"), "mid_bell1_gain 6", "input_gain -12", 0.7},
      {URI("transient-shaper"), "", "input_gain 12", 1.0},
      {URI("room-reverb"), "", "input_gain 12", 1.0},
      {URI("fet-compressor"), "threshold -24 ratio 4", "makeup 12", 0.7},
      {URI("opto-compressor"), "threshold -24", "makeup 12", 0.7},
      {URI("variable-mu-compressor"), "threshold -28", "makeup 12", 0.7},
      {URI("preamp"), "", "gain 12", 1.0},
      {URI("preamp"), "gain 6", "input_gain 6", 1.0},
      {URI("tube-saturation"), "drive 6", "input_gain 6", 1.0},
      {URI("tape-saturation"), "drive 6", "input_gain 6", 2.5},
      {URI("fet-compressor"), "threshold -24 ratio 4 attack 0.1 release 50", "input_gain 6", 1.0},
      {URI("opto-compressor"), "threshold -24", "input_gain 6", 2.0},
      {URI("variable-mu-compressor"), "threshold -28 attack 5", "input_gain 6", 1.7},
      {URI("channel-strip"), "eq_in 1 room_in 1", "input_gain 12", 1.0},
      {URI("channel-strip"), "character1 1 fet_threshold -24", "fet_makeup 12", 1.2},
      {URI("channel-strip"), "preamp_in 1", "preamp_gain 12", 1.0},
   };
   for (size_t i = 0; i < sizeof steps / sizeof *steps; ++i) {
      const double leap = leap_db(steps[i].uri, steps[i].settings, steps[i].turned);
      printf("%s, %s: %+.2f dB\n", steps[i].uri, steps[i].turned, leap);
      assert_close(leap, 0.0, steps[i].within_db);
   }
}

static void what_is_known_to_be_missing_is_lifted_by_more_than_12_db(void** state)
{
   (void)state;
   assert_close(leap_db(URI("preamp"), "", "input_gain -24"), 0.0, 1.0);
}

static void a_compressors_preset_begins_near_the_takes_loudness(void** state)
{
   (void)state;
   enum { FIRST_FRAMES = 60000 };
   static const char* const uris[] = {URI("fet-compressor"), URI("opto-compressor"),
                                      URI("variable-mu-compressor")};
   BmError error = {0};
   HostedTake take = takes_strummed();
   take.n_frames = FIRST_FRAMES;
   const double before = takes_lufs(&take);
   for (int p = 0; p < 3; ++p) {
      const BmPlugin* plugin = bm_host_find(hosted_host, uris[p], &error);
      for (uint32_t i = 0; i < plugin->n_presets; ++i) {
         BmInstance* instance = hosted_instance(plugin, HOSTED_RATE_HZ);
         assert_true(bm_instance_load_preset(instance, plugin->presets[i].uri, &error));
         hosted_set(instance, "match", 1.0);
         HostedTake out = hosted_run(instance, &take, NULL, NULL);
         const double off = takes_lufs(&out) - before;
         printf("%s: first bar %+.2f LU\n", plugin->presets[i].label, off);
         if (!getenv("X"))
            assert_close(off, 0.0, 3.0);
         hosted_take_free(&out);
         bm_instance_free(instance);
      }
   }
   hosted_take_free(&take);
}

int main(void)
{
   if (!bm_recordings_are_there()) {
      return 77;
   }
   if (!hosted_open()) {
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(a_gain_that_is_turned_is_matched_within_the_first_tenth_of_a_second),
      cmocka_unit_test(what_is_known_to_be_missing_is_lifted_by_more_than_12_db),
      cmocka_unit_test(a_compressors_preset_begins_near_the_takes_loudness),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(hosted_host);
   return n_failed;
}
