/* SPDX-License-Identifier: ISC */
#include "command.h"

#include "fingerprint.h"
#include "host.h"
#include "insert_cost.h"
#include "measure.h"
#include "progress.h"
#include "recall.h"
#include "render.h"
#include "session.h"
#include "session_report.h"
#include "stems.h"
#include "stop.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

typedef struct {
   const char* session;
   const char* takes_folder; /* NULL: the session's own */
   char* folder;
   bool is_folder_given;
   bool as_json;
   bool without_report;
   bool with_times;
} Options;

typedef struct {
   BmStems* stems;
   BmSessionReport* report; /* NULL: none is wanted */
   BmFingerprinter* fingerprinter;
   BmProgress progress;
} Listener;

static bool parse(int n_arguments, char** arguments, Options* options)
{
   *options = (Options){0};
   for (int n = 0; n < n_arguments; ++n) {
      const char* argument = arguments[n];
      if (!strcmp(argument, "-o") || !strcmp(argument, "--takes")) {
         const char* folder = bm_option_value(n_arguments, arguments, &n, "a folder");
         if (!folder) {
            return false;
         }
         if (!strcmp(argument, "-o")) {
            free(options->folder);
            options->folder = bm_copy(folder);
            options->is_folder_given = true;
         } else {
            options->takes_folder = folder;
         }
      } else if (!strcmp(argument, "--json")) {
         options->as_json = true;
      } else if (!strcmp(argument, "--no-report")) {
         options->without_report = true;
      } else if (!strcmp(argument, "--times")) {
         options->with_times = true;
      } else if (argument[0] != '-' && !options->session) {
         options->session = argument;
      } else {
         bm_tell_unknown("render", argument);
         return false;
      }
   }
   if (!options->session) {
      fputs("bookmatch: render needs a session\n", stderr);
      return false;
   }
   if (!options->folder) {
      const int size = bm_stem_size(options->session);
      options->folder = bm_print("%.*s%s", size, options->session, options->session[size] ? "" : ".stems");
   }
   return true;
}

static bool hear(void* user, const BmTapBlock* taps, uint32_t n_frames, BmError* error)
{
   Listener* listener = user;
   bm_fingerprinter_hear(listener->fingerprinter, taps, n_frames);
   return bm_stems_hear(listener->stems, taps, n_frames, error);
}

static void hear_tap(void* user, uint32_t tap, bool is_after, const float* const* channels, uint32_t n_frames)
{
   bm_session_report_hear(((const Listener*)user)->report, tap, is_after, channels, n_frames);
}

static void hear_inside(void* user, const BmInsideBlock* block)
{
   const Listener* listener = user;
   if (listener->report) {
      bm_session_report_hear_inside(listener->report, block);
   }
   bm_fingerprinter_hear_inside(listener->fingerprinter, block);
}

static void tell(void* user, uint64_t done_frames, uint64_t total_frames)
{
   bm_progress_tell(&((Listener*)user)->progress, done_frames, total_frames);
}

static void print_warnings(const BmSession* session, const BmRender* render, const BmStems* stems)
{
   for (uint32_t n = 0; n < session->n_warnings; ++n) {
      fprintf(stderr, "bookmatch: warning: %s\n", session->warnings[n]);
   }
   if (session->n_alternatives) {
      fprintf(
         stderr,
         "bookmatch: of %u alternatives \"%s\" is rendered; `bookmatch audition` compares them, bm:choice "
         "names another\n",
         session->n_alternatives, session->alternatives[session->alternative].label);
   }
   for (uint32_t n = 0; bm_render_warning(render, n); ++n) {
      fprintf(stderr, "bookmatch: warning: %s\n", bm_render_warning(render, n));
   }
   for (uint32_t n = 0; n < session->n_stems; ++n) {
      if (bm_stems_is_silent(stems, n)) {
         fprintf(stderr,
                 "bookmatch: warning: %s: holds nothing but silence; is what leads to it muted, or at 0?\n",
                 bm_stems_path(stems, n, false));
      }
      const uint64_t n_clipped = bm_stems_n_clipped(stems, n);
      if (n_clipped) {
         fprintf(stderr,
                 "bookmatch: warning: %s: %llu sample%s above full scale clipped; lower a bm:gain, or use "
                 "bm:float32\n",
                 bm_stems_path(stems, n, false), (unsigned long long)n_clipped, n_clipped == 1 ? "" : "s");
      }
   }
}

