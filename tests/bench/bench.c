/* SPDX-License-Identifier: ISC */
#include "bench.h"

#include "costs.h"
#include "host.h"
#include "plugin_subject.h"
#include "processors.h"
#include "workload.h"
#include "yardstick.h"

#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define TARGET_RATE_HZ 48000.0
#define LAP_FRAMES 8192
#define N_WORST_LAPS 3
#define WORST_BLOCK_FRAMES 64
#define WORST_S 0.3
#define FULL_ROUNDS 11
#define QUICK_ROUNDS 7

typedef struct {
   bool quick;
   bool json;
   const char* filter;  /* NULL: everything */
   const char* against; /* a folder with another build's bundle */
   const char* picture; /* a file to draw to */
   BmStopwatch watch;
   BmSubject* section;
   BmSubject* gain;
   BmCost* costs;
   uint32_t n_costs;
   bool failed;
} Bench;

static const char usage[] =
   "bookmatch bench [--quick] [--filter WORD] [--json] [--picture FILE.svg] [--against FOLDER]\n"
   "What plugins and processors cost: nanoseconds a frame, and the same in U, the cost of one second-order\n"
   "section measured in the same run. Plugins are found by LV2_PATH.\n"
   "  --quick           48 kHz only, no mono forms, fewer rounds\n"
   "  --filter WORD     only what has WORD in its name (\"fundamental-eq\", \"stereo\", \"processor\")\n"
   "  --json            all figures as JSON instead of tables\n"
   "  --picture FILE    draw the plugins' costs beside their targets, as SVG\n"
   "  --against FOLDER  compare the plugins with those of another build, whose bundle is in FOLDER, turn by\n"
   "                    turn in one run\n";

static uint32_t n_rounds(const Bench* bench)
{
   return bench->quick ? QUICK_ROUNDS : FULL_ROUNDS;
}

static bool is_wanted(const Bench* bench, const char* kind, const char* name, const char* form)
{
   char words[3 * BM_COST_NAME_SIZE];
   snprintf(words, sizeof words, "%s %s %s", kind, name, form);
   return !bench->filter || strstr(words, bench->filter);
}

static void show_progress(const Bench* bench, const char* name, const char* form, double rate_hz)
{
   (void)bench;
   if (isatty(STDERR_FILENO)) {
      fprintf(stderr, "\r\033[K%s %s %g kHz\r", name, form, rate_hz / 1000.0);
   }
}

static void print(BmText* text)
{
   fputs(text->chars ? text->chars : "", stdout);
   fflush(stdout);
   bm_text_free(text);
}

/* Race the states of one subject, block size by block size, with the two units in the same rounds. */
static void measure(const Bench* bench, BmCost* cost, BmSubject* const subjects[BM_N_STATES])
{
   BmRace races[2 + BM_N_STATES * BM_MAX_BLOCKS] = {
      {.subject = bench->section, .block_frames = WORST_BLOCK_FRAMES, .lap_frames = LAP_FRAMES},
      {.subject = bench->gain, .block_frames = WORST_BLOCK_FRAMES, .lap_frames = LAP_FRAMES},
   };
   uint32_t n_races = 2;
   for (uint32_t state = 0; state < BM_N_STATES; ++state) {
      for (uint32_t b = 0; b < cost->n_blocks && subjects[state]; ++b) {
         races[n_races++] = (BmRace){
            .subject = subjects[state], .block_frames = cost->block_frames[b], .lap_frames = LAP_FRAMES};
      }
   }
   bm_race(bench->watch, races, n_races, n_rounds(bench));
   const BmRace* race = &races[2];
   for (uint32_t state = 0; state < BM_N_STATES; ++state) {
      cost->is_measured[state] = subjects[state] != NULL;
      for (uint32_t b = 0; b < cost->n_blocks && subjects[state]; ++b, ++race) {
         cost->ns[state][b] = race->ns_per_frame;
         cost->units[state][b] = bm_race_ratio(race, &races[0], n_rounds(bench));
         cost->gains[state][b] = bm_race_ratio(race, &races[1], n_rounds(bench));
      }
      if (subjects[state] && (state == BM_STATE_ACTIVE || state == BM_STATE_MOVING)) {
         const uint32_t n_blocks = (uint32_t)(WORST_S * cost->rate_hz / WORST_BLOCK_FRAMES);
         cost->worst_block[state] =
            bm_worst_block(bench->watch, subjects[state], WORST_BLOCK_FRAMES, n_blocks, N_WORST_LAPS);
      }
   }
}

