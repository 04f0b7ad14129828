/* SPDX-License-Identifier: ISC */
/*
   Every factory preset of the dynamics plugins in a session that plays a recorded take. If one fails, a
   preset does not do what its name says. The figures printed stand in the plugins' README files.
*/
#include "unit_test.h"

#include "takes.h"

#include "render.h"
#include "session.h"

#include <sndfile.h>

#include <unistd.h>

static char folder[] = "/tmp/bookmatch-presets-XXXXXX";

typedef enum { PICKED, STRUMMED, PHRASE, SIDE_OF_PHRASE, N_TAKES } Take;

static const char* const take_names[] = {"picked", "strummed", "phrase", "its side"};

typedef enum { CREST, ATTACK, BRIGHT_ONSET, HIGHS, LOWS, SPREAD, DETAIL } Figure;

typedef struct {
   const char* plugin;
   const char* preset;
   Take take;
   Figure figure; /* what the name speaks of */
   double least;  /* its change lies between */
   double most;
} Promise;

static const Promise promises[] = {
   {"fet-compressor", "catch-the-pick", PICKED, CREST, -6.0, -1.0},
   {"fet-compressor", "snap-for-strumming", STRUMMED, ATTACK, 0.3, 6.0},
   {"fet-compressor", "dense-rhythm", STRUMMED, SPREAD, -12.0, -5.0},
   {"fet-compressor", "crushed-underneath", STRUMMED, SPREAD, -6.0, -1.5},
   {"fet-compressor", "slow-and-clean", STRUMMED, CREST, -6.0, -0.5},
   {"opto-compressor", "smooth-fingerstyle", PICKED, SPREAD, -5.0, -1.0},
   {"opto-compressor", "soften-the-pick", PHRASE, HIGHS, -8.0, -1.0},
   {"opto-compressor", "long-sustain", PICKED, SPREAD, -5.0, -1.5},
   {"opto-compressor", "hold-the-loud-strums", STRUMMED, SPREAD, -10.0, -1.0},
   {"opto-compressor", "release-by-hand", STRUMMED, SPREAD, -10.0, -2.0},
   {"variable-mu-compressor", "steady-strums", STRUMMED, SPREAD, -10.0, -5.0},
   {"variable-mu-compressor", "warm-and-full", STRUMMED, SPREAD, -10.0, -2.0},
   {"variable-mu-compressor", "barely-there", STRUMMED, SPREAD, -3.0, -0.3},
   {"variable-mu-compressor", "one-level-for-the-verse", STRUMMED, SPREAD, -10.0, -1.0},
   {"variable-mu-compressor", "lift-the-decay", PICKED, SPREAD, -5.0, -1.0},
   {"transient-shaper", "more-pick", PICKED, ATTACK, 1.0, 8.0},
   {"transient-shaper", "less-pick", PICKED, ATTACK, -8.0, -1.0},
   {"transient-shaper", "longer-ring", PICKED, ATTACK, -6.0, -0.5},
   {"transient-shaper", "tight-and-dry", PICKED, ATTACK, 0.8, 6.0},
   {"transient-shaper", "livelier-sides", SIDE_OF_PHRASE, ATTACK, 0.8, 8.0},
   {"transient-shaper", "ringing-sides", SIDE_OF_PHRASE, ATTACK, -8.0, -0.5},
};
enum { N_PROMISES = sizeof promises / sizeof *promises };

static HostedTake takes[N_TAKES];
static TakesOnsets onsets[N_TAKES];
static TakeFigures dry[N_TAKES];

/* The difference of left and right, which is all that such a preset changes. */
static void keep_side(HostedTake* take)
{
   for (uint32_t i = 0; i < take->n_frames; ++i) {
      const float side = 0.5F * (take->channel[0][i] - take->channel[1][i]);
      take->channel[0][i] = side;
      take->channel[1][i] = side;
   }
}

