/* SPDX-License-Identifier: ISC */
#include "insert_cost.h"

#include "error.h"
#include "format.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

enum { LOUDNESS, CREST, ATTACK, HIGHS, UNDER_NOTE, MONO };

/* A change of each that is worth a word, and how more and less of it are called. Common practice, no source.
 */
static const struct {
   BmInsertCost cost;
   double least;
   const char* more;
   const char* less;
} costs[BM_N_INSERT_COSTS] = {
   [LOUDNESS] = {{"integrated_lufs", "Loudness", "Loudness", "LU", 1}, 0.5, "%s LU louder", "%s LU quieter"},
   [CREST] = {{"crest_db", "Crest factor", "Crest", "dB", 1},
              1.0,
              "peaks %s dB further above the rest",
              "peaks %s dB nearer to the rest"},
   [ATTACK] = {{"attack_to_sustain_db", "Attack to sustain", "Attack", "dB", 1},
               0.5,
               "attack %s dB sharper",
               "attack %s dB softer"},
   [HIGHS] = {{"highs_db", "Share above 5 kHz", "Highs", "dB", 1},
              0.5,
              "highs %s dB brighter",
              "highs %s dB darker"},
   [UNDER_NOTE] = {{"under_note_db", "Share under lowest note", "Under note", "dB", 1},
                   3.0,
                   "%s dB more under the lowest note",
                   "%s dB less under the lowest note"},
   [MONO] = {{"mono_change_lu", "Folded to mono", "In mono", "LU", 1},
             0.5,
             "mono keeps %s LU more",
             "mono loses %s LU more"},
};

/* What lies so far below all the rest, and under the lowest note, is not heard with it. Common practice, no
   source. */
#define HEARD_UNDER_NOTE_DB (-60.0)
#define BROUGHT_BACK_DB 6.0
#define LOUDER_LU 1.0
#define LOST_IN_MONO_LU 1.0

/* Columns of a terminal. */
#define NAME_COLUMNS 28
#define COST_COLUMNS 11

BmInsertCost bm_insert_cost(uint32_t which)
{
   return costs[which].cost;
}

static double value(const BmMeasurement* figures, uint32_t which)
{
   uint32_t n_descriptors;
   const BmDescriptor* all = bm_descriptors(&n_descriptors);
   for (uint32_t n = 0; n < n_descriptors; ++n) {
      if (!strcmp(all[n].key, costs[which].cost.key)) {
         return bm_measurement_value(figures, &all[n]);
      }
   }
   return (double)NAN;
}

double bm_insert_cost_change(const BmMeasurement* came, const BmMeasurement* left, uint32_t which)
{
   const double change = value(left, which) - value(came, which);
   return isfinite(change) ? change : (double)NAN;
}

static bool is_heard(const BmMeasurement* came, const BmMeasurement* left, uint32_t which)
{
   const double change = bm_insert_cost_change(came, left, which);
   const bool is_low_enough = which == UNDER_NOTE && !(left->under_note_db > HEARD_UNDER_NOTE_DB) &&
                              !(came->under_note_db > HEARD_UNDER_NOTE_DB);
   return fabs(change) >= costs[which].least && !is_low_enough;
}

char* bm_insert_cost_words(const BmMeasurement* came, const BmMeasurement* left)
{
   BmText words = {0};
   for (uint32_t c = 0; c < BM_N_INSERT_COSTS; ++c) {
      if (is_heard(came, left, c)) {
         const double change = bm_insert_cost_change(came, left, c);
         const char* form = change > 0.0 ? costs[c].more : costs[c].less;
         const char* place = strstr(form, "%s");
         char number[BM_NUMBER_BYTES];
         bm_format_value(number, fabs(change), costs[c].cost.decimals, false);
         bm_text_addf(&words, "%s%.*s%s%s", words.length ? ", " : "", (int)(place - form), form, number,
                      place + strlen("%s"));
      }
   }
   char* all = bm_copy(words.length ? words.chars : "next to no change that these figures show");
   bm_text_free(&words);
   return all;
}

char* bm_insert_cost_warning(const BmReportSignal* signal, uint32_t number)
{
   const BmReportInsert* insert = &signal->inserts[number];
   if (!insert->came || !insert->left) {
      return NULL;
   }
   BmText words = {0};
   const double under_db = bm_insert_cost_change(insert->came, insert->left, UNDER_NOTE);
   if (under_db >= BROUGHT_BACK_DB && insert->left->under_note_db > HEARD_UNDER_NOTE_DB) {
      bm_text_addf(&words,
                   "brings %.1f dB back under the lowest note, to " BM_MINUS
                   "%.1f dB of the whole: a low cut behind it would clear that.",
                   under_db, fabs(insert->left->under_note_db));
   }
   const double louder_lu = bm_insert_cost_change(insert->came, insert->left, LOUDNESS);
   if (louder_lu >= LOUDER_LU && signal->before) {
      bm_text_addf(
         &words,
         "%sleaves %.1f LU louder than it came: level is easily taken for quality; judge it at equal "
         "loudness.",
         words.length ? " It " : "", louder_lu);
   }
   const double lost_lu = -bm_insert_cost_change(insert->came, insert->left, MONO);
   if (lost_lu >= LOST_IN_MONO_LU) {
      bm_text_addf(&words, "%scosts %.1f LU in mono: listen to it folded down.", words.length ? " It " : "",
                   lost_lu);
   }
   char* all = words.length ? bm_copy(words.chars) : NULL;
   bm_text_free(&words);
   return all;
}

