/* SPDX-License-Identifier: ISC */
#include "command.h"

#include "audio_file.h"
#include "format.h"
#include "host.h"
#include "insert_cost.h"
#include "measure.h"
#include "note_finder.h"
#include "plugin_name.h"
#include "report.h"
#include "session.h"
#include "text.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define BLOCK_FRAMES 4096u

/* Peaks closer than this are the same sound: 16 bits. */
#define SAME_LIN (1.0f / 32768.0f)

static const char lead[] =
   "Each card is one session. Listen before and after, held at equal loudness; the line "
   "under each says what changed, and the report behind the title has the pictures, "
   "all figures and every setting.";

typedef struct {
   const char** sessions;
   uint32_t n_sessions;
   const char* takes_folder; /* NULL: the session's own */
   const char* folder;
   const char* title;
} Options;

/* What a card shows, and what that borrows. */
typedef struct {
   BmReportIndexEntry entry;
   BmReportIndexPlayer players[BM_INDEX_MAX_PLAYERS];
   BmSession* session;
   char* folder; /* of its render, from the index */
   char* page;
   char* audition;
   char* chain;
   char* paths[BM_INDEX_MAX_PLAYERS];
   char* words[BM_INDEX_MAX_PLAYERS];
   BmAnalysis* before; /* [n_stems] */
   BmAnalysis* after;
} Card;

static bool parse(int n_arguments, char** arguments, Options* options)
{
   *options = (Options){.sessions = bm_calloc((uint64_t)n_arguments + 1, sizeof(char*)), .title = "Sessions"};
   for (int n = 0; n < n_arguments; ++n) {
      const char* argument = arguments[n];
      const bool is_title = !strcmp(argument, "--title");
      if (is_title || !strcmp(argument, "-o") || !strcmp(argument, "--takes")) {
         const char* value = bm_option_value(n_arguments, arguments, &n, is_title ? "a title" : "a folder");
         if (!value) {
            return false;
         }
         *(is_title             ? &options->title
           : argument[1] == 'o' ? &options->folder
                                : &options->takes_folder) = value;
      } else if (argument[0] != '-') {
         options->sessions[options->n_sessions++] = argument;
      } else {
         bm_tell_unknown("index", argument);
         return false;
      }
   }
   if (!options->n_sessions || !options->folder) {
      fprintf(stderr, "bookmatch: index needs %s\n",
              options->folder ? "a session" : "-o, the folder that holds the renders");
      return false;
   }
   return true;
}

/* ---- a stem, as far as a card shows it ---- */

/* All but the true peak, which is dear, and which a card does not show. */
static bool look_at(const char* path, double lowest_note_hz, BmAnalysis* analysis, BmError* error)
{
   BmAudioInfo info;
   if (!bm_audio_probe(path, &info, error)) {
      return false;
   }
   const uint32_t n_channels = info.n_channels;
   if (n_channels > BM_MAX_CHANNELS) {
      return bm_fail(error, "%s: has %u channels; a stem has one or two", path, n_channels);
   }
   const BmTakeOptions options = {.rate_hz = info.rate_hz};
   const BmMeterOptions wanted = {.sample_rate_hz = info.rate_hz,
                                  .n_channels = n_channels,
                                  .lowest_note_hz = isfinite(lowest_note_hz) ? lowest_note_hz : 0.0,
                                  .without_true_peak = true};
   BmTake* take = bm_take_open(path, &options, error);
   BmMeter* meter = bm_meter_new(&wanted);
   float* memory = bm_calloc(4u * BLOCK_FRAMES, sizeof(float));
   float* const channels[] = {memory, memory + BLOCK_FRAMES};
   float* const interleaved = memory + 2u * BLOCK_FRAMES;
   for (uint64_t done = 0; take && meter && done < info.n_frames && !error->is_set;) {
      const uint64_t left = info.n_frames - done;
      const uint32_t n_frames = left < BLOCK_FRAMES ? (uint32_t)left : BLOCK_FRAMES;
      bm_take_read(take, channels, n_frames, error);
      for (uint32_t n = 0; n < n_frames; ++n) {
         for (uint32_t c = 0; c < n_channels; ++c) {
            interleaved[n * n_channels + c] = channels[c][n];
         }
      }
      bm_meter_add(meter, interleaved, n_frames);
      done += n_frames;
   }
   if (!error->is_set && (!meter || !bm_meter_finish(meter, analysis))) {
      bm_fail(error, "%s: cannot be measured at %g Hz", path, info.rate_hz);
   }
   bm_meter_free(meter);
   bm_take_close(take);
   free(memory);
   return !error->is_set;
}