/* Say where the time went; beside the figures, so that these can still be piped. */
static void print_times(const BmSession* session, const BmRender* render, const BmStems* stems, double wall_s)
{
   const double heard_s = (double)bm_stems_n_frames(stems) / session->rate_hz;
   double tracks_s = 0.0;
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      tracks_s += session->nodes[n].is_used && session->nodes[n].is_track ? heard_s : 0.0;
   }
   uint32_t n_costs = 0;
   BmRenderCost* costs = bm_render_costs(render, &n_costs);
   double all_s = 0.0;
   for (uint32_t n = 0; n < n_costs; ++n) {
      all_s += costs[n].seconds;
   }
   fprintf(stderr,
           "%.2f s for %.2f s of sound on %u thread%s: %.1f times real time, %.1f times that of the tracks\n",
           wall_s, heard_s, bm_render_n_threads(render), bm_render_n_threads(render) == 1 ? "" : "s",
           heard_s / wall_s, tracks_s / wall_s);
   for (uint32_t n = 0; n < n_costs; ++n) {
      fprintf(stderr, "%8.2f s %5.1f %%  ", costs[n].seconds,
              100.0 * costs[n].seconds / (all_s > 0.0 ? all_s : 1.0));
      fprintf(stderr, costs[n].n_inserts ? "%s, %u insert%s\n" : "%s\n", costs[n].what, costs[n].n_inserts,
              costs[n].n_inserts == 1 ? "" : "s");
   }
   free(costs);
}

/* Say what was measured of each stem, before and after where there is a report. */
static bool print_figures(const Options* options, BmHost* host, const BmSession* session,
                          const Listener* listener, BmError* error)
{
   const char** paths = bm_calloc(session->n_stems * 2u, sizeof(char*));
   BmMeasurement* figures = bm_calloc(session->n_stems * 2u, sizeof(BmMeasurement));
   uint32_t n_files = 0;
   for (uint32_t n = 0; n < session->n_stems * 2u && !error->is_set; ++n) {
      const bool is_before = n % 2 == 0;
      paths[n_files] = bm_stems_path(listener->stems, n / 2, is_before);
      if (listener->report) {
         figures[n_files++] = *bm_session_report_figures(listener->report, n / 2, is_before);
      } else if (!is_before) {
         BmAnalysis* analysis = bm_calloc(1, sizeof(BmAnalysis));
         BmWatch watch = {.stop = bm_stop()};
         if (bm_measure_file(host, paths[n_files], 0.0, &watch, analysis, error)) {
            figures[n_files++] = analysis->figures;
            bm_analysis_free(analysis);
         }
         free(analysis);
      }
   }
   BmText text = {0};
   uint32_t n_signals = 0;
   const BmReportSignal* signals =
      listener->report ? bm_session_report_signals(listener->report, &n_signals) : NULL;
   if (!error->is_set) {
      if (options->as_json) {
         bm_text_add(&text, "{\"stems\": ");
         bm_measure_add_json(&text, paths, figures, n_files);
         bm_text_add(&text, ",\n\"inserts\": ");
         bm_insert_costs_add_json(&text, signals, n_signals);
         bm_text_add(&text, "}\n");
      } else {
         bm_measure_add_table(&text, paths, figures, n_files, bm_terminal_columns());
         bm_text_add(&text, "\n");
         bm_insert_costs_add_table(&text, signals, n_signals);
      }
      fputs(text.failed ? "" : text.chars, stdout);
   }
   bm_text_free(&text);
   free(figures);
   free(paths);
   return !error->is_set;
}

/* With the stems in a folder of the user's choice the fingerprint goes there too. Else it goes beside the
   session, and what is recorded there of the same session stays: it is what the session is held to.
   Alternatives other than the chosen one are rendered for it alone. */