static BmCost* add_cost(Bench* bench, bool is_plugin, const char* name, const char* form, double rate_hz)
{
   static const uint32_t all_blocks[BM_MAX_BLOCKS] = {16, 64, 256, 1024, 4096, 8192};
   bench->costs = bm_realloc(bench->costs, bench->n_costs + 1, sizeof *bench->costs);
   BmCost* cost = &bench->costs[bench->n_costs++];
   *cost = (BmCost){.is_plugin = is_plugin, .rate_hz = rate_hz};
   snprintf(cost->name, sizeof cost->name, "%s", name);
   snprintf(cost->form, sizeof cost->form, "%s", form);
   cost->n_blocks = rate_hz == TARGET_RATE_HZ ? BM_MAX_BLOCKS : 4;
   memcpy(cost->block_frames, all_blocks, sizeof all_blocks);
   return cost;
}

static void conclude(const Bench* bench, const BmCost* cost)
{
   if (!bench->json) {
      BmText text = {0};
      bm_costs_add_table(&text, cost);
      print(&text);
   }
}

static bool new_subjects(const BmPlugin* plugin, double rate_hz, BmSubject* subjects[BM_N_STATES],
                         BmError* error)
{
   for (uint32_t state = 0; state < BM_N_STATES; ++state) {
      if (state == BM_STATE_BYPASSED && !plugin->enabled) {
         continue;
      }
      subjects[state] = bm_plugin_subject_new(plugin, rate_hz, (BmState)state, error);
      if (!subjects[state]) {
         return false;
      }
   }
   return true;
}

static void free_subjects(BmSubject* subjects[BM_N_STATES])
{
   for (uint32_t state = 0; state < BM_N_STATES; ++state) {
      bm_subject_free(subjects[state]);
   }
}

static void measure_plugin(Bench* bench, const BmPlugin* plugin, const char* name, double rate_hz)
{
   show_progress(bench, name, bm_plugin_form(plugin), rate_hz);
   BmError error = {0};
   BmSubject* subjects[BM_N_STATES] = {NULL};
   double instantiate_ms = 0.0;
   size_t bytes = 0;
   if (bm_plugin_footprint(plugin, bench->watch, rate_hz, &instantiate_ms, &bytes, &error) &&
       new_subjects(plugin, rate_hz, subjects, &error)) {
      BmCost* cost = add_cost(bench, true, name, bm_plugin_form(plugin), rate_hz);
      cost->instantiate_ms = instantiate_ms;
      cost->bytes = bytes;
      measure(bench, cost, subjects);
      conclude(bench, cost);
   } else {
      fprintf(stderr, "bookmatch: %s\n", error.text);
      bench->failed = true;
   }
   free_subjects(subjects);
}

static void measure_processor(Bench* bench, const BmProcessor* processor, double rate_hz)
{
   show_progress(bench, processor->name, "", rate_hz);
   BmSubject* subjects[BM_N_STATES] = {NULL};
   for (uint32_t state = 0; state < BM_N_STATES; ++state) {
      if (state != BM_STATE_BYPASSED && (state != BM_STATE_MOVING || processor->set)) {
         subjects[state] = bm_processor_subject_new(processor, rate_hz, (BmState)state);
      }
   }
   BmCost* cost = add_cost(bench, false, processor->name, "", rate_hz);
   cost->bytes = bm_processor_bytes(processor, rate_hz);
   measure(bench, cost, subjects);
   conclude(bench, cost);
   free_subjects(subjects);
}

