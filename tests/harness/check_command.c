/* SPDX-License-Identifier: ISC */
#include "command.h"

#include "fingerprint.h"
#include "host.h"
#include "recall.h"
#include "session.h"
#include "stop.h"
#include "text.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Exit codes, as POSIX has them for diff. */
enum { AS_IT_WAS = 0, DIFFERENT = 1, TROUBLE = 2 };

typedef struct {
   const char** sessions;
   uint32_t n_sessions;
   const char* takes_folder; /* NULL: the session's own */
   const char* against;      /* NULL: beside the session */
   bool accepts;
} Options;

static bool parse(int n_arguments, char** arguments, Options* options)
{
   *options = (Options){.sessions = bm_calloc((uint64_t)n_arguments + 1, sizeof(char*))};
   for (int n = 0; n < n_arguments; ++n) {
      const char* argument = arguments[n];
      if (!strcmp(argument, "--takes") || !strcmp(argument, "--against")) {
         const bool is_takes = !strcmp(argument, "--takes");
         const char* value =
            bm_option_value(n_arguments, arguments, &n, is_takes ? "a folder" : "a fingerprint");
         if (!value) {
            return false;
         }
         *(is_takes ? &options->takes_folder : &options->against) = value;
      } else if (!strcmp(argument, "--accept")) {
         options->accepts = true;
      } else if (argument[0] != '-') {
         options->sessions[options->n_sessions++] = argument;
      } else {
         bm_tell_unknown("check", argument);
         return false;
      }
   }
   if (!options->n_sessions) {
      fputs("bookmatch: check needs a session\n", stderr);
      return false;
   }
   if (options->against && options->n_sessions > 1) {
      fputs("bookmatch: --against goes with one session\n", stderr);
      return false;
   }
   return true;
}

static int say(const BmSession* session, const BmFingerprint* recorded, const BmFingerprint* now)
{
   BmText text = {0};
   bm_recall_add_words(&text, session, recorded, now);
   fputs(text.failed || !text.chars ? "" : text.chars, stdout);
   bm_text_free(&text);
   return bm_recall_compare(recorded, now) == BM_RECALL_DIFFERENT ? DIFFERENT : AS_IT_WAS;
}

static bool is_identical(const BmFingerprint* recorded, const BmFingerprint* now, BmSession* session)
{
   bool is_it = true;
   uint32_t number = 0;
   for (const BmFingerprint* print = now; print; print = print->next) {
      bm_session_choose(session, number++);
      const BmFingerprint* before = bm_fingerprint_of_choice(recorded, session);
      is_it = is_it && before && bm_recall_compare(before, print) == BM_RECALL_IDENTICAL;
   }
   return is_it;
}

/* Each alternative against its own, the worst of the answers. */
static int say_all(BmSession* session, const BmFingerprint* recorded, const BmFingerprint* now)
{
   int status = AS_IT_WAS;
   uint32_t number = 0;
   for (const BmFingerprint* print = now; print; print = print->next) {
      bm_session_choose(session, number++);
      const BmFingerprint* before = bm_fingerprint_of_choice(recorded, session);
      if (!before) {
         fflush(stdout);
         fprintf(
            stderr,
            "bookmatch: %s: the alternative \"%s\" is not in the fingerprint; `bookmatch check --accept` "
            "records it\n",
            session->path, print->alternative);
      }
      const int own = before ? say(session, before, print) : TROUBLE;
      status = own > status ? own : status;
   }
   return status;
}

/* Compare by bits alone first; figures are taken in a second render, and only where they are asked for. */
static int compare(BmHost* host, BmSession* session, const char* path, BmError* error)
{
   BmFingerprint* recorded = bm_fingerprint_read(path, error);
   BmFingerprint* now = recorded ? bm_fingerprint_take(host, session, NULL, false, bm_stop(), error) : NULL;
   if (now && !is_identical(recorded, now, session)) {
      bm_fingerprint_free(now);
      now = bm_fingerprint_take(host, session, NULL, true, bm_stop(), error);
   }
   const int status = now ? say_all(session, recorded, now) : TROUBLE;
   bm_fingerprint_free(now);
   bm_fingerprint_free(recorded);
   return status;
}

static int accept(BmHost* host, BmSession* session, const char* path, BmError* error)
{
   BmFingerprint* now = bm_fingerprint_take(host, session, NULL, true, bm_stop(), error);
   if (now && bm_fingerprint_write(now, path, error)) {
      printf("%s: recorded in %s\n", session->path, path);
   }
   bm_fingerprint_free(now);
   return error->is_set ? TROUBLE : AS_IT_WAS;
}

static int check_session(const Options* options, BmHost* host, const char* session_path)
{
   BmError error = {0};
   BmSession* session = bm_session_read(host, session_path, options->takes_folder, &error);
   char* path = options->against ? bm_copy(options->against) : bm_fingerprint_path(session_path);
   const int status = !session ? TROUBLE : (options->accepts ? accept : compare)(host, session, path, &error);
   if (error.is_set) {
      fprintf(stderr, "bookmatch: %s\n", error.text);
   }
   fflush(stdout);
   free(path);
   bm_session_free(session);
   return status;
}

int bm_check_command(int n_arguments, char** arguments)
{
   Options options;
   if (!parse(n_arguments, arguments, &options)) {
      free(options.sessions);
      return TROUBLE;
   }
   bm_catch_signals();
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   int status = host ? AS_IT_WAS : TROUBLE;
   if (!host) {
      fprintf(stderr, "bookmatch: %s\n", error.text);
   }
   for (uint32_t n = 0; host && n < options.n_sessions && !*bm_stop(); ++n) {
      const int own = check_session(&options, host, options.sessions[n]);
      status = own > status ? own : status;
   }
   bm_host_free(host);
   free(options.sessions);
   return status;
}