static const BmReportInsert* first_measured(const BmReportSignal* signal)
{
   for (uint32_t n = 0; n < signal->n_inserts; ++n) {
      if (signal->inserts[n].came && signal->inserts[n].left) {
         return &signal->inserts[n];
      }
   }
   return NULL;
}

bool bm_insert_costs_are_told(const BmReportSignal* signals, uint32_t which)
{
   const BmReportInsert* own = first_measured(&signals[which]);
   for (uint32_t n = 0; n < which && own; ++n) {
      const BmReportInsert* other = first_measured(&signals[n]);
      if (other && other->came == own->came) {
         return true;
      }
   }
   return false;
}

static uint32_t width_of(const char* text)
{
   uint32_t width = 0;
   for (; *text; ++text) {
      width += (*text & 0xC0) != 0x80;
   }
   return width;
}

static void add_padded(BmText* text, const char* words, uint32_t columns, bool is_right)
{
   const uint32_t width = width_of(words);
   const int room = width < columns ? (int)(columns - width) : 0;
   bm_text_addf(text, "%*s%s%*s", is_right ? room : 0, "", words, is_right ? 0 : room, "");
}

static void add_row(BmText* text, const char* name, const BmMeasurement* came, const BmMeasurement* left)
{
   add_padded(text, name, NAME_COLUMNS, false);
   for (uint32_t c = 0; c < BM_N_INSERT_COSTS; ++c) {
      char number[BM_NUMBER_BYTES];
      bm_format_value(number, bm_insert_cost_change(came, left, c), costs[c].cost.decimals, true);
      add_padded(text, number, COST_COLUMNS, true);
   }
   bm_text_add(text, "\n");
}

static void add_head(BmText* text)
{
   add_padded(text, "What each insert cost", NAME_COLUMNS, false);
   for (uint32_t c = 0; c < BM_N_INSERT_COSTS; ++c) {
      add_padded(text, costs[c].cost.brief, COST_COLUMNS, true);
   }
   bm_text_add(text, "\n");
   add_padded(text, "", NAME_COLUMNS, false);
   for (uint32_t c = 0; c < BM_N_INSERT_COSTS; ++c) {
      add_padded(text, costs[c].cost.unit, COST_COLUMNS, true);
   }
   bm_text_add(text, "\n");
}

static void add_warnings(BmText* text, const BmReportSignal* signals, uint32_t n_signals)
{
   for (uint32_t s = 0; s < n_signals; ++s) {
      for (uint32_t n = 0; n < signals[s].n_inserts && !bm_insert_costs_are_told(signals, s); ++n) {
         char* warning = bm_insert_cost_warning(&signals[s], n);
         if (warning) {
            bm_text_addf(text, "\n%s, %u. %s %s", signals[s].name, n + 1, signals[s].inserts[n].name,
                         warning);
         }
         free(warning);
      }
   }
}

void bm_insert_costs_add_table(BmText* text, const BmReportSignal* signals, uint32_t n_signals)
{
   bool is_begun = false;
   for (uint32_t s = 0; s < n_signals; ++s) {
      const BmReportSignal* signal = &signals[s];
      const BmReportInsert* first = first_measured(signal);
      if (!first || bm_insert_costs_are_told(signals, s)) {
         continue;
      }
      if (!is_begun) {
         add_head(text);
      }
      is_begun = true;
      bm_text_addf(text, "%s\n", signal->name);
      const BmReportInsert* last = first;
      for (uint32_t n = 0; n < signal->n_inserts; ++n) {
         const BmReportInsert* insert = &signal->inserts[n];
         if (insert->came && insert->left) {
            char* name = bm_print("  %u. %s", n + 1, insert->name);
            add_row(text, name, insert->came, insert->left);
            free(name);
            last = insert;
         }
      }
      if (last != first) {
         add_row(text, "  all of them", first->came, last->left);
      }
   }
   const size_t before = text->length;
   add_warnings(text, signals, n_signals);
   bm_text_add(text, text->length > before ? "\n" : "");
}

void bm_insert_costs_add_json(BmText* text, const BmReportSignal* signals, uint32_t n_signals)
{
   bool is_begun = false;
   bm_text_add(text, "[");
   for (uint32_t s = 0; s < n_signals; ++s) {
      const BmReportSignal* signal = &signals[s];
      for (uint32_t n = 0; n < signal->n_inserts && !bm_insert_costs_are_told(signals, s); ++n) {
         const BmReportInsert* insert = &signal->inserts[n];
         if (!insert->came || !insert->left) {
            continue;
         }
         bm_text_add(text, is_begun ? ",\n {\"in\": " : "\n {\"in\": ");
         is_begun = true;
         bm_text_add_json_string(text, signal->name);
         bm_text_addf(text, ", \"number\": %u, \"insert\": ", n + 1);
         bm_text_add_json_string(text, insert->name);
         bm_text_add(text, ", \"plugin\": ");
         bm_text_add_json_string(text, insert->uri);
         for (uint32_t c = 0; c < BM_N_INSERT_COSTS; ++c) {
            bm_text_addf(text, "%s\"%s\": ", c ? ", " : ",\n  \"change\": {", costs[c].cost.key);
            bm_text_add_json_number(text, bm_insert_cost_change(insert->came, insert->left, c), 4);
         }
         char* words = bm_insert_cost_words(insert->came, insert->left);
         bm_text_add(text, "},\n  \"words\": ");
         bm_text_add_json_string(text, words);
         free(words);
         char* warning = bm_insert_cost_warning(signal, n);
         bm_text_add(text, ",\n  \"warning\": ");
         bm_text_add_json_string(text, warning);
         free(warning);
         bm_text_add(text, "}");
      }
   }
   bm_text_add(text, "\n]");
}
