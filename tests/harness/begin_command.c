/* SPDX-License-Identifier: ISC */
#include "command.h"

#include "audio_file.h"
#include "error.h"
#include "format.h"
#include "host.h"
#include "note_finder.h"
#include "text.h"

#include <errno.h>
#include <math.h>
#include <stdbool.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

/* As many as fit side by side before a mix is a matter of its own. */
#define MAX_TAKES 8u

/* How far to the sides more than one take is spread. */
#define SPREAD 0.8

typedef struct {
   const char* takes[MAX_TAKES];
   uint32_t n_takes;
   const char* session;
} Options;

typedef struct {
   char* path; /* as the session has it */
   char* label;
   uint32_t n_channels;
   double lowest_note_hz; /* NaN if none was heard */
} Take;

/* What there is to choose from: one of each kind of colour, set as its preset says. */
static const struct {
   const char* label;
   const char* note;
   const char* plugin;
   const char* preset;
} colours[] = {
   {"Percussive", "FET: fast, catches the pick", "fet-compressor", "catch-the-pick"},
   {"Smooth", "Opto: follows the playing", "opto-compressor", "smooth-fingerstyle"},
   {"Steady", "Variable-mu: one level for the verse", "variable-mu-compressor", "one-level-for-the-verse"},
   {"Warm", "Tube: second harmonic, the pick untouched", "tube-saturation", "warm-and-untouched"},
   {"Rounded", "Tape: softer pick, softer highs", "tape-saturation", "round-the-pick"},
};

static bool parse(int n_arguments, char** arguments, Options* options)
{
   *options = (Options){.session = "session.ttl"};
   for (int n = 0; n < n_arguments; ++n) {
      const char* argument = arguments[n];
      if (!strcmp(argument, "-o")) {
         options->session = bm_option_value(n_arguments, arguments, &n, "a session to write");
         if (!options->session) {
            return false;
         }
      } else if (argument[0] == '-' && argument[1]) {
         bm_tell_unknown("begin", argument);
         return false;
      } else if (options->n_takes == MAX_TAKES) {
         fprintf(stderr, "bookmatch: begin takes %u takes at most\n", MAX_TAKES);
         return false;
      } else {
         options->takes[options->n_takes++] = argument;
      }
   }
   const size_t size = strlen(options->session);
   if (size < sizeof(".ttl") || strcmp(options->session + size - strlen(".ttl"), ".ttl") != 0) {
      fprintf(stderr, "bookmatch: -o names the session, which ends in .ttl, not \"%s\"\n", options->session);
      return false;
   }
   if (!options->n_takes) {
      fputs("bookmatch: begin needs a take\n", stderr);
   }
   return options->n_takes > 0;
}

static bool look_at(BmHost* host, const Options* options, uint32_t number, Take* take, BmError* error)
{
   const char* given = options->takes[number];
   BmAudioInfo info;
   if (!bm_audio_probe(given, &info, error)) {
      return false;
   }
   if (info.n_channels > BM_MAX_CHANNELS) {
      return bm_fail(error, "%s: has %u channels; begin with files of one or two", given, info.n_channels);
   }
   /* Relative names count from the session's folder. */
   char* whole = strchr(options->session, '/') ? realpath(given, NULL) : NULL;
   const char* slash = strrchr(given, '/');
   const char* name = slash ? slash + 1 : given;
   BmNotes notes = {.lowest_hz = (double)NAN};
   BmError no_note = {0};
   bm_find_notes(host, given, NULL, &notes, &no_note);
   *take = (Take){.path = bm_copy(whole ? whole : given),
                  .label = bm_print("%.*s", bm_stem_size(name), name),
                  .n_channels = info.n_channels,
                  .lowest_note_hz = notes.lowest_hz};
   bm_notes_free(&notes);
   free(whole);
   return true;
}