static void measure_all(Bench* bench, BmHost* host)
{
   static const double rates_hz[] = {44100.0, TARGET_RATE_HZ, 96000.0, 192000.0};
   if (!bench->json) {
      printf("ns a frame, and U; medians of %u rounds of %d frames; worst block of %d frames over the median "
             "one\n",
             n_rounds(bench), LAP_FRAMES, WORST_BLOCK_FRAMES);
   }
   for (size_t r = 0; r < sizeof rates_hz / sizeof *rates_hz; ++r) {
      if (bench->quick && rates_hz[r] != TARGET_RATE_HZ) {
         continue;
      }
      for (uint32_t i = 0; i < bm_host_n_plugins(host); ++i) {
         const BmPlugin* plugin = bm_host_plugin(host, i);
         char name[BM_PLUGIN_NAME_SIZE];
         if (bm_plugin_name(plugin, name) && is_wanted(bench, "plugin", name, bm_plugin_form(plugin)) &&
             !(bench->quick && !strcmp(bm_plugin_form(plugin), "mono"))) {
            measure_plugin(bench, plugin, name, rates_hz[r]);
         }
      }
      for (uint32_t i = 0; i < bm_n_processors; ++i) {
         if (is_wanted(bench, "processor", bm_processors[i].name, "")) {
            measure_processor(bench, &bm_processors[i], rates_hz[r]);
         }
      }
   }
   BmText text = {0};
   if (bench->json) {
      bm_costs_add_json(&text, bench->costs, bench->n_costs);
   } else {
      bm_costs_add_targets(&text, bench->costs, bench->n_costs);
   }
   print(&text);
   if (bench->picture) {
      BmText picture = {0};
      bm_costs_add_picture(&picture, bench->costs, bench->n_costs);
      if (!bm_text_save(&picture, bench->picture)) {
         fprintf(stderr, "bookmatch: %s: %s\n", bench->picture, strerror(errno));
         bench->failed = true;
      }
      bm_text_free(&picture);
   }
}

static void compare_plugin(Bench* bench, const BmPlugin* here, const BmPlugin* there, const char* name)
{
   static const uint32_t blocks[] = {64, 1024};
   enum { N_BLOCKS = sizeof blocks / sizeof *blocks };
   BmError error = {0};
   BmSubject* subjects[2][BM_N_STATES] = {{NULL}};
   show_progress(bench, name, bm_plugin_form(here), TARGET_RATE_HZ);
   if (new_subjects(here, TARGET_RATE_HZ, subjects[0], &error) &&
       new_subjects(there, TARGET_RATE_HZ, subjects[1], &error)) {
      BmRace races[BM_N_STATES * N_BLOCKS * 2];
      uint32_t n_races = 0;
      for (uint32_t state = 0; state < BM_N_STATES; ++state) {
         for (uint32_t b = 0; b < N_BLOCKS && subjects[0][state] && subjects[1][state]; ++b) {
            for (uint32_t build = 0; build < 2; ++build) {
               races[n_races++] = (BmRace){
                  .subject = subjects[build][state], .block_frames = blocks[b], .lap_frames = LAP_FRAMES};
            }
         }
      }
      bm_race(bench->watch, races, n_races, n_rounds(bench));
      printf("\n%s %s, %g kHz\n", name, bm_plugin_form(here), TARGET_RATE_HZ / 1000.0);
      const BmRace* race = races;
      for (uint32_t state = 0; state < BM_N_STATES; ++state) {
         for (uint32_t b = 0; b < N_BLOCKS && subjects[0][state] && subjects[1][state]; ++b, race += 2) {
            printf("  %-9s%6u frames%9.2f ns here%9.2f ns there, here/there %.3f\n",
                   bm_state_name((BmState)state), blocks[b], race[0].ns_per_frame, race[1].ns_per_frame,
                   bm_race_ratio(&race[0], &race[1], n_rounds(bench)));
         }
      }
   } else {
      fprintf(stderr, "bookmatch: %s\n", error.text);
      bench->failed = true;
   }
   free_subjects(subjects[0]);
   free_subjects(subjects[1]);
}

