/* SPDX-License-Identifier: ISC */
/*
   If this fails, a preset of the channel strip is louder than the take it is put on, so it wins by level; or
   it clips at nominal level, or falls apart in mono.

   Every preset is hosted in every form in which it sounds different on a take of the instrument it is for, at
   nominal level: as an engineer sets the preamp, about -18 dBFS root mean square and no peak over -3.5 dBFS.
*/
#include "unit_test.h"

#include "host.h"
#include "measure.h"
#include "modelled_takes.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define STRIP "urn:bookmatch:channel-strip#"
#define PRESET "urn:bookmatch:channel-strip:preset:"
#define DURATION_S 4.5

#define TRUE_PEAK_DBTP (-1.0)
#define LOUDNESS_LU 1.0
#define MONO_LU 3.0

typedef struct {
   const char* preset;
   const char* take;
} Case;

static const Case cases[] = {
   {"strummed-bed-under-a-voice", "strummed"},
   {"strum-that-drives-the-song", "strummed"},
   {"doubled-strums-steady-and-wide", "strummed"},
   {"picked-part-up-front", "phrase"},
   {"arpeggio-like-glass", "phrase"},
   {"thumb-and-fingers-in-balance", "picked"},
   {"nylon-warm-and-near", "nylon"},
   {"nylon-on-a-recital-stage", "nylon"},
   {"flesh-instead-of-nails", "nylon"},
   {"twelve-strings-one-shimmer", "twelve-string"},
   {"twelve-strings-behind-a-choir", "twelve-string"},
   {"baritone-deep-but-clear", "baritone"},
   {"baritone-drone", "baritone"},
   {"ukulele-with-a-body", "ukulele"},
   {"ukulele-at-the-front-step", "ukulele"},
   {"mandolin-chop-and-tune", "mandolin"},
   {"tremolo-like-a-bow", "mandolin"},
   {"banjo-rolls-even", "banjo"},
   {"banjo-across-the-yard", "banjo"},
   {"violin-rosin-tamed", "violin"},
   {"fiddle-for-the-dance", "violin"},
   {"cello-one-long-line", "cello"},
   {"cello-under-the-guitars", "cello"},
   {"bass-notes-one-can-follow", "double-bass"},
   {"bass-round-and-slow", "double-bass"},
   {"slide-comes-forward", "resonator"},
   {"resonator-in-a-tin-room", "resonator"},
};
enum { N_CASES = sizeof cases / sizeof *cases, BLOCK = 512 };

typedef struct {
   const char* name;
   uint32_t n_inputs;
   uint32_t n_outputs;
} Form;

static const Form forms[] = {{"mono", 1, 1}, {"mono-to-stereo", 1, 2}, {"stereo", 2, 2}};
enum { N_FORMS = sizeof forms / sizeof *forms };

static BmHost* host;

static BmMeasurement measure(float* const channels[2], uint32_t n_channels, uint32_t n_frames)
{
   const BmMeterOptions options = {.sample_rate_hz = MODELLED_RATE_HZ, .n_channels = n_channels};
   BmMeter* meter = bm_meter_new(&options);
   float* frames = calloc((size_t)n_channels * n_frames, sizeof *frames);
   assert_true(meter && frames);
   for (uint32_t i = 0; i < n_frames; ++i) {
      for (uint32_t c = 0; c < n_channels; ++c) {
         frames[i * n_channels + c] = channels[c][i];
      }
   }
   bm_meter_add(meter, frames, n_frames);
   BmAnalysis analysis;
   assert_true(bm_meter_finish(meter, &analysis));
   const BmMeasurement figures = analysis.figures;
   bm_analysis_free(&analysis);
   bm_meter_free(meter);
   free(frames);
   return figures;
}

