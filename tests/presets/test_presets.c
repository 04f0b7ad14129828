/* SPDX-License-Identifier: ISC */
/*
   If this fails, a preset does not do to a take what its name and sentence say, or it wins by being louder
   than the take, clips at nominal level, or falls apart in mono.

   Every preset is hosted in every form in which it sounds different, on a take that has what it speaks of.
   The tables in the plugins' pages are made of what is measured here: with --write, else they are compared.
*/
#include "unit_test.h"

#include "figures.h"
#include "page_table.h"
#include "preset_takes.h"
#include "promises.h"
#include "text.h"

#include <string.h>

#define TRUE_PEAK_DBTP (-1.0)
#define LOUDNESS_LU 1.0
#define MONO_LU 3.0
#define TAIL_S 0.3
#define TOLD_DB 0.16 /* two roundings, and what compilers differ by */

/* Filters take away or give, and how loud a room is, is its mix: their presets keep no level. */
static const char* const filters[] = {"fundamental-eq", "mid-side-eq", "mid-side-matrix", "room-reverb"};

static const char* plugins_folder;
static bool is_write;

typedef struct {
   const char* name;
   uint32_t n_inputs;
   uint32_t n_outputs;
} Form;

static const Form forms[] = {{"mono", 1, 1}, {"mono-to-stereo", 1, 2}, {"stereo", 2, 2}};
enum { N_FORMS = sizeof forms / sizeof *forms };

static const BmPlugin* plugin_of(const char* name, const Form* form)
{
   BmError error = {0};
   char uri[128];
   snprintf(uri, sizeof uri, "urn:bookmatch:%s#%s", name, form->name);
   return bm_host_find(hosted_host, uri, &error);
}

/* The preset of a form, or NULL if it does not come in it. */
static const BmPreset* preset_of(const Case* one, const Form* form, const BmPlugin* plugin)
{
   char uri[256];
   snprintf(uri, sizeof uri, "urn:bookmatch:%s:preset:%s:%s", one->plugin, one->preset, form->name);
   for (uint32_t n = 0; plugin && n < plugin->n_presets; ++n) {
      if (!strcmp(plugin->presets[n].uri, uri)) {
         return &plugin->presets[n];
      }
   }
   return NULL;
}

static BmInstance* instance_of(const BmPlugin* plugin, const BmPreset* preset)
{
   BmError error = {0};
   BmInstance* instance = hosted_instance(plugin, HOSTED_RATE_HZ);
   if (!bm_instance_load_preset(instance, preset->uri, &error)) {
      fail_msg("%s", error.text);
   }
   return instance;
}

static bool has_on(const BmInstance* instance, const char* symbol)
{
   BmError error = {0};
   const BmPort* port = bm_plugin_port(bm_instance_plugin(instance), symbol, &error);
   return port && bm_instance_get(instance, port->index) > 0.5F;
}

static const char* reduction_meter(const BmPlugin* plugin)
{
   BmError error = {0};
   return bm_plugin_port(plugin, "gain_reduction", &error) ? "gain_reduction" : NULL;
}

static double power_between(const HostedTake* take, uint32_t n_channels, double from_s, double to_s)
{
   const uint32_t from = (uint32_t)(from_s * HOSTED_RATE_HZ);
   const uint32_t to = (uint32_t)(to_s * HOSTED_RATE_HZ);
   double sum = 0.0;
   for (uint32_t i = from; i < to; ++i) {
      for (uint32_t c = 0; c < n_channels; ++c) {
         sum += (double)take->channel[c][i] * (double)take->channel[c][i];
      }
   }
   return sum / (to - from);
}

/* The take through the preset, its tail behind it. */
static HostedTake play(BmInstance* instance, const HostedTake* dry, double* reduction_db)
{
   HostedTake longer = hosted_take_new(dry->n_frames + (uint32_t)(TAIL_S * HOSTED_RATE_HZ));
   for (int c = 0; c < 2; ++c) {
      memcpy(longer.channel[c], dry->channel[c], dry->n_frames * sizeof(float));
   }
   double* trace = calloc(longer.n_frames / HOSTED_MS + 1, sizeof *trace);
   assert_non_null(trace);
   if (has_on(instance, "match")) { /* it first has to find its level */
      HostedTake first = hosted_run(instance, dry, NULL, NULL);
      hosted_take_free(&first);
   }
   HostedTake out = hosted_run(instance, &longer, reduction_meter(bm_instance_plugin(instance)), trace);
   *reduction_db = 0.0;
   for (uint32_t i = 0; i < longer.n_frames / HOSTED_MS; ++i) {
      *reduction_db = fmax(*reduction_db, fabs(trace[i]));
   }
   free(trace);
   hosted_take_free(&longer);
   return out;
}