static bool is_as_before(const Card* card, uint32_t stem)
{
   const BmOutline* one = &card->before[stem].outline;
   const BmOutline* other = &card->after[stem].outline;
   for (uint32_t n = 0; n < one->n_columns; ++n) {
      if (fabsf(one->min[n] - other->min[n]) > SAME_LIN || fabsf(one->max[n] - other->max[n]) > SAME_LIN) {
         return false;
      }
   }
   return true;
}

/* ---- a card ---- */

/* Where the session was rendered to: a folder of its name or, as many a session is called session.ttl, of its
   folder's. */
static char* find_folder(const Options* options, const BmSession* session, const char* path, BmError* error)
{
   const char* slash = strrchr(path, '/');
   const char* before = slash;
   while (before && before > path && before[-1] != '/') {
      --before;
   }
   char* candidates[] = {bm_copy(session->name),
                         before ? bm_print("%.*s", (int)(slash - before), before) : NULL};
   char* found = NULL;
   for (int n = 0; n < 2; ++n) {
      char* page =
         bm_print("%s/%s/%s.html", options->folder, candidates[n] ? candidates[n] : "", session->name);
      if (!found && candidates[n] && !access(page, R_OK)) {
         found = bm_copy(candidates[n]);
      }
      free(page);
   }
   if (!found) {
      bm_fail(error, "%s: no %s.html in %s/%s; `bookmatch render %s -o %s/%s` makes it", path, session->name,
              options->folder, candidates[1] ? candidates[1] : candidates[0], path, options->folder,
              candidates[1] ? candidates[1] : candidates[0]);
   }
   free(candidates[0]);
   free(candidates[1]);
   return found;
}

static char* stem_path(const Card* card, uint32_t stem, bool before)
{
   const char* file = card->session->stems[stem].file;
   return before ? bm_print("%s/%.*s.before.wav", card->folder, (int)(strlen(file) - strlen(".wav")), file)
                 : bm_print("%s/%s", card->folder, file);
}

/* Both of a stem are weighed against one note: the lowest that sounds in the first that has any. */
static bool look_at_stems(const Options* options, BmHost* host, Card* card, BmError* error)
{
   const uint32_t n_stems = card->session->n_stems;
   double note_hz = (double)NAN;
   card->before = bm_calloc(n_stems, sizeof(BmAnalysis));
   card->after = bm_calloc(n_stems, sizeof(BmAnalysis));
   for (uint32_t n = 0; n < 2u * n_stems && !error->is_set; ++n) {
      const bool before = n % 2u == 0;
      char* path = stem_path(card, n / 2u, before);
      char* from_here = bm_print("%s/%s", options->folder, path);
      BmNotes notes = {.lowest_hz = (double)NAN};
      BmError no_note = {0};
      if (before && isnan(note_hz) && bm_find_notes(host, from_here, NULL, &notes, &no_note)) {
         note_hz = notes.lowest_hz;
      }
      bm_notes_free(&notes);
      look_at(from_here, note_hz, before ? &card->before[n / 2u] : &card->after[n / 2u], error);
      free(from_here);
      free(path);
   }
   return !error->is_set;
}

/* "-17.4 LUFS, -1.3 LU in mono", and what became of it on the way. */
static char* describe(const Card* card, uint32_t stem, bool before)
{
   const BmMeasurement* own = before ? &card->before[stem].figures : &card->after[stem].figures;
   char loudness[BM_NUMBER_BYTES];
   char mono[BM_NUMBER_BYTES];
   bm_format_value(loudness, own->integrated_lufs, 1, false);
   bm_format_value(mono, own->mono_change_lu, 1, true);
   char* words = before || !isfinite(card->before[stem].figures.integrated_lufs)
                    ? bm_copy("")
                    : bm_insert_cost_words(&card->before[stem].figures, own);
   char* all =
      bm_print("%s LUFS%s%s%s%s%s", loudness, isfinite(own->mono_change_lu) ? ", " : "",
               isfinite(own->mono_change_lu) ? mono : "", isfinite(own->mono_change_lu) ? " LU in mono" : "",
               words[0] ? ". Against before: " : "", words);
   free(words);
   return all;
}

static void add_player(Card* card, uint32_t stem, bool before, const char* label)
{
   BmReportIndexEntry* entry = &card->entry;
   if (entry->n_players == BM_INDEX_MAX_PLAYERS) {
      return;
   }
   card->paths[entry->n_players] = stem_path(card, stem, before);
   card->words[entry->n_players] = describe(card, stem, before);
   const BmAnalysis* analysis = before ? &card->before[stem] : &card->after[stem];
   card->players[entry->n_players] =
      (BmReportIndexPlayer){.label = label,
                            .audio = card->paths[entry->n_players],
                            .words = card->words[entry->n_players],
                            .integrated_lufs = analysis->figures.integrated_lufs,
                            .is_before = before};
   ++entry->n_players;
}