static void write_take(Take take)
{
   char path[128];
   snprintf(path, sizeof path, "%s/%s.wav", folder, take_names[take]);
   SF_INFO info = {.samplerate = HOSTED_RATE_HZ, .channels = 2, .format = SF_FORMAT_WAV | SF_FORMAT_FLOAT};
   SNDFILE* file = sf_open(path, SFM_WRITE, &info);
   assert_non_null(file);
   float* frames = takes_interleave(&takes[take]);
   assert_int_equal(sf_writef_float(file, frames, takes[take].n_frames), takes[take].n_frames);
   free(frames);
   sf_close(file);
}

typedef struct {
   HostedTake out;
   uint32_t n_frames;
} Ears;

static bool hear(void* user, const BmTapBlock* taps, uint32_t n_frames, BmError* error)
{
   (void)error;
   Ears* ears = user;
   for (uint32_t i = 0; i < n_frames && ears->n_frames < ears->out.n_frames; ++i) {
      for (int c = 0; c < 2; ++c) {
         assert_true(isfinite(taps->after[c][i]));
         ears->out.channel[c][ears->n_frames] = taps->after[c][i];
      }
      ++ears->n_frames;
   }
   return true;
}

/* Most and mean of the insert's reduction or gain while the take plays, dB. */
static void trace_of_insert(BmRender* rendering, const BmSession* session, double* most, double* mean)
{
   *most = 0.0;
   *mean = 0.0;
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      const BmInsertRecord* record = session->nodes[n].n_inserts ? bm_render_insert(rendering, n, 0) : NULL;
      for (uint32_t t = 0; record && t < record->n_traces; ++t) {
         const BmTrace* trace = &record->traces[t];
         if (!strcmp(trace->port->symbol, "gain_reduction") || !strcmp(trace->port->symbol, "gain_change")) {
            for (uint32_t p = 0; p < trace->n_points; ++p) {
               *most = fmax(*most, fmax(fabs((double)trace->max[p]), fabs((double)trace->min[p])));
               *mean += (double)trace->mean[p] / trace->n_points;
            }
         }
      }
   }
}

static HostedTake render(const Promise* promise, double* most, double* mean)
{
   char path[128];
   snprintf(path, sizeof path, "%s/session.ttl", folder);
   FILE* file = fopen(path, "w");
   assert_non_null(file);
   fprintf(
      file,
      "@prefix bm: <urn:bookmatch:vocabulary#> .\n"
      "@prefix lv2: <http://lv2plug.in/ns/lv2core#> .\n"
      "@prefix pset: <http://lv2plug.in/ns/ext/presets#> .\n"
      "<> a bm:Session ; bm:sampleRate %d ; bm:maxTail 0 .\n"
      "<#take> a bm:Track ; bm:take <%s.wav> ; bm:inserts ( [ lv2:appliesTo <urn:bookmatch:%s#stereo> ;\n"
      "   pset:preset <urn:bookmatch:%s:preset:%s:stereo> ] ) ; bm:output <#bus> .\n"
      "<#bus> a bm:Bus .\n"
      "<#stem> a bm:Stem ; bm:from <#bus> ; bm:file \"stem.wav\" .\n",
      HOSTED_RATE_HZ, take_names[promise->take == SIDE_OF_PHRASE ? PHRASE : promise->take], promise->plugin,
      promise->plugin, promise->preset);
   assert_int_equal(fclose(file), 0);
   BmError error = {0};
   BmSession* session = bm_session_read(hosted_host, path, NULL, &error);
   BmRender* rendering = session ? bm_render_new(hosted_host, session, &error) : NULL;
   Ears ears = {.out = hosted_take_new(takes[promise->take].n_frames)};
   const BmRenderSink sink = {.user = &ears, .hear = hear, .without_before = true};
   if (!rendering || !bm_render_run(rendering, &sink, &error)) {
      fail_msg("%s: %s", promise->preset, error.text);
   }
   assert_int_equal(ears.n_frames, ears.out.n_frames);
   trace_of_insert(rendering, session, most, mean);
   bm_render_free(rendering);
   bm_session_free(session);
   return ears.out;
}