/* What a preset misses, each demand told in a line. */
typedef struct {
   bool is_loud;
   bool clips;
   bool falls_apart;
} Misses;

static Misses judge(const Case* one, const Form* form, const Heard* before, const Heard* after)
{
   const BmMeasurement* dry = &before->analysis.figures;
   const BmMeasurement* wet = &after->analysis.figures;
   const double louder = wet->integrated_lufs - dry->integrated_lufs;
   const double mono = form->n_outputs == 1 ? 0.0 : wet->mono_change_lu;
   bool is_filter = false;
   for (size_t i = 0; i < sizeof filters / sizeof *filters; ++i) {
      is_filter = is_filter || !strcmp(one->plugin, filters[i]);
   }
   const Misses misses = {.is_loud = !is_filter && !(fabs(louder) <= LOUDNESS_LU),
                          .clips = !(wet->true_peak_dbtp < TRUE_PEAK_DBTP),
                          .falls_apart = strcmp(one->plugin, "mid-side-matrix") && !(fabs(mono) < MONO_LU)};
   printf("%s %s, %s on %s: %+.2f LU, %.1f dBTP, mono %+.2f LU\n", one->plugin, one->preset, form->name,
          one->take, louder, wet->true_peak_dbtp, mono);
   if (misses.is_loud) {
      print_error("%s %s: %+.2f LU, within %g is right\n", one->plugin, one->preset, louder, LOUDNESS_LU);
   }
   if (misses.clips) {
      print_error("%s %s: peaks at %.2f dBTP, under %g is right\n", one->plugin, one->preset,
                  wet->true_peak_dbtp, TRUE_PEAK_DBTP);
   }
   if (misses.falls_apart) {
      print_error("%s %s: %+.2f LU in mono, less than %g is right\n", one->plugin, one->preset, mono,
                  MONO_LU);
   }
   return misses;
}

/* The figures that every row has, then those that the sentence speaks of. */
static void add_row(BmText* table, const Case* one, const BmPreset* preset, const Heard* before,
                    const Heard* after, const TakesOnsets* onsets, const BmText* told)
{
   static const Promise columns[] = {KEPT(CREST), KEPT(ATTACK), KEPT(SPREAD), AS_BRIGHT};
   bm_text_addf(table, "| %s | %s |", preset->label, one->take);
   for (size_t i = 0; i < sizeof columns / sizeof *columns; ++i) {
      const double figure = figure_of(&columns[i], before, after, onsets, NULL);
      bm_text_addf(table, isfinite(figure) ? " %+.1f |" : " |", figure);
   }
   bm_text_addf(table, " %.1f, %.1f | %s |\n", before->analysis.figures.mono_change_lu,
                after->analysis.figures.mono_change_lu, told->chars);
}

/* Whether a form sounds different from a fuller one. From mono to stereo, the strip does only with a room;
   the other plugins do to one channel what they do to two. */
static bool differs(const Case* one, const Form* form, const BmInstance* instance)
{
   const bool is_strip = !strcmp(one->plugin, "channel-strip");
   return form->n_inputs == 2 || (is_strip && (form->n_outputs == 1 || has_on(instance, "room_in")));
}

/* A take as each form gets it, measured once. */
typedef struct {
   PresetTake take;
   bool is_heard[N_FORMS];
   HostedTake dry[N_FORMS];
   Heard heard[N_FORMS];
   TakesOnsets onsets[N_FORMS];
} Source;

static void source_hear(Source* source, size_t f)
{
   if (!source->is_heard[f]) {
      source->dry[f] = (HostedTake){{source->take.channel[0], source->take.channel[forms[f].n_inputs - 1]},
                                    source->take.n_frames};
      source->heard[f] = heard_new(&source->dry[f], forms[f].n_outputs, source->take.lowest_hz, true);
      source->onsets[f] = takes_onsets(&source->dry[f]);
      source->is_heard[f] = true;
   }
}

static void source_free(Source* source)
{
   for (size_t f = 0; f < N_FORMS; ++f) {
      if (source->is_heard[f]) {
         heard_free(&source->heard[f]);
         source->is_heard[f] = false;
      }
   }
   preset_take_free(&source->take);
}

