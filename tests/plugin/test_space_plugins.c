/* SPDX-License-Identifier: ISC */
/*
   Room, placement and meter as a host runs them. If one of these fails, the meter on screen is not the
   standard's, a room rings otherwise than its control says, or a take sits elsewhere than where it was put.
*/
#include "unit_test.h"

#include "host.h"
#include "measure.h"
#include "recordings.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define PI 3.14159265358979323846

static BmHost* host;

static BmInstance* instance_new(const char* uri, double rate_hz)
{
   BmError error = {0};
   const BmPlugin* plugin = bm_host_find(host, uri, &error);
   BmInstance* instance = plugin ? bm_instance_new(host, plugin, rate_hz, 8192, &error) : NULL;
   if (!instance) {
      fail_msg("%s", error.text);
   }
   return instance;
}

static uint32_t port(const BmInstance* instance, const char* symbol)
{
   BmError error = {0};
   const BmPort* found = bm_plugin_port(bm_instance_plugin(instance), symbol, &error);
   if (!found) {
      fail_msg("%s", error.text);
   }
   return found->index;
}

static void set(BmInstance* instance, const char* symbol, double value)
{
   bm_instance_set(instance, port(instance, symbol), (float)value);
}

static double get(const BmInstance* instance, const char* symbol)
{
   return (double)bm_instance_get(instance, port(instance, symbol));
}

/* A stereo pair of channels, [0] left. */
typedef struct {
   float* channels[2];
   uint32_t n_frames;
} Pair;

static Pair pair_new(uint32_t n_frames)
{
   const Pair pair = {{calloc(n_frames, sizeof(float)), calloc(n_frames, sizeof(float))}, n_frames};
   assert_true(pair.channels[0] && pair.channels[1]);
   return pair;
}

static void pair_free(Pair pair)
{
   free(pair.channels[0]);
   free(pair.channels[1]);
}

/* As a host does, in blocks. */
static void run(BmInstance* instance, Pair in, Pair out)
{
   for (uint32_t start = 0; start < in.n_frames; start += 512) {
      const uint32_t n = in.n_frames - start < 512 ? in.n_frames - start : 512;
      const float* from[] = {in.channels[0] + start, in.channels[1] + start};
      float* to[] = {out.channels[0] + start, out.channels[1] + start};
      bm_instance_run(instance, from, to, n);
   }
}

/* Parts of a 1 kHz sine, alike in both channels, in order; -INFINITY is silence. */
typedef struct {
   double level_dbfs;
   double time_s;
} Part;

static void play(BmInstance* instance, double rate_hz, const Part* parts, uint32_t n_parts)
{
   uint64_t at = 0;
   for (uint32_t i = 0; i < n_parts; ++i) {
      const Pair sound = pair_new((uint32_t)llround(parts[i].time_s * rate_hz));
      for (uint32_t n = 0; n < sound.n_frames; ++n, ++at) {
         const double x = sin(2.0 * PI * 1000.0 * (double)at / rate_hz);
         sound.channels[0][n] = (float)(pow(10.0, parts[i].level_dbfs / 20.0) * x);
         sound.channels[1][n] = sound.channels[0][n];
      }
      const Pair out = pair_new(sound.n_frames);
      run(instance, sound, out);
      assert_memory_equal(sound.channels[0], out.channels[0], sound.n_frames * sizeof(float));
      pair_free(out);
      pair_free(sound);
   }
}

/* EBU Tech 3341 Table 1, signals 1, 3 and 5, and Tech 3342 Table 1, signals 1 and 3; reference sheet
 * section 3. */