static void every_preset_does_to_a_recorded_take_what_its_name_says(void** state)
{
   (void)state;
   printf("%-26s%-10s%14s%14s", "", "take", "most dB", "mean dB");
   for (uint32_t f = 0; f < TAKES_N_FIGURES; ++f) {
      printf("%14s", take_figure_names[f]);
   }
   printf("%14s\n", "loudness");
   int n_broken = 0;
   for (int p = 0; p < N_PROMISES; ++p) {
      const Promise* promise = &promises[p];
      double most;
      double mean;
      HostedTake out = render(promise, &most, &mean);
      if (promise->take == SIDE_OF_PHRASE) {
         keep_side(&out);
      }
      const TakeFigures* before = &dry[promise->take];
      const TakeFigures wet = takes_measure(&out, &onsets[promise->take]);
      hosted_take_free(&out);
      printf("%-26s%-10s%14.1f%14.1f", promise->preset, take_names[promise->take], most, mean);
      for (uint32_t f = 0; f < TAKES_N_FIGURES; ++f) {
         printf("%+14.2f", takes_figure(&wet, f) - takes_figure(before, f));
      }
      printf("%+14.2f\n", wet.lufs - before->lufs);
      const double change = takes_figure(&wet, promise->figure) - takes_figure(before, promise->figure);
      if (!(change >= promise->least && change <= promise->most)) {
         printf("   ^ %s should change by %g to %g\n", take_figure_names[promise->figure], promise->least,
                promise->most);
         ++n_broken;
      }
   }
   assert_int_equal(n_broken, 0);
}

static void no_preset_is_left_out(void** state)
{
   (void)state;
   static const char* const plugins[] = {"fet-compressor", "opto-compressor", "variable-mu-compressor",
                                         "transient-shaper"};
   for (int i = 0; i < 4; ++i) {
      char uri[128];
      snprintf(uri, sizeof uri, "urn:bookmatch:%s#stereo", plugins[i]);
      BmError error = {0};
      const BmPlugin* plugin = bm_host_find(hosted_host, uri, &error);
      assert_non_null(plugin);
      assert_in_range(plugin->n_presets, 4, 8);
      for (uint32_t n = 0; n < plugin->n_presets; ++n) {
         bool found = false;
         for (int p = 0; p < N_PROMISES; ++p) {
            snprintf(uri, sizeof uri, "urn:bookmatch:%s:preset:%s:stereo", promises[p].plugin,
                     promises[p].preset);
            found = found || !strcmp(uri, plugin->presets[n].uri);
         }
         if (!found) {
            fail_msg("%s is heard in no session", plugin->presets[n].uri);
         }
      }
   }
}

int main(void)
{
   if (!bm_recordings_are_there() || !bm_recording_phrase_is_there("guit_em9")) {
      return bm_test_missing("a recording", "run tests/recordings/fetch, install sonic-pi-samples");
   }
   if (!hosted_open_with(folder)) {
      return 1;
   }
   takes[PICKED] = takes_picked();
   takes[STRUMMED] = takes_strummed();
   takes[PHRASE] = takes_phrase("guit_em9", 6.0);
   takes[SIDE_OF_PHRASE] = hosted_take_scaled(&takes[PHRASE], 1.0);
   keep_side(&takes[SIDE_OF_PHRASE]);
   for (Take t = 0; t < N_TAKES; ++t) {
      onsets[t] = t == SIDE_OF_PHRASE ? onsets[PHRASE] : takes_onsets(&takes[t]);
      dry[t] = takes_measure(&takes[t], &onsets[t]);
      write_take(t);
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_preset_does_to_a_recorded_take_what_its_name_says),
      cmocka_unit_test(no_preset_is_left_out),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   for (Take t = 0; t < N_TAKES; ++t) {
      char path[128];
      snprintf(path, sizeof path, "%s/%s.wav", folder, take_names[t]);
      unlink(path);
      hosted_take_free(&takes[t]);
   }
   char path[128];
   snprintf(path, sizeof path, "%s/session.ttl", folder);
   unlink(path);
   rmdir(folder);
   bm_host_free(hosted_host);
   return n_failed;
}