/* How loud it is 50 to 250 ms after the take was cut off, against all before. */
static double tail_db(const HostedTake* out, uint32_t n_channels, double end_s)
{
   return 10.0 * log10(fmax(power_between(out, n_channels, end_s + 0.05, end_s + 0.25), 1e-12) /
                       power_between(out, n_channels, 0.0, end_s));
}

static bool speaks_of_sides(const Case* one)
{
   bool does = false;
   for (const Promise* promise = one->promises; promise->figure != NOTHING; ++promise) {
      does = does || figure_is_of_sides(promise->figure);
   }
   return does;
}

/* How many promises are broken, and what they came to. */
static int weigh(const Case* one, const Form* form, const Heard* before, const Heard* after,
                 const TakesOnsets* onsets, BmInstance* instance, BmText* told)
{
   int n_broken = 0;
   for (const Promise* promise = one->promises; promise->figure != NOTHING; ++promise) {
      if (!figure_is_of(promise->figure, form->n_inputs, form->n_outputs)) {
         continue;
      }
      char name[64];
      const double figure = figure_of(promise, before, after, onsets, instance);
      figure_name(promise, name, sizeof name);
      bm_text_addf(told, "%s%s %+.1f", told->length ? ", " : "", name, figure);
      if (!(figure >= promise->least && figure <= promise->most)) {
         print_error("%s %s, %s on %s: %s %+.2f, from %g to %g is what it says\n", one->plugin, one->preset,
                     form->name, one->take, name, figure, promise->least, promise->most);
         ++n_broken;
      }
   }
   return n_broken;
}

static int check(const Case* one, size_t f, Source* source, BmText* table)
{
   const Form* form = &forms[f];
   const BmPlugin* plugin = plugin_of(one->plugin, form);
   const BmPreset* preset = preset_of(one, form, plugin);
   if (!preset) {
      return 0;
   }
   BmInstance* instance = instance_of(plugin, preset);
   if (!differs(one, form, instance)) {
      bm_instance_free(instance);
      return 0;
   }
   source_hear(source, f);
   double reduction_db;
   HostedTake out = play(instance, &source->dry[f], &reduction_db);
   for (uint32_t i = 0; i < out.n_frames; ++i) {
      assert_true(isfinite((double)out.channel[0][i]) && isfinite((double)out.channel[1][i]));
   }
   const HostedTake sounding = {{out.channel[0], out.channel[1]}, source->dry[f].n_frames};
   Heard after = heard_new(&sounding, form->n_outputs, source->take.lowest_hz, speaks_of_sides(one));
   after.tail_db = tail_db(&out, form->n_outputs, sounding.n_frames / (double)HOSTED_RATE_HZ);
   after.reduction_db = reduction_db;
   const Misses misses = judge(one, form, &source->heard[f], &after);
   BmText told = {0};
   const int n_broken = weigh(one, form, &source->heard[f], &after, &source->onsets[f], instance, &told);
   printf("   %s\n", told.chars ? told.chars : "");
   if (form->n_inputs == 2) {
      add_row(table, one, preset, &source->heard[f], &after, &source->onsets[f], &told);
   }
   bm_text_free(&told);
   heard_free(&after);
   hosted_take_free(&out);
   bm_instance_free(instance);
   return n_broken + misses.is_loud + misses.clips + misses.falls_apart;
}

static bool settle(const char* plugin, BmText* table)
{
   char path[512];
   snprintf(path, sizeof path, "%s/%s/README.md", plugins_folder, plugin);
   const bool ok = page_settle(path, table->chars, TOLD_DB, is_write);
   bm_text_free(table);
   return ok;
}

static void every_preset_does_what_it_says_and_is_as_loud_as_its_take(void** state)
{
   (void)state;
   int n_missed = 0;
   BmText table = {0};
   static Source source;
   for (uint32_t i = 0; i < n_preset_cases; ++i) {
      const Case* one = &preset_cases[i];
      if (!source.take.n_frames || strcmp(one->take, preset_cases[i - 1].take) != 0) {
         source_free(&source);
         assert_true(preset_take(one->take, &source.take));
      }
      if (!table.length) {
         bm_text_add(&table, "| preset | on | crest | attack | spread | highs | mono | of what it says |\n"
                             "|---|---|---|---|---|---|---|---|\n");
      }
      for (size_t f = 0; f < N_FORMS; ++f) {
         n_missed += check(one, f, &source, &table);
      }
      const bool is_last = i + 1 == n_preset_cases || strcmp(one->plugin, preset_cases[i + 1].plugin) != 0;
      if (is_last) {
         n_missed += !settle(one->plugin, &table);
      }
   }
   bm_text_free(&table);
   source_free(&source);
   assert_int_equal(n_missed, 0);
}