static bool record(const Options* options, BmHost* host, BmSession* session, const Listener* listener,
                   BmError* error)
{
   BmFingerprint* now = bm_fingerprinter_finish(listener->fingerprinter, error);
   if (!now) {
      return false;
   }
   char* path = options->is_folder_given ? bm_print("%s/%s.fingerprint", options->folder, session->name)
                                         : bm_fingerprint_path(session->path);
   BmError none = {0};
   BmFingerprint* recorded = options->is_folder_given ? NULL : bm_fingerprint_read(path, &none);
   const bool stays = recorded && recorded->session == now->session;
   const BmFingerprint* before = stays ? bm_fingerprint_of_choice(recorded, session) : NULL;
   if (before && bm_recall_compare(before, now) == BM_RECALL_DIFFERENT) {
      fprintf(stderr,
              "bookmatch: warning: %s sounds other than %s says; `bookmatch check` tells what differs, "
              "--accept records it\n",
              session->path, path);
   }
   if (!stays) {
      now = bm_fingerprint_take(host, session, now, !options->without_report, bm_stop(), error);
   }
   const bool ok = stays || (!error->is_set && bm_fingerprint_write(now, path, error));
   bm_fingerprint_free(recorded);
   bm_fingerprint_free(now);
   free(path);
   return ok;
}

/* What comes after the last frame: names for the files, warnings, the report, figures. */
static bool conclude(const Options* options, BmHost* host, BmSession* session, const BmRender* render,
                     Listener* listener, BmError* error)
{
   if (!bm_stems_publish(listener->stems, error)) {
      return false;
   }
   print_warnings(session, render, listener->stems);
   for (uint32_t n = 0; n < session->n_stems && !options->as_json; ++n) {
      printf("%s  %.2f s\n", bm_stems_path(listener->stems, n, false),
             (double)bm_stems_n_frames(listener->stems) / session->rate_hz);
   }
   bool ok = record(options, host, session, listener, error);
   if (ok && listener->report) {
      char* page = bm_print("%s/%s.html", options->folder, session->name);
      const char* slash = strrchr(session->path, '/');
      const char* file = slash ? slash + 1 : session->path;
      char* recall = options->is_folder_given
                        ? bm_print("bookmatch check %s --against %s.fingerprint", file, session->name)
                        : bm_print("bookmatch check %s", file);
      const BmReportTask task = {listener->stems, page, recall, &listener->progress, bm_stop()};
      ok = bm_session_report_write(listener->report, &task, error);
      bm_progress_end(&listener->progress);
      if (ok && !options->as_json) {
         printf("%s\n\n", page);
      }
      free(recall);
      free(page);
   }
   return ok &&
          (!(listener->report || options->as_json) || print_figures(options, host, session, listener, error));
}

static bool render_session(const Options* options, BmHost* host, BmSession* session, BmError* error)
{
   BmRender* render = bm_render_new(host, session, error);
   if (!render) {
      return false;
   }
   Listener listener = {.fingerprinter = bm_fingerprinter_new(session, render, !options->without_report)};
   const bool with_report = !options->without_report;
   if (with_report) {
      listener.report = bm_session_report_new(host, session, render, error);
   }
   if (!error->is_set) {
      listener.stems =
         bm_stems_open(session, options->folder, bm_render_max_frames(render), with_report, error);
   }
   const BmRenderSink sink = {.user = &listener,
                              .hear = hear,
                              .hear_tap = with_report ? hear_tap : NULL,
                              .hear_inside = hear_inside,
                              .progress = tell,
                              .without_before = !with_report,
                              .stop = bm_stop()};
   bm_progress_begin(&listener.progress, session->rate_hz);
   struct timespec begun;
   struct timespec ended;
   clock_gettime(CLOCK_MONOTONIC, &begun);
   bool ok = listener.stems && bm_render_run(render, &sink, error);
   clock_gettime(CLOCK_MONOTONIC, &ended);
   bm_progress_end(&listener.progress);
   if (ok && options->with_times) {
      print_times(session, render, listener.stems,
                  (double)(ended.tv_sec - begun.tv_sec) + 1e-9 * (double)(ended.tv_nsec - begun.tv_nsec));
   }
   ok = ok && conclude(options, host, session, render, &listener, error);
   bm_session_report_free(listener.report);
   bm_fingerprinter_free(listener.fingerprinter);
   bm_stems_close(listener.stems);
   bm_render_free(render);
   return ok;
}

int bm_render_command(int n_arguments, char** arguments)
{
   Options options;
   if (!parse(n_arguments, arguments, &options)) {
      free(options.folder);
      return 2;
   }
   bm_catch_signals();
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   BmSession* session = host ? bm_session_read(host, options.session, options.takes_folder, &error) : NULL;
   const bool ok = session && render_session(&options, host, session, &error);
   if (!ok) {
      fprintf(stderr, "bookmatch: %s\n", error.text);
   }
   bm_session_free(session);
   bm_host_free(host);
   free(options.folder);
   return ok ? 0 : 1;
}