/* The names of the plugins, each once, in the order of the sound. */
static char* chain_of(const BmSession* session)
{
   char* chain = bm_copy("");
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      const BmNode* node = &session->nodes[n];
      for (uint32_t i = 0; i < node->n_inserts && node->is_used; ++i) {
         if (node->inserts[i].is_bypassed) {
            continue;
         }
         char* name = bm_short_plugin_name(node->inserts[i].plugin->name);
         if (!strstr(chain, name)) {
            char* longer = bm_print("%s%s%s", chain, chain[0] ? ", " : "", name);
            free(chain);
            chain = longer;
         }
         free(name);
      }
   }
   char* sentence = chain[0] ? bm_print("Plugins: %s", chain) : NULL;
   free(chain);
   return sentence;
}

static bool fill_card(const Options* options, BmHost* host, const char* path, Card* card, BmError* error)
{
   card->session = bm_session_read(host, path, options->takes_folder, error);
   card->folder = card->session ? find_folder(options, card->session, path, error) : NULL;
   if (!card->folder || !look_at_stems(options, host, card, error)) {
      return false;
   }
   const BmSession* session = card->session;
   uint32_t shown = 0;
   while (shown + 1u < session->n_stems && is_as_before(card, shown)) {
      ++shown;
   }
   add_player(card, shown, true, "Before");
   for (uint32_t n = 0; n < session->n_stems; ++n) {
      if (n == shown || !is_as_before(card, n)) {
         add_player(card, n, false, session->n_stems > 1u ? session->stems[n].label : "After");
      }
   }
   card->page = bm_print("%s/%s.html", card->folder, session->name);
   card->audition = bm_print("%s/audition/index.html", card->folder);
   char* audition = bm_print("%s/%s", options->folder, card->audition);
   const bool has_audition = !access(audition, R_OK);
   free(audition);
   card->chain = chain_of(session);
   card->entry.title = session->title;
   card->entry.summary = session->note[0] ? session->note : NULL;
   card->entry.chain = card->chain;
   card->entry.page = card->page;
   card->entry.audition = has_audition ? card->audition : NULL;
   card->entry.players = card->players;
   card->entry.before = &card->before[shown];
   card->entry.after = &card->after[shown];
   return true;
}

static void card_free(Card* card)
{
   const uint32_t n_stems = card->session ? card->session->n_stems : 0;
   bm_session_free(card->session);
   free(card->folder);
   free(card->page);
   free(card->audition);
   free(card->chain);
   for (uint32_t n = 0; card->after && n < n_stems; ++n) {
      bm_analysis_free(&card->before[n]);
      bm_analysis_free(&card->after[n]);
   }
   free(card->before);
   free(card->after);
   for (uint32_t n = 0; n < BM_INDEX_MAX_PLAYERS; ++n) {
      free(card->paths[n]);
      free(card->words[n]);
   }
}

int bm_index_command(int n_arguments, char** arguments)
{
   Options options;
   if (!parse(n_arguments, arguments, &options)) {
      free(options.sessions);
      return 2;
   }
   BmError error = {0};
   BmHost* host = bm_host_new(&error);
   Card* cards = bm_calloc(options.n_sessions, sizeof(Card));
   BmReportIndexEntry* entries = bm_calloc(options.n_sessions, sizeof(BmReportIndexEntry));
   for (uint32_t n = 0; n < options.n_sessions && !error.is_set; ++n) {
      if (fill_card(&options, host, options.sessions[n], &cards[n], &error)) {
         entries[n] = cards[n].entry;
      }
   }
   char* page = bm_print("%s/index.html", options.folder);
   if (!error.is_set && !bm_report_write_index(options.title, lead, entries, options.n_sessions, page)) {
      bm_fail(&error, "%s: cannot be written: %s", page, strerror(errno));
   }
   if (error.is_set) {
      fprintf(stderr, "bookmatch: %s\n", error.text);
   } else {
      printf("%s\n", page);
   }
   for (uint32_t n = 0; n < options.n_sessions; ++n) {
      card_free(&cards[n]);
   }
   free(page);
   free(entries);
   free(cards);
   free(options.sessions);
   bm_host_free(host);
   return error.is_set ? 1 : 0;
}