static void compare_all(Bench* bench, BmHost* host)
{
   BmError error = {0};
   setenv("LV2_PATH", bench->against, 1);
   BmHost* other = bm_host_new(&error);
   if (!other) {
      fprintf(stderr, "bookmatch: %s\n", error.text);
      bench->failed = true;
      return;
   }
   uint32_t n_compared = 0;
   for (uint32_t i = 0; i < bm_host_n_plugins(host); ++i) {
      const BmPlugin* here = bm_host_plugin(host, i);
      char name[BM_PLUGIN_NAME_SIZE];
      BmError missing = {0};
      const BmPlugin* there = bm_host_find(other, here->uri, &missing);
      if (there && bm_plugin_name(here, name) && is_wanted(bench, "plugin", name, bm_plugin_form(here)) &&
          !(bench->quick && !strcmp(bm_plugin_form(here), "mono"))) {
         compare_plugin(bench, here, there, name);
         ++n_compared;
      }
   }
   if (!n_compared) {
      fprintf(stderr,
              "bookmatch: %s holds none of the plugins to compare; the folder that holds bookmatch.lv2 "
              "would be right\n",
              bench->against);
      bench->failed = true;
   }
   bm_host_free(other);
}

static bool read_arguments(Bench* bench, int n_arguments, char** arguments)
{
   for (int i = 0; i < n_arguments; ++i) {
      const char* word = arguments[i];
      const bool takes_value =
         !strcmp(word, "--filter") || !strcmp(word, "--against") || !strcmp(word, "--picture");
      if (takes_value && i + 1 == n_arguments) {
         fprintf(stderr, "bookmatch: %s needs a value; `bookmatch bench --help` tells more\n", word);
         return false;
      }
      if (!strcmp(word, "--quick")) {
         bench->quick = true;
      } else if (!strcmp(word, "--json")) {
         bench->json = true;
      } else if (!strcmp(word, "--filter")) {
         bench->filter = arguments[++i];
      } else if (!strcmp(word, "--picture")) {
         bench->picture = arguments[++i];
      } else if (!strcmp(word, "--against")) {
         bench->against = arguments[++i];
      } else {
         fprintf(stderr, "bookmatch: there is no \"%s\"; `bookmatch bench --help` names what there is\n",
                 word);
         return false;
      }
   }
   if (bench->against && (bench->json || bench->picture)) {
      fputs("bookmatch: --against goes with neither --json nor --picture; a comparison is a table\n", stderr);
      return false;
   }
   return true;
}

int bm_bench_main(int n_arguments, char** arguments)
{
   if (n_arguments == 1 && !strcmp(arguments[0], "--help")) {
      fputs(usage, stdout);
      return 0;
   }
   Bench bench = {.watch = bm_stopwatch()};
   if (!read_arguments(&bench, n_arguments, arguments)) {
      return 2;
   }
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   if (!host) {
      fprintf(stderr, "bookmatch: %s\n", error.text);
      return 1;
   }
   bench.section = bm_yardstick_section_new();
   bench.gain = bm_yardstick_gain_new();
   if (bench.against) {
      compare_all(&bench, host);
   } else {
      measure_all(&bench, host);
      if (!bench.n_costs) {
         fprintf(stderr, "bookmatch: nothing here is called \"%s\"\n", bench.filter ? bench.filter : "");
         bench.failed = true;
      }
   }
   free(bench.costs);
   bm_subject_free(bench.section);
   bm_subject_free(bench.gain);
   bm_host_free(host);
   return bench.failed ? 1 : 0;
}