static void the_take_meter_meets_ebu_tech_3341_and_3342(void** state)
{
   (void)state;
   static const double rates_hz[] = {44100.0, 48000.0, 96000.0};
   for (int r = 0; r < 3; ++r) {
      BmInstance* meter = instance_new("urn:bookmatch:take-meter#stereo", rates_hz[r]);
      play(meter, rates_hz[r], (const Part[]){{-23.0, 20.0}}, 1);
      assert_close(get(meter, "momentary"), -23.0, 0.1);
      assert_close(get(meter, "short_term"), -23.0, 0.1);
      assert_close(get(meter, "integrated"), -23.0, 0.1);
      assert_close(get(meter, "true_peak"), -23.0, 0.3);
      assert_close(get(meter, "crest"), 3.01, 0.02);
      assert_close(get(meter, "correlation"), 1.0, 1e-4);
      assert_close(get(meter, "mono_change"), 0.0, 1e-3);
      set(meter, "reset", 1); /* a new passage */
      play(meter, rates_hz[r], (const Part[]){{-36.0, 10.0}, {-23.0, 60.0}, {-36.0, 10.0}}, 3);
      assert_close(get(meter, "integrated"), -23.0, 0.1);
      bm_instance_free(meter);
   }
   BmInstance* meter = instance_new("urn:bookmatch:take-meter#stereo", 48000.0);
   play(meter, 48000.0, (const Part[]){{-26.0, 20.0}, {-20.0, 20.1}, {-26.0, 20.0}}, 3);
   assert_close(get(meter, "integrated"), -23.0, 0.1);
   bm_instance_restart(meter);
   play(meter, 48000.0, (const Part[]){{-20.0, 20.0}, {-30.0, 20.0}}, 2);
   assert_close(get(meter, "range"), 10.0, 1.0);
   bm_instance_restart(meter);
   play(meter, 48000.0, (const Part[]){{-40.0, 20.0}, {-20.0, 20.0}}, 2);
   assert_close(get(meter, "range"), 20.0, 1.0);
   bm_instance_free(meter);
}

/* What the bench measures of the file, live: a recorded phrase through both. */
static void the_take_meter_tells_what_the_bench_measures(void** state)
{
   (void)state;
   if (!bm_recording_phrase_is_there("guit_em9")) {
      skip();
   }
   BmRecording phrase = bm_recording_phrase("guit_em9", 48000.0, 0.0);
   assert_int_equal(phrase.n_channels, 2);
   const Pair sound = pair_new(phrase.n_frames);
   float* interleaved = malloc(2 * (size_t)phrase.n_frames * sizeof *interleaved);
   for (uint32_t n = 0; n < phrase.n_frames; ++n) {
      for (uint32_t c = 0; c < 2; ++c) {
         sound.channels[c][n] = (float)phrase.samples[2 * n + c];
         interleaved[2 * n + c] = sound.channels[c][n];
      }
   }
   const Pair out = pair_new(phrase.n_frames);
   BmInstance* meter = instance_new("urn:bookmatch:take-meter#stereo", 48000.0);
   run(meter, sound, out);

   const BmMeterOptions options = {.sample_rate_hz = 48000.0, .n_channels = 2};
   BmMeter* bench = bm_meter_new(&options);
   assert_non_null(bench);
   bm_meter_add(bench, interleaved, phrase.n_frames);
   BmAnalysis analysis;
   assert_true(bm_meter_finish(bench, &analysis));
   assert_close(get(meter, "integrated"), analysis.figures.integrated_lufs, 0.05);
   assert_close(get(meter, "range"), analysis.figures.range_lu, 0.2);
   assert_close(get(meter, "true_peak"), analysis.figures.true_peak_dbtp, 0.2);
   assert_close(get(meter, "crest"), analysis.figures.crest_db, 0.01);
   assert_close(get(meter, "correlation"), analysis.figures.correlation, 0.001);
   assert_close(get(meter, "mono_change"), analysis.figures.mono_change_lu, 0.05);
   /* The bench hears the onsets of the last half second too, once the file is closed. */
   assert_close(get(meter, "attack_to_sustain"), analysis.figures.attack_to_sustain_db, 1.0);
   bm_analysis_free(&analysis);
   bm_meter_free(bench);
   bm_instance_free(meter);
   pair_free(out);
   pair_free(sound);
   free(interleaved);
   bm_recording_free(&phrase);
}

int main(void)
{
   BmError error = {0};
   host = bm_host_new(&error);
   if (!host) {
      fprintf(stderr, "%s\n", error.text);
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(the_take_meter_meets_ebu_tech_3341_and_3342),
      cmocka_unit_test(the_take_meter_tells_what_the_bench_measures),
   };
   const int failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(host);
   return failed;
}