/* False if the form does nothing that the mono one does not: from mono to stereo without a room. */
static bool render(const char* preset, const Form* form, const ModelledTake* take, float* const out[2])
{
   BmError error = {0};
   char uri[256];
   snprintf(uri, sizeof uri, "%s%s", STRIP, form->name);
   const BmPlugin* plugin = bm_host_find(host, uri, &error);
   BmInstance* strip = plugin ? bm_instance_new(host, plugin, MODELLED_RATE_HZ, BLOCK, &error) : NULL;
   snprintf(uri, sizeof uri, "%s%s:%s", PRESET, preset, form->name);
   if (!strip || !bm_instance_load_preset(strip, uri, &error)) {
      fail_msg("%s", error.text);
   }
   const BmPort* room = bm_plugin_port(plugin, "room_in", &error);
   const bool differs = form->n_inputs == form->n_outputs || bm_instance_get(strip, room->index) > 0.5F;
   for (uint32_t start = 0; start < take->n_frames && differs; start += BLOCK) {
      const uint32_t n = take->n_frames - start < BLOCK ? take->n_frames - start : BLOCK;
      const float* from[2] = {take->channel[0] + start, take->channel[1] + start};
      float* to[2] = {out[0] + start, out[1] + start};
      bm_instance_run(strip, from, to, n);
   }
   bm_instance_free(strip);
   return differs;
}

/* How many of the demands it misses, each told. */
static int check(const Case* one, const Form* form, const ModelledTake* take)
{
   float* out[2] = {calloc(take->n_frames, sizeof(float)), calloc(take->n_frames, sizeof(float))};
   assert_true(out[0] && out[1]);
   if (!render(one->preset, form, take, out)) {
      free(out[0]);
      free(out[1]);
      return 0;
   }
   for (uint32_t i = 0; i < take->n_frames; ++i) {
      assert_true(isfinite((double)out[0][i]) && isfinite((double)out[1][i]));
   }
   float* const before_channels[2] = {take->channel[0], take->channel[form->n_inputs - 1]};
   const BmMeasurement before = measure(before_channels, form->n_outputs, take->n_frames);
   const BmMeasurement after = measure(out, form->n_outputs, take->n_frames);
   free(out[0]);
   free(out[1]);
   const double louder = after.integrated_lufs - before.integrated_lufs;
   const double mono = form->n_outputs == 1 ? 0.0 : after.mono_change_lu;
   printf(
      "   %-32s %-14s %-14s  %6.1f LUFS  %+5.2f LU  %5.1f -> %5.1f dBTP  crest %+5.1f  highs %+5.1f  mono "
      "%+5.2f -> %+5.2f LU\n",
      one->preset, one->take, form->name, before.integrated_lufs, louder, before.true_peak_dbtp,
      after.true_peak_dbtp, after.crest_db - before.crest_db, after.highs_db - before.highs_db,
      before.mono_change_lu, mono);
   const bool is_loud = !(fabs(louder) <= LOUDNESS_LU);
   const bool clips = !(after.true_peak_dbtp < TRUE_PEAK_DBTP);
   const bool falls_apart = !(fabs(mono) < MONO_LU);
   if (is_loud) {
      print_error("%s: %+.2f LU, within %g is right\n", one->preset, louder, LOUDNESS_LU);
   }
   if (clips) {
      print_error("%s: peaks at %.2f dBTP, under %g is right\n", one->preset, after.true_peak_dbtp,
                  TRUE_PEAK_DBTP);
   }
   if (falls_apart) {
      print_error("%s: %+.2f LU in mono, less than %g is right\n", one->preset, mono, MONO_LU);
   }
   return is_loud + clips + falls_apart;
}

static void every_preset_is_as_loud_as_its_take_does_not_clip_and_survives_mono(void** state)
{
   (void)state;
   int n_missed = 0;
   ModelledTake take = {{NULL, NULL}, 0};
   for (size_t i = 0; i < N_CASES; ++i) {
      if (i == 0 || strcmp(cases[i].take, cases[i - 1].take) != 0) {
         modelled_take_free(&take);
         assert_true(modelled_take(cases[i].take, DURATION_S, &take));
      }
      for (size_t f = 0; f < N_FORMS; ++f) {
         n_missed += check(&cases[i], &forms[f], &take);
      }
   }
   modelled_take_free(&take);
   assert_int_equal(n_missed, 0);
}

static void there_are_two_dozen_presets_and_each_is_checked(void** state)
{
   (void)state;
   BmError error = {0};
   const BmPlugin* plugin = bm_host_find(host, STRIP "stereo", &error);
   assert_non_null(plugin);
   assert_true(N_CASES >= 24);
   assert_int_equal(plugin->n_presets, N_CASES);
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
      cmocka_unit_test(there_are_two_dozen_presets_and_each_is_checked),
      cmocka_unit_test(every_preset_is_as_loud_as_its_take_does_not_clip_and_survives_mono),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(host);
   return n_failed;
}
