/* SPDX-License-Identifier: ISC */
#include "bench.h"
#include "command.h"

#include <errno.h>
#include <stdbool.h>
#include <stdio.h>
#include <string.h>

typedef struct {
   const char* name;
   int (*run)(int n_arguments, char** arguments);
   const char* help;
} Command;

/* No line is longer than 79 columns, the two in front counted. */
static const Command commands[] = {
   {"audition", bm_audition_command,
    "audition SESSION.ttl [-o FOLDER] [--takes FOLDER] [--stem FILE]\n"
    "      Render each alternative that a session offers, bring all to one loudness,\n"
    "      and write a page to choose by ear into FOLDER (without -o: a folder\n"
    "      SESSION-audition beside it). --stem says which stem is heard; without it,\n"
    "      the first that the alternatives reach."},
   {"begin", bm_begin_command,
    "begin TAKE... [-o SESSION.ttl]\n"
    "      Write a session to start from (without -o: session.ttl): each take's low\n"
    "      end on its lowest note, a double placed, five colours to choose from, mid\n"
    "      and side, a room, a stem."},
   {"bench", bm_bench_main,
    "bench [--quick] [--filter WORD] [--json] [--picture FILE.svg]\n"
    "           [--against FOLDER]\n"
    "      What each plugin and each part of it costs, in nanoseconds a frame and in\n"
    "      sections of a filter; `bookmatch bench --help` says what the options do."},
   {"check", bm_check_command,
    "check SESSION.ttl... [--takes FOLDER] [--against FINGERPRINT]\n"
    "           [--accept]\n"
    "      Whether a session still sounds as it did when its fingerprint was\n"
    "      recorded, and what differs first: 0 if it is identical or within\n"
    "      tolerance, 1 if it differs, 2 if it cannot be told. --accept records the\n"
    "      sound as it is."},
   {"index", bm_index_command,
    "index SESSION.ttl... -o FOLDER [--takes FOLDER] [--title TEXT]\n"
    "      One page, FOLDER/index.html, that leads to the sessions that were\n"
    "      rendered into folders there (FOLDER/NAME for NAME.ttl, or for\n"
    "      NAME/session.ttl)."},
   {"list", bm_list_command,
    "list [PLUGIN]\n"
    "      The LV2 plugins that are installed, or the ports and presets of one."},
   {"measure", bm_measure_command,
    "measure [--json] [--note HZ|NOTE] FILE...\n"
    "      Loudness, peaks, dynamics, spectrum, lowest note and stereo of audio\n"
    "      files. --note gives the lowest note (82.4, or E2) instead of having it\n"
    "      found."},
   {"render", bm_render_command,
    "render SESSION.ttl [-o FOLDER] [--takes FOLDER] [--json]\n"
    "           [--no-report] [--times]\n"
    "      Render a session's stems and its report into FOLDER (without -o: a folder\n"
    "      of the session's name beside it). Takes are sought beside the session, or\n"
    "      in --takes. --times says where the processor time of the render went."},
   {"response", bm_response_command,
    "response [-o FILE.svg|FILE.html] [--json] [--rate HZ]\n"
    "           [--level DBFS] [--input both|left|side] PLUGIN [port=value...]\n"
    "      Magnitude, phase, latency and harmonics of a plugin as hosted, by a small\n"
    "      impulse and by sines."},
};

static bool asks_for_help(const char* argument)
{
   return !strcmp(argument, "--help") || !strcmp(argument, "-h") || !strcmp(argument, "help");
}

static int print_usage(FILE* stream)
{
   fputs("bookmatch " BM_VERSION ": the bench of the Bookmatch plugins. Plugins are found by\n"
         "LV2_PATH, or in the standard folders.\n\n",
         stream);
   for (size_t n = 0; n < sizeof(commands) / sizeof(commands[0]); ++n) {
      fprintf(stream, "  bookmatch %s\n", commands[n].help);
   }
   return stream == stdout ? 0 : 2;
}

int main(int argc, char** argv)
{
   if (argc < 2) {
      return print_usage(stderr);
   }
   if (argc == 2 && !strcmp(argv[1], "--version")) {
      return puts("bookmatch " BM_VERSION) < 0;
   }
   int status = -1;
   for (size_t n = 0; n < sizeof(commands) / sizeof(commands[0]); ++n) {
      if (!strcmp(argv[1], commands[n].name)) {
         if (argc == 3 && asks_for_help(argv[2]) && commands[n].run != bm_bench_main) {
            printf("bookmatch %s\n", commands[n].help);
            status = 0;
         } else {
            status = commands[n].run(argc - 2, argv + 2);
            if (status == 2 && argc == 2) {
               fprintf(stderr, "usage: bookmatch %s\n", commands[n].help);
            }
         }
      }
   }
   if (asks_for_help(argv[1])) {
      status = print_usage(stdout);
   }
   if (status < 0) {
      fprintf(stderr, "bookmatch: there is no \"%s\"; `bookmatch --help` names what there is\n", argv[1]);
      return 2;
   }
   if (fflush(stdout) || ferror(stdout)) {
      fprintf(stderr, "bookmatch: standard output: %s\n", strerror(errno));
      return 1;
   }
   return status;
}