static void no_preset_is_left_out_and_none_says_nothing(void** state)
{
   (void)state;
   for (uint32_t i = 0; i < n_preset_cases; ++i) {
      assert_true(preset_cases[i].promises[0].figure != NOTHING);
      for (size_t f = 0; f < N_FORMS; ++f) {
         const BmPlugin* plugin = plugin_of(preset_cases[i].plugin, &forms[f]);
         for (uint32_t n = 0; plugin && n < plugin->n_presets; ++n) {
            bool is_found = false;
            for (uint32_t k = 0; k < n_preset_cases && !is_found; ++k) {
               is_found = preset_of(&preset_cases[k], &forms[f], plugin) == &plugin->presets[n];
            }
            if (!is_found) {
               fail_msg("%s is heard nowhere", plugin->presets[n].uri);
            }
         }
      }
   }
}

/* A plugin that changes nothing, on takes that miss one demand each. */
static void a_take_that_clips_is_loud_or_falls_apart_is_told_from_one_that_does_not(void** state)
{
   (void)state;
   const Case one = {"everything out", "to be told", "tone", {{NOTHING, 0.0, 0.0, 0.0, 0.0}}};
   HostedTake tone = hosted_take_new(2 * HOSTED_RATE_HZ);
   for (int miss = 0; miss < 4; ++miss) {
      /* A quarter of the rate, sampled half way to its peaks: these lie 3 dB over every sample. */
      const double amplitude = pow(10.0, (miss == 1 ? -0.7 : -1.5) / 20.0);
      for (uint32_t i = 0; i < tone.n_frames; ++i) {
         tone.channel[0][i] = (float)(amplitude * sin(0.5 * TAKES_PI * i + 0.25 * TAKES_PI));
         tone.channel[1][i] = (miss == 3 ? -1.0F : 1.0F) * tone.channel[0][i];
      }
      HostedTake softer = hosted_take_scaled(&tone, pow(10.0, (miss == 2 ? -1.2 : 0.0) / 20.0));
      Heard before = heard_new(&tone, 2, 0.0, false);
      Heard after = heard_new(&softer, 2, 0.0, false);
      const Misses misses = judge(&one, &forms[N_FORMS - 1], &before, &after);
      assert_int_equal(misses.clips, miss == 1);
      assert_int_equal(misses.is_loud, miss == 2);
      assert_int_equal(misses.falls_apart, miss == 3);
      heard_free(&before);
      heard_free(&after);
      hosted_take_free(&softer);
   }
   hosted_take_free(&tone);
}

static void a_page_that_tells_another_figure_is_told_from_one_that_rounds(void** state)
{
   (void)state;
   assert_true(page_is_same("| Bed | -1.4 | +3.8 |", "| Bed | -1.5 | +3.8 |", TOLD_DB));
   assert_false(page_is_same("| Bed | -1.4 | +3.8 |", "| Bed | -1.4 | +3.6 |", TOLD_DB));
   assert_false(page_is_same("| Bed | -1.4 |", "| Bed | -1.4 | +3.6 |", TOLD_DB));
   assert_false(page_is_same("| Bed | -1.4 |", "| Bud | -1.4 |", TOLD_DB));
}

int main(int argc, char** argv)
{
   if (argc < 2) {
      fprintf(stderr, "usage: %s PLUGINS_FOLDER [--write]\n", argv[0]);
      return 2;
   }
   plugins_folder = argv[1];
   is_write = argc > 2 && !strcmp(argv[2], "--write");
   if (!preset_takes_are_there()) {
      return bm_test_missing("the recorded notes", "run tests/recordings/fetch");
   }
   if (!hosted_open()) {
      return 1;
   }
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(no_preset_is_left_out_and_none_says_nothing),
      cmocka_unit_test(a_take_that_clips_is_loud_or_falls_apart_is_told_from_one_that_does_not),
      cmocka_unit_test(a_page_that_tells_another_figure_is_told_from_one_that_rounds),
      cmocka_unit_test(every_preset_does_what_it_says_and_is_as_loud_as_its_take),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   bm_host_free(hosted_host);
   return n_failed;
}
