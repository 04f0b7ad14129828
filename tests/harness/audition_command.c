/* SPDX-License-Identifier: ISC */
#include "command.h"

#include "audition.h"
#include "format.h"
#include "stop.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

typedef struct {
   const char* session;
   const char* takes_folder; /* NULL: the session's own */
   const char* stem;         /* NULL: not said */
   char* folder;
} Options;

static bool parse(int n_arguments, char** arguments, Options* options)
{
   *options = (Options){0};
   for (int n = 0; n < n_arguments; ++n) {
      const char* argument = arguments[n];
      const bool is_folder = !strcmp(argument, "-o");
      const bool is_takes = !strcmp(argument, "--takes");
      if (is_folder || is_takes || !strcmp(argument, "--stem")) {
         const char* value =
            bm_option_value(n_arguments, arguments, &n, is_folder || is_takes ? "a folder" : "a stem's file");
         if (!value) {
            return false;
         }
         if (is_folder) {
            free(options->folder);
            options->folder = bm_copy(value);
         } else if (is_takes) {
            options->takes_folder = value;
         } else {
            options->stem = value;
         }
      } else if (argument[0] != '-' && !options->session) {
         options->session = argument;
      } else {
         bm_tell_unknown("audition", argument);
         return false;
      }
   }
   if (!options->session) {
      fputs("bookmatch: audition needs a session\n", stderr);
      return false;
   }
   if (!options->folder) {
      options->folder = bm_print("%.*s-audition", bm_stem_size(options->session), options->session);
   }
   return true;
}

static void tell(const Options* options, const BmAudition* audition)
{
   const size_t size = strlen(options->folder);
   const char* slash = size && options->folder[size - 1] == '/' ? "" : "/";
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      const BmAuditionTake* take = &audition->takes[n];
      char gain[BM_NUMBER_BYTES];
      char loudness[BM_NUMBER_BYTES];
      char peak[BM_NUMBER_BYTES];
      bm_format_value(gain, take->gain_db, 2, true);
      bm_format_value(loudness, take->analysis.figures.integrated_lufs, 2, false);
      bm_format_value(peak, take->analysis.figures.true_peak_dbtp, 2, false);
      printf("%s%s%s  %s: %s LUFS, %s dBTP, %s dB\n", options->folder, slash, take->audio,
             take->alternative->label, loudness, peak, gain);
   }
   printf("%s%sindex.html\n", options->folder, slash);
}

int bm_audition_command(int n_arguments, char** arguments)
{
   Options options;
   if (!parse(n_arguments, arguments, &options)) {
      free(options.folder);
      return 2;
   }
   bm_catch_signals();
   BmError error = {0};
   BmAudition audition = {0};
   BmHost* host = bm_host_new(&error);
   BmSession* session = host ? bm_session_read(host, options.session, options.takes_folder, &error) : NULL;
   for (uint32_t n = 0; session && n < session->n_warnings; ++n) {
      fprintf(stderr, "bookmatch: warning: %s\n", session->warnings[n]);
   }
   const BmAuditionTask task = {options.folder, options.stem, bm_stop()};
   const bool ok = session && bm_audition_run(host, session, &task, &audition, &error);
   if (ok) {
      tell(&options, &audition);
   } else {
      fprintf(stderr, "bookmatch: %s\n", error.text);
   }
   bm_audition_free(&audition);
   bm_session_free(session);
   bm_host_free(host);
   free(options.folder);
   return ok ? 0 : 1;
}
