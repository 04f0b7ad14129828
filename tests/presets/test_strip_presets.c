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

/* What a preset's name or sentence says of the sound, as far as a figure tells: by a decibel and more. */
typedef enum { ANY, BRIGHTER, DARKER, EVENER, DARKER_AND_EVENER, WARM } Intent;

typedef struct {
   const char* preset;
   const char* take;
   Intent intent;
} Case;

static const Case cases[] = {
   {"strummed-bed-under-a-voice", "strummed", EVENER},
   {"strum-that-drives-the-song", "strummed", EVENER},
   {"doubled-strums-steady-and-wide", "strummed", ANY},
   {"picked-part-up-front", "phrase", ANY},
   {"arpeggio-like-glass", "phrase", BRIGHTER},
   {"thumb-and-fingers-in-balance", "picked", ANY},
   {"nylon-warm-and-near", "nylon", WARM},
   {"nylon-on-a-recital-stage", "nylon", ANY},
   {"flesh-instead-of-nails", "nylon", DARKER},
   {"twelve-strings-one-shimmer", "twelve-string", BRIGHTER},
   {"twelve-strings-behind-a-choir", "twelve-string", DARKER},
   {"baritone-deep-but-clear", "baritone", BRIGHTER},
   {"baritone-drone", "baritone", ANY},
   {"ukulele-with-a-body", "ukulele", DARKER},
   {"ukulele-at-the-front-step", "ukulele", EVENER},
   {"mandolin-chop-and-tune", "mandolin", DARKER_AND_EVENER},
   {"tremolo-like-a-bow", "mandolin", DARKER},
   {"banjo-rolls-even", "banjo", EVENER},
   {"banjo-across-the-yard", "banjo", DARKER},
   {"violin-rosin-tamed", "violin", DARKER},
   {"fiddle-for-the-dance", "violin", ANY},
   {"cello-one-long-line", "cello", ANY},
   {"cello-under-the-guitars", "cello", DARKER},
   {"bass-notes-one-can-follow", "double-bass", BRIGHTER},
   {"bass-round-and-slow", "double-bass", EVENER},
   {"slide-comes-forward", "resonator", ANY},
   {"resonator-in-a-tin-room", "resonator", EVENER},
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

static BmInstance* strip_new(const Form* form)
{
   BmError error = {0};
   char uri[256];
   snprintf(uri, sizeof uri, "%s%s", STRIP, form->name);
   const BmPlugin* plugin = bm_host_find(host, uri, &error);
   BmInstance* strip = plugin ? bm_instance_new(host, plugin, MODELLED_RATE_HZ, BLOCK, &error) : NULL;
   if (!strip) {
      fail_msg("%s", error.text);
   }
   return strip;
}

static uint32_t index_of(const BmInstance* strip, const char* symbol)
{
   BmError error = {0};
   const BmPort* port = bm_plugin_port(bm_instance_plugin(strip), symbol, &error);
   assert_non_null(port);
   return port->index;
}

static void run(BmInstance* strip, const ModelledTake* take, float* const out[2])
{
   for (uint32_t start = 0; start < take->n_frames; start += BLOCK) {
      const uint32_t n = take->n_frames - start < BLOCK ? take->n_frames - start : BLOCK;
      const float* from[2] = {take->channel[0] + start, take->channel[1] + start};
      float* to[2] = {out[0] + start, out[1] + start};
      bm_instance_run(strip, from, to, n);
   }
}

/* What a strip misses, each demand told in a line. */
typedef struct {
   bool is_loud;
   bool clips;
   bool falls_apart;
   bool is_misnamed;
   double told[4]; /* what the strip's page tells: crest, highs, mono before and after */
} Misses;

static bool is_as_named(Intent intent, double highs_db, double crest_db)
{
   const bool is_darker = highs_db <= -1.0;
   const bool is_evener = crest_db <= -1.0;
   const bool is_it[] = {[ANY] = true,
                         [BRIGHTER] = highs_db >= 1.0,
                         [DARKER] = is_darker,
                         [EVENER] = is_evener,
                         [DARKER_AND_EVENER] = is_darker && is_evener,
                         [WARM] = highs_db <= 0.0};
   return is_it[intent];
}

static Misses judge(BmInstance* strip, const Case* one, const Form* form, const ModelledTake* take)
{
   float* out[2] = {calloc(take->n_frames, sizeof(float)), calloc(take->n_frames, sizeof(float))};
   assert_true(out[0] && out[1]);
   run(strip, take, out);
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
   printf("   %-32s %-14s %-14s  %6.1f LUFS  %+5.2f LU  %5.1f -> %5.1f dBTP  crest %+5.1f  highs %5.1f "
          "%+5.1f  mono "
          "%+5.2f -> %+5.2f LU\n",
          one->preset, one->take, form->name, before.integrated_lufs, louder, before.true_peak_dbtp,
          after.true_peak_dbtp, after.crest_db - before.crest_db, before.highs_db,
          after.highs_db - before.highs_db, before.mono_change_lu, mono);
   Misses misses = {.is_loud = !(fabs(louder) <= LOUDNESS_LU),
                    .clips = !(after.true_peak_dbtp < TRUE_PEAK_DBTP),
                    .falls_apart = !(fabs(mono) < MONO_LU),
                    .is_misnamed = !is_as_named(one->intent, after.highs_db - before.highs_db,
                                                after.crest_db - before.crest_db)};
   misses.told[0] = after.crest_db - before.crest_db;
   misses.told[1] = after.highs_db - before.highs_db;
   misses.told[2] = before.mono_change_lu;
   misses.told[3] = mono;
   if (misses.is_loud) {
      print_error("%s: %+.2f LU, within %g is right\n", one->preset, louder, LOUDNESS_LU);
   }
   if (misses.clips) {
      print_error("%s: peaks at %.2f dBTP, under %g is right\n", one->preset, after.true_peak_dbtp,
                  TRUE_PEAK_DBTP);
   }
   if (misses.falls_apart) {
      print_error("%s: %+.2f LU in mono, less than %g is right\n", one->preset, mono, MONO_LU);
   }
   if (misses.is_misnamed) {
      print_error("%s: highs %+.1f dB, crest %+.1f dB: not what it says\n", one->preset,
                  after.highs_db - before.highs_db, after.crest_db - before.crest_db);
   }
   return misses;
}

static const char* label_of(const BmInstance* strip, const char* uri)
{
   const BmPlugin* plugin = bm_instance_plugin(strip);
   for (uint32_t n = 0; n < plugin->n_presets; ++n) {
      if (!strcmp(plugin->presets[n].uri, uri)) {
         return plugin->presets[n].label;
      }
   }
   return "";
}

/* The strip's page has a row of figures for each, of the stereo form. */
static bool page_says(const Case* one, const char* label, const double told[4])
{
   char head[160];
   char line[512];
   double read[4] = {0.0};
   bool is_same = false;
   snprintf(head, sizeof head, "| %s | %s | ", label, one->take);
   FILE* page = fopen(STRIP_PAGE, "r");
   assert_non_null(page);
   while (!is_same && fgets(line, sizeof line, page)) {
      is_same = !strncmp(line, head, strlen(head)) && sscanf(line + strlen(head), "%lf | %lf | %lf, %lf |",
                                                             &read[0], &read[1], &read[2], &read[3]) == 4;
      for (int k = 0; k < 4; ++k) {
         is_same = is_same && fabs(read[k] - told[k]) < (k < 2 ? 0.15 : 0.05);
      }
   }
   fclose(page);
   if (!is_same) {
      print_error("plugins/channel-strip/README.md: its row would be %s%+.1f | %+.1f | %+.2f, %+.2f |\n",
                  head, told[0], told[1], told[2], told[3]);
   }
   return is_same;
}

/* Not where the form does nothing that the mono one does not: from mono to stereo without a room. */
static int check(const Case* one, const Form* form, const ModelledTake* take)
{
   BmError error = {0};
   char uri[256];
   BmInstance* strip = strip_new(form);
   snprintf(uri, sizeof uri, "%s%s:%s", PRESET, one->preset, form->name);
   if (!bm_instance_load_preset(strip, uri, &error)) {
      fail_msg("%s", error.text);
   }
   const bool differs =
      form->n_inputs == form->n_outputs || bm_instance_get(strip, index_of(strip, "room_in")) > 0.5F;
   const Misses misses = differs ? judge(strip, one, form, take) : (Misses){0};
   const bool is_told = form->n_inputs < 2 || page_says(one, label_of(strip, uri), misses.told);
   bm_instance_free(strip);
   return !is_told + misses.is_loud + misses.clips + misses.falls_apart + misses.is_misnamed;
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

/* A strip with everything out, on takes that miss one demand each. */
static void a_take_that_clips_is_loud_or_falls_apart_is_told_from_one_that_does_not(void** state)
{
   (void)state;
   const double pi = 3.14159265358979323846;
   const Form* stereo = &forms[N_FORMS - 1];
   const Case one = {"everything out, to be told", "tone", ANY};
   ModelledTake take = {.n_frames = 2 * MODELLED_RATE_HZ};
   take.channel[0] = calloc(take.n_frames, sizeof(float));
   take.channel[1] = calloc(take.n_frames, sizeof(float));
   assert_true(take.channel[0] && take.channel[1]);
   for (int miss = 0; miss < 4; ++miss) {
      BmInstance* strip = strip_new(stereo);
      /* A quarter of the rate, sampled half way to its peaks: these lie 3 dB over every sample. */
      const double amplitude = pow(10.0, (miss == 1 ? -0.7 : -1.5) / 20.0);
      for (uint32_t i = 0; i < take.n_frames; ++i) {
         take.channel[0][i] = (float)(amplitude * sin(0.5 * pi * i + 0.25 * pi));
         take.channel[1][i] = (miss == 3 ? -1.0F : 1.0F) * take.channel[0][i];
      }
      bm_instance_set(strip, index_of(strip, "output_gain"), miss == 2 ? -1.2F : 0.0F);
      const Misses misses = judge(strip, &one, stereo, &take);
      assert_int_equal(misses.clips, miss == 1);
      assert_int_equal(misses.is_loud, miss == 2);
      assert_int_equal(misses.falls_apart, miss == 3);
      bm_instance_free(strip);
   }
   modelled_take_free(&take);
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
      cmocka_unit_test(a_take_that_clips_is_loud_or_falls_apart_is_told_from_one_that_does_not),
      cmocka_unit_test(every_preset_is_as_loud_as_its_take_does_not_clip_and_survives_mono),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(host);
   return n_failed;
}