/* A text in quotes, as Turtle wants it. */
static void add_string(BmText* text, const char* string)
{
   bm_text_add(text, "\"");
   for (const char* c = string; *c; ++c) {
      if ((unsigned char)*c < 0x20 || *c == 0x7F) {
         bm_text_addf(text, "\\u%04X", (unsigned)*c);
      } else {
         bm_text_addf(text, *c == '"' || *c == '\\' ? "\\%c" : "%c", *c);
      }
   }
   bm_text_add(text, "\"");
}

static void add_track(BmText* text, const Take* take, uint32_t number, uint32_t n_takes)
{
   const char* form = take->n_channels == 1 ? "mono" : "stereo";
   bm_text_addf(text, "<#take-%u> a bm:Track ;\n   rdfs:label ", number + 1);
   add_string(text, take->label);
   bm_text_add(text, " ;\n   bm:take ");
   add_string(text, take->path);
   bm_text_add(text, " ;\n");
   if (take->lowest_note_hz > 0.0) {
      char note[BM_NUMBER_BYTES];
      bm_format_note(note, take->lowest_note_hz);
      bm_text_addf(text, "   # Its lowest note is %s, %.1f Hz.\n", note, take->lowest_note_hz);
   }
   bm_text_addf(
      text,
      "   # Follows the lowest note: clears what lies under it, takes 5 dB off its second harmonic.\n"
      "   bm:inserts (\n"
      "      [ rdfs:label \"Low end\" ;\n"
      "        lv2:appliesTo <urn:bookmatch:fundamental-eq#%s> ;\n"
      "        pset:preset <urn:bookmatch:fundamental-eq:preset:tame-the-boom:%s> ;\n"
      "        lv2:port [ lv2:symbol \"harmonic_gain\" ; pset:value -5.0 ] ]\n"
      "   ) ;\n",
      form, form);
   if (n_takes > 1 && take->n_channels == 1) {
      /* Two takes are placed behind, and have to come there apart. */
      const double reach = n_takes == 2 ? 1.0 : SPREAD;
      bm_text_addf(text, "   bm:pan %.2f ;\n", reach * (2.0 * number / (n_takes - 1.0) - 1.0));
   }
   bm_text_add(text, "   bm:output <#takes> .\n\n");
}

static void add_takes_bus(BmText* text, const Take* takes, uint32_t n_takes)
{
   bm_text_add(text, "<#takes> a bm:Bus ;\n   rdfs:label \"Takes\" ;\n   bm:inserts (\n");
   if (n_takes == 2 && takes[0].n_channels == 1 && takes[1].n_channels == 1) {
      bm_text_add(text,
                  "      # A double. Of two microphones of one performance: \"align\" 1 lines them up.\n"
                  "      [ rdfs:label \"Placement\" ;\n"
                  "        lv2:appliesTo <urn:bookmatch:take-placement#pair> ;\n"
                  "        lv2:port\n"
                  "           [ lv2:symbol \"pan_a\" ; pset:value -80.0 ] ,\n"
                  "           [ lv2:symbol \"pan_b\" ; pset:value 80.0 ] ]\n");
   }
   bm_text_add(text, "      # Choose by ear: bookmatch audition. Then name one in bm:choice, above.\n"
                     "      [ bm:alternatives (\n"
                     "           [ rdfs:label \"As it is\" ; bm:inserts () ]");
   for (size_t n = 0; n < sizeof colours / sizeof *colours; ++n) {
      bm_text_addf(text,
                   "\n           [ rdfs:label \"%s\" ; rdfs:comment \"%s\" ;\n"
                   "             bm:inserts ( [ lv2:appliesTo <urn:bookmatch:%s#stereo> ;\n"
                   "                pset:preset <urn:bookmatch:%s:preset:%s:stereo> ] ) ]",
                   colours[n].label, colours[n].note, colours[n].plugin, colours[n].plugin,
                   colours[n].preset);
   }
   bm_text_add(
      text, " ) ]\n"
            "      [ rdfs:label \"Mid and side\" ;\n"
            "        lv2:appliesTo <urn:bookmatch:mid-side-eq#stereo> ;\n"
            "        pset:preset <urn:bookmatch:mid-side-eq:preset:seat-the-middle-open-the-sides:stereo> ]\n"
            "   ) ;\n"
            "   bm:output <#out> ;\n"
            "   bm:send [ bm:to <#room> ; bm:gain -16.0 ] .\n\n");
}

static void add_session(BmText* text, const Take* takes, uint32_t n_takes, const char* name)
{
   bm_text_add(text,
               "# Begun by bookmatch begin. SESSION.md of Bookmatch explains every word; `bookmatch list "
               "PLUGIN` the controls.\n"
               "@prefix bm: <urn:bookmatch:vocabulary#> .\n"
               "@prefix lv2: <http://lv2plug.in/ns/lv2core#> .\n"
               "@prefix pset: <http://lv2plug.in/ns/ext/presets#> .\n"
               "@prefix rdfs: <http://www.w3.org/2000/01/rdf-schema#> .\n\n"
               "<> a bm:Session ;\n   rdfs:label ");
   add_string(text, name);
   bm_text_add(text, " ;\n   bm:choice \"As it is\" .\n\n");
   for (uint32_t n = 0; n < n_takes; ++n) {
      add_track(text, &takes[n], n, n_takes);
   }
   add_takes_bus(text, takes, n_takes);
   bm_text_add(text, "<#room> a bm:Bus ;\n   rdfs:label \"Room\" ;\n   bm:inserts (\n"
                     "      [ rdfs:label \"Room\" ;\n"
                     "        lv2:appliesTo <urn:bookmatch:room-reverb#stereo> ;\n"
                     "        pset:preset <urn:bookmatch:room-reverb:preset:on-a-send:stereo> ]\n"
                     "   ) ;\n   bm:output <#out> .\n\n"
                     "<#out> a bm:Bus ;\n   rdfs:label ");
   add_string(text, name);
   bm_text_add(text, " .\n\n<#stem> a bm:Stem ;\n   rdfs:label ");
   add_string(text, name);
   bm_text_add(text, " ;\n   bm:from <#out> ;\n   bm:file ");
   char* file = bm_print("%s.wav", name);
   add_string(text, file);
   free(file);
   bm_text_add(text, " .\n");
}

int bm_begin_command(int n_arguments, char** arguments)
{
   Options options;
   if (!parse(n_arguments, arguments, &options)) {
      return 2;
   }
   BmError error = {0};
   if (!access(options.session, F_OK)) {
      bm_fail(&error, "%s: is there already; -o names another", options.session);
   }
   BmHost* host = error.is_set ? NULL : bm_host_new(&error);
   Take takes[MAX_TAKES] = {{0}};
   for (uint32_t n = 0; n < options.n_takes && !error.is_set; ++n) {
      look_at(host, &options, n, &takes[n], &error);
   }
   const char* slash = strrchr(options.session, '/');
   const char* file = slash ? slash + 1 : options.session;
   char* name = bm_print("%.*s", bm_stem_size(file), file);
   BmText text = {0};
   if (!error.is_set) {
      add_session(&text, takes, options.n_takes, name);
      if (!bm_text_save(&text, options.session)) {
         bm_fail(&error, "%s: cannot be written: %s", options.session, strerror(errno));
      }
   }
   if (error.is_set) {
      fprintf(stderr, "bookmatch: %s\n", error.text);
   } else {
      const int stem = bm_stem_size(options.session);
      printf("%s\n\nbookmatch audition %s   # then listen: %.*s-audition/index.html\nbookmatch render %s     "
             "# stem and "
             "report, into %.*s/\nbookmatch check %s      # next year: does it still sound the same?\n",
             options.session, options.session, stem, options.session, options.session, stem, options.session,
             options.session);
   }
   bm_text_free(&text);
   free(name);
   for (uint32_t n = 0; n < options.n_takes; ++n) {
      free(takes[n].path);
      free(takes[n].label);
   }
   bm_host_free(host);
   return error.is_set ? 1 : 0;
}
