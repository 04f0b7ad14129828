/* SPDX-License-Identifier: ISC */
#include "report.h"

#include "format.h"
#include "insert_cost.h"
#include "page.h"
#include "pictures.h"
#include "sheets.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NO_BREAK_SPACE "\xC2\xA0"

/* Above so many signals each is folded, and its pictures are drawn coarser, so that the page stays usable. */
#define MAX_UNFOLDED 4
#define MAX_COLUMNS 800
#define MIN_COLUMNS 200
#define TOTAL_COLUMNS 16000

/* EBU R 128, 2020, recommendation: the highest true peak for programmes. */
#define MAX_TRUE_PEAK_DBTP (-1.0)

/* Two channels that have nothing in common lose 3 LU (10 log10 of 1/2); what loses more than half a LU beyond
   that has parts of opposite polarity. */
#define MIN_MONO_CHANGE_LU (-3.5)

/* ---- numbers ---- */

static void add_value(BmText* page, double value, const BmDescriptor* descriptor)
{
   char number[BM_NUMBER_BYTES];
   bm_format_value(number, value, descriptor->decimals, false);
   bm_text_add(page, number);
   if (strcmp(descriptor->unit, "Hz") == 0 && value > 0.0) {
      char note[BM_NUMBER_BYTES];
      bm_format_note(note, value);
      bm_text_addf(page, " <small>%s</small>", note);
   }
}

static void add_unit(BmText* page, const BmDescriptor* descriptor)
{
   if (*descriptor->unit) {
      bm_text_addf(page, " <small>%s</small>", descriptor->unit);
   }
}

static bool save_page(BmText* page, const char* path)
{
   const bool is_saved = bm_text_save(page, path);
   bm_text_free(page);
   return is_saved;
}

/* ---- players ---- */

/* By how much each is louder than the quieter of the two; 0 where that cannot be said. */
static void loudness_over(const BmAnalysis* before, const BmAnalysis* after, double* before_lu,
                          double* after_lu)
{
   const double change_lu =
      before && after ? after->figures.integrated_lufs - before->figures.integrated_lufs : 0.0;
   *before_lu = isfinite(change_lu) ? fmax(0.0, -change_lu) : 0.0;
   *after_lu = isfinite(change_lu) ? fmax(0.0, change_lu) : 0.0;
}

static void add_player(BmText* page, const char* which, const char* caption, const char* words,
                       const char* name, const char* path, const char* id, double over_lu)
{
   if (!path) {
      return;
   }
   bm_text_addf(page, "<figure class=\"%s\"><figcaption>", which);
   bm_text_add_html(page, caption);
   if (words) {
      bm_text_add(page, " <small>");
      bm_text_add_html(page, words);
      bm_text_add(page, "</small>");
   }
   bm_text_addf(
      page,
      "</figcaption><audio controls preload=\"none\" data-signal=\"%s\" data-over=\"%.2f\" aria-label=\"", id,
      over_lu);
   bm_text_add_html(page, caption);
   bm_text_add(page, ": ");
   bm_text_add_html(page, name);
   bm_text_add(page, "\" src=\"");
   bm_text_add_url(page, path);
   bm_text_add(page, "\"></audio></figure>\n");
}

static void add_players(BmText* page, const BmReportSignal* signal, const char* id)
{
   if (!signal->before_audio && !signal->after_audio) {
      return;
   }
   double before_lu;
   double after_lu;
   loudness_over(signal->before, signal->after, &before_lu, &after_lu);
   bm_text_add(page, "<div class=\"players\">\n");
   add_player(page, "before", "Before", NULL, signal->name, signal->before_audio, id, before_lu);
   add_player(page, "after", "After", NULL, signal->name, signal->after_audio, id, after_lu);
   bm_text_add(page, "</div>\n");
   if (signal->before_audio && signal->after_audio) {
      char number[BM_NUMBER_BYTES];
      bm_format_value(number, fmax(before_lu, after_lu), 1, false);
      bm_text_addf(
         page,
         "<label class=\"level\" hidden><input type=\"checkbox\" id=\"equal-%s\" checked> <span>Play both at "
         "equal loudness (%s is turned down by %s" NO_BREAK_SPACE "dB)</span></label>\n",
         id, before_lu > after_lu ? "Before" : "After", number);
   }
   bm_page_add_paragraph(page, "caution", bm_hearing_caution);
}

/* ---- figures and settings ---- */

static uint32_t columns_for(uint32_t n_signals)
{
   const uint32_t each = TOTAL_COLUMNS / (n_signals ? n_signals : 1);
   return each > MAX_COLUMNS ? MAX_COLUMNS : each < MIN_COLUMNS ? MIN_COLUMNS : each;
}

static const BmDescriptor* find_descriptor(const char* key)
{
   uint32_t n_descriptors;
   const BmDescriptor* const all = bm_descriptors(&n_descriptors);
   for (uint32_t n = 0; n < n_descriptors; ++n) {
      if (strcmp(all[n].key, key) == 0) {
         return &all[n];
      }
   }
   return NULL;
}

static void add_key(BmText* page, const BmReportSignal* signal, const char* key)
{
   const BmDescriptor* const descriptor = find_descriptor(key);
   const BmAnalysis* const main = signal->after ? signal->after : signal->before;
   const double value = bm_measurement_value(&main->figures, descriptor);
   if (isnan(value)) {
      return;
   }
   char number[BM_NUMBER_BYTES];
   bm_format_value(number, value, descriptor->decimals, false);
   bm_text_addf(page, "<div><dt>%s</dt><dd class=\"value\">%s <small>%s</small></dd>", descriptor->label,
                number, descriptor->unit);
   if (strcmp(key, "true_peak_dbtp") == 0 && value > MAX_TRUE_PEAK_DBTP) {
      bm_text_add(page, "<dd class=\"change warn\">over " BM_MINUS "1 dBTP (EBU R 128)</dd>");
   } else if (signal->before && signal->after) {
      const double change = value - bm_measurement_value(&signal->before->figures, descriptor);
      if (isfinite(change)) {
         bm_format_value(number, change, descriptor->decimals, true);
         const bool has_changed = number[0] != '0';
         bm_text_addf(page, "<dd class=\"change\">%s%s</dd>", has_changed ? number : "unchanged",
                      has_changed ? " against before" : "");
      }
   }
   if (strcmp(key, "mono_change_lu") == 0 && value < MIN_MONO_CHANGE_LU) {
      bm_text_add(page, "<dd class=\"change warn\">left and right cancel</dd>");
   }
   bm_text_add(page, "</div>\n");
}

static void add_keys(BmText* page, const BmReportSignal* signal)
{
   if (!signal->before && !signal->after) {
      return;
   }
   static const char* const keys[] = {"integrated_lufs",      "true_peak_dbtp", "crest_db",
                                      "attack_to_sustain_db", "highs_db",       "mono_change_lu"};
   bm_text_add(page, "<dl class=\"keys\">\n");
   for (uint32_t n = 0; n < sizeof keys / sizeof *keys; ++n) {
      add_key(page, signal, keys[n]);
   }
   bm_text_add(page, "</dl>\n");
}

static void add_measurements(BmText* page, const BmReportSignal* signal)
{
   if (!signal->before && !signal->after) {
      return;
   }
   const bool has_both = signal->before && signal->after;
   bm_text_add(page, "<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"Measurements\"><table>"
                     "<caption>What changed</caption><thead><tr><th scope=\"col\">Measure</th>");
   bm_text_add(page, signal->before ? "<th scope=\"col\" class=\"before\">Before</th>" : "");
   bm_text_add(page, signal->after ? "<th scope=\"col\" class=\"after\">After</th>" : "");
   bm_text_add(page, has_both ? "<th scope=\"col\">Change</th>" : "");
   bm_text_add(page, "</tr></thead><tbody>\n");
   uint32_t n_descriptors;
   const BmDescriptor* const all = bm_descriptors(&n_descriptors);
   for (uint32_t n = 0; n < n_descriptors; ++n) {
      const BmDescriptor* const descriptor = &all[n];
      const double before =
         signal->before ? bm_measurement_value(&signal->before->figures, descriptor) : (double)NAN;
      const double after =
         signal->after ? bm_measurement_value(&signal->after->figures, descriptor) : (double)NAN;
      if (isnan(before) && isnan(after)) {
         continue;
      }
      bm_text_addf(page, "<tr><th scope=\"row\">%s", descriptor->label);
      add_unit(page, descriptor);
      bm_text_add(page, "</th>");
      if (signal->before) {
         bm_text_add(page, "<td>");
         add_value(page, before, descriptor);
         bm_text_add(page, "</td>");
      }
      if (signal->after) {
         bm_text_add(page, "<td>");
         add_value(page, after, descriptor);
         bm_text_add(page, "</td>");
      }
      if (has_both) {
         char number[BM_NUMBER_BYTES];
         bm_format_value(number, isfinite(after - before) ? after - before : (double)NAN,
                         descriptor->decimals, true);
         bm_text_addf(page, "<td>%s</td>", number);
      }
      bm_text_add(page, "</tr>\n");
   }
   bm_text_add(page, "</tbody></table></div>\n");
}

/* One row of what inserts cost; only the columns that have a figure in some row. */
static void add_cost(BmText* page, const char* name, uint32_t number, const BmMeasurement* came,
                     const BmMeasurement* left, const bool* is_shown)
{
   bm_text_add(page, "<tr><th scope=\"row\">");
   if (number) {
      bm_text_addf(page, "%u. ", number);
   }
   bm_text_add_html(page, name);
   bm_text_add(page, "</th>");
   for (uint32_t c = 0; c < BM_N_INSERT_COSTS; ++c) {
      if (is_shown[c]) {
         char text[BM_NUMBER_BYTES];
         bm_format_value(text, bm_insert_cost_change(came, left, c), bm_insert_cost(c).decimals, true);
         bm_text_addf(page, "<td>%s</td>", text);
      }
   }
   bm_text_add(page, "</tr>\n");
}

static void add_cost_words(BmText* page, const BmReportSignal* signal, uint32_t number)
{
   const BmReportInsert* const insert = &signal->inserts[number];
   char* words = bm_insert_cost_words(insert->came, insert->left);
   char* warning = bm_insert_cost_warning(signal, number);
   bm_text_addf(page, "<li>%u. ", number + 1);
   bm_text_add_html(page, insert->name);
   bm_text_add(page, ": ");
   bm_text_add_html(page, words);
   if (warning) {
      bm_text_add(page, ". <span class=\"warn\">It ");
      bm_text_add_html(page, warning);
      bm_text_add(page, "</span>");
   }
   bm_text_add(page, "</li>\n");
   free(words);
   free(warning);
}

static void add_costs(BmText* page, const BmReportSignal* signal)
{
   const BmReportInsert* first = NULL;
   const BmReportInsert* last = NULL;
   bool is_shown[BM_N_INSERT_COSTS] = {false};
   bool is_any_shown = false;
   for (uint32_t n = 0; n < signal->n_inserts; ++n) {
      const BmReportInsert* const insert = &signal->inserts[n];
      if (!insert->came || !insert->left) {
         continue;
      }
      first = first ? first : insert;
      last = insert;
      for (uint32_t c = 0; c < BM_N_INSERT_COSTS; ++c) {
         is_shown[c] = is_shown[c] || isfinite(bm_insert_cost_change(insert->came, insert->left, c));
         is_any_shown = is_any_shown || is_shown[c];
      }
   }
   if (!is_any_shown) {
      return;
   }
   bm_text_add(page,
               "<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-label=\"What each insert cost\">"
               "<table><caption>What each insert cost <small>what left it against what came to it"
               "</small></caption><thead><tr><th scope=\"col\">Insert</th>");
   for (uint32_t c = 0; c < BM_N_INSERT_COSTS; ++c) {
      if (is_shown[c]) {
         bm_text_addf(page, "<th scope=\"col\">%s <small>%s</small></th>", bm_insert_cost(c).label,
                      bm_insert_cost(c).unit);
      }
   }
   bm_text_add(page, "</tr></thead><tbody>\n");
   for (uint32_t n = 0; n < signal->n_inserts; ++n) {
      const BmReportInsert* const insert = &signal->inserts[n];
      if (insert->came && insert->left) {
         add_cost(page, insert->name, n + 1, insert->came, insert->left, is_shown);
      }
   }
   if (first != last) {
      add_cost(page, "All of them", 0, first->came, last->left, is_shown);
   }
   bm_text_add(page, "</tbody></table></div>\n<ul class=\"in-words\">\n");
   for (uint32_t n = 0; n < signal->n_inserts; ++n) {
      if (signal->inserts[n].came && signal->inserts[n].left) {
         add_cost_words(page, signal, n);
      }
   }
   bm_text_add(page, "</ul>\n");
}

static void add_settings(BmText* page, const BmReportInsert* insert, bool is_changed)
{
   bm_text_addf(
      page,
      "<table><caption>%s</caption><thead><tr><th scope=\"col\">Control</th><th scope=\"col\">Value</th></tr>"
      "</thead><tbody>\n",
      is_changed ? "Settings" : "At their defaults");
   for (uint32_t n = 0; n < insert->n_settings; ++n) {
      const BmReportSetting* const setting = &insert->settings[n];
      if ((setting->is_changed || setting->is_automated) != is_changed) {
         continue;
      }
      bm_text_add(page, "<tr><th scope=\"row\">");
      bm_text_add_html(page, setting->name);
      bm_text_add(page, "</th><td>");
      if (setting->is_automated) {
         bm_text_add(page, "automated, from ");
      }
      if (setting->value_label) {
         bm_text_add_html(page, setting->value_label);
      } else {
         char number[BM_NUMBER_BYTES];
         bm_format_control(number, setting->value);
         bm_text_add(page, number);
         if (setting->unit && *setting->unit) {
            bm_text_add(page, " <small>");
            bm_text_add_html(page, setting->unit);
            bm_text_add(page, "</small>");
         }
      }
      bm_text_add(page, "</td></tr>\n");
   }
   bm_text_add(page, "</tbody></table>\n");
}

static void add_insert(BmText* page, const BmReportInsert* insert, uint32_t number)
{
   uint32_t n_changed = 0;
   for (uint32_t n = 0; n < insert->n_settings; ++n) {
      n_changed += insert->settings[n].is_changed || insert->settings[n].is_automated;
   }
   const uint32_t n_default = insert->n_settings - n_changed;
   bm_text_addf(page, "<div class=\"insert\"><h4>%u. ", number);
   bm_text_add_html(page, insert->name);
   bm_text_add(page, insert->is_bypassed ? " (bypassed)" : "");
   bm_text_add(page, "</h4><p class=\"where\"><code>");
   bm_text_add_html(page, insert->uri);
   bm_text_add(page, "</code>");
   if (insert->latency_frames) {
      bm_text_addf(page, ", latency %u frames, compensated", insert->latency_frames);
   }
   bm_text_add(page, "</p>\n");
   if (n_changed) {
      add_settings(page, insert, true);
   }
   if (n_default) {
      bm_text_addf(page, "<details><summary>%u control%s at the default</summary>\n", n_default,
                   n_default == 1 ? "" : "s");
      add_settings(page, insert, false);
      bm_text_add(page, "</details>\n");
   }
   for (uint32_t n = 0; n < insert->n_figures; ++n) {
      bm_plot_add_figure(page, &insert->figures[n]);
   }
   bm_text_add(page, "</div>\n");
}

/* ---- the page ---- */

/* What the inserts did together, for whoever has not unfolded the signal; NULL if that was not measured. */
static char* sum_up(const BmReportSignal* signal)
{
   const BmReportInsert* first = NULL;
   const BmReportInsert* last = NULL;
   uint32_t n_inserts = 0;
   for (uint32_t n = 0; n < signal->n_inserts; ++n) {
      const BmReportInsert* const insert = &signal->inserts[n];
      if (insert->came && insert->left) {
         first = first ? first : insert;
         last = insert;
         ++n_inserts;
      }
   }
   if (!first) {
      return NULL;
   }
   char* words = bm_insert_cost_words(first->came, last->left);
   char* all =
      n_inserts > 1 ? bm_print("%u inserts: %s", n_inserts, words) : bm_print("%s: %s", first->name, words);
   free(words);
   return all;
}

static void add_signal(BmText* page, const BmReportSignal* signal, uint32_t number, uint32_t n_signals)
{
   char id[BM_NUMBER_BYTES];
   snprintf(id, sizeof id, "signal-%u", number);
   const bool is_folded = n_signals > MAX_UNFOLDED;
   const uint32_t n_columns = columns_for(n_signals);
   bm_text_addf(page, "<section class=\"signal\" id=\"%s\" aria-labelledby=\"%s-name\">\n", id, id);
   if (is_folded) {
      bm_text_addf(page, "<details class=\"fold\"%s><summary>", number == 1 ? " open" : "");
   }
   bm_text_addf(page, "<h2 id=\"%s-name\"><span class=\"kind\">", id);
   bm_text_add_html(page, signal->kind);
   bm_text_add(page, "</span>");
   bm_text_add_html(page, signal->name);
   bm_text_add(page, "</h2>\n");
   if (is_folded) {
      char* const words = sum_up(signal);
      if (words) {
         bm_text_add(page, "<span class=\"in-words\">");
         bm_text_add_html(page, words);
         bm_text_add(page, "</span>\n");
      }
      free(words);
      bm_text_add(page, "</summary>\n");
   }
   bm_page_add_paragraph(page, "note", signal->note);
   add_keys(page, signal);
   add_players(page, signal, id);
   add_costs(page, signal);
   if (signal->before || signal->after) {
      bm_picture_waveform(page, signal, n_columns);
      bm_text_add(page, "<div class=\"columns\">\n");
      bm_picture_spectra(page, signal, n_columns);
      bm_picture_loudness(page, signal, n_columns);
      bm_picture_traces(page, signal, n_columns);
      if (!signal->n_traces) {
         bm_picture_gain_change(page, signal, n_columns);
      }
      bm_picture_correlation(page, signal, n_columns);
      bm_picture_lowest_note(page, signal, n_columns);
      for (uint32_t n = 0; n < signal->n_figures; ++n) {
         bm_plot_add_figure(page, &signal->figures[n]);
      }
      bm_text_add(page, "</div>\n");
   }
   bm_text_add(page, "<div class=\"columns\">\n<div>\n");
   add_measurements(page, signal);
   bm_text_add(page, "</div>\n");
   if (signal->n_inserts) {
      bm_text_add(page, "<div>\n<h3>What it went through</h3>\n");
      for (uint32_t n = 0; n < signal->n_inserts; ++n) {
         add_insert(page, &signal->inserts[n], n + 1);
      }
      bm_text_add(page, "</div>\n");
   }
   bm_text_add(page, "</div>\n");
   bm_text_add(page, is_folded ? "</details>\n</section>\n" : "</section>\n");
}

static double overview_value(const BmReportSignal* signal, const BmDescriptor* descriptor)
{
   const BmAnalysis* const main = signal->after ? signal->after : signal->before;
   return main ? bm_measurement_value(&main->figures, descriptor) : (double)NAN;
}

static void add_overview(BmText* page, const BmReport* report)
{
   static const char* const keys[] = {"integrated_lufs",      "true_peak_dbtp", "crest_db",
                                      "attack_to_sustain_db", "highs_db",       "mono_change_lu"};
   enum { N_KEYS = sizeof keys / sizeof *keys };
   /* A session without stereo needs no column for mono. */
   const BmDescriptor* shown[N_KEYS];
   uint32_t n_shown = 0;
   for (uint32_t k = 0; k < N_KEYS; ++k) {
      bool is_shown = false;
      for (uint32_t s = 0; s < report->n_signals; ++s) {
         is_shown = is_shown || !isnan(overview_value(&report->signals[s], find_descriptor(keys[k])));
      }
      if (is_shown) {
         shown[n_shown++] = find_descriptor(keys[k]);
      }
   }
   bm_text_add(page,
               "<div class=\"wide\" tabindex=\"0\" role=\"region\" "
               "aria-label=\"All signals\"><table>"
               "<caption>All signals, after processing</caption><thead><tr><th scope=\"col\">Signal</th>");
   for (uint32_t k = 0; k < n_shown; ++k) {
      bm_text_addf(page, "<th scope=\"col\">%s <small>%s</small></th>", shown[k]->label, shown[k]->unit);
   }
   bm_text_add(page, "</tr></thead><tbody>\n");
   for (uint32_t s = 0; s < report->n_signals; ++s) {
      const BmReportSignal* const signal = &report->signals[s];
      bm_text_addf(page, "<tr><th scope=\"row\"><a href=\"#signal-%u\">", s + 1);
      bm_text_add_html(page, signal->name);
      bm_text_add(page, "</a> <small>");
      bm_text_add_html(page, signal->kind);
      bm_text_add(page, "</small></th>");
      for (uint32_t k = 0; k < n_shown; ++k) {
         bm_text_add(page, "<td>");
         add_value(page, overview_value(signal, shown[k]), shown[k]);
         bm_text_add(page, "</td>");
      }
      bm_text_add(page, "</tr>\n");
   }
   bm_text_add(page, "</tbody></table></div>\n");
}

/* What asks for another look, where it is seen without unfolding anything. */
static void add_warnings(BmText* page, const BmReport* report)
{
   bool is_begun = false;
   for (uint32_t s = 0; s < report->n_signals; ++s) {
      const BmReportSignal* const signal = &report->signals[s];
      for (uint32_t n = 0; n < signal->n_inserts && !bm_insert_costs_are_told(report->signals, s); ++n) {
         char* const warning = bm_insert_cost_warning(signal, n);
         if (!warning) {
            continue;
         }
         bm_text_add(page, is_begun ? "" : "<div class=\"another-look\"><h3>Worth another look</h3><ul>\n");
         is_begun = true;
         bm_text_addf(page, "<li><a href=\"#signal-%u\">", s + 1);
         bm_text_add_html(page, signal->name);
         bm_text_addf(page, "</a>, %u. ", n + 1);
         bm_text_add_html(page, signal->inserts[n].name);
         bm_text_add(page, " ");
         bm_text_add_html(page, warning);
         bm_text_add(page, "</li>\n");
         free(warning);
      }
   }
   bm_text_add(page, is_begun ? "</ul></div>\n" : "");
}

static void add_definitions(BmText* page)
{
   bm_text_add(page, "<section class=\"signal\">\n<details class=\"definitions\"><summary>How each figure is "
                     "measured</summary>\n<dl>\n");
   uint32_t n_descriptors;
   const BmDescriptor* const all = bm_descriptors(&n_descriptors);
   for (uint32_t n = 0; n < n_descriptors; ++n) {
      bm_text_add(page, "<dt>");
      bm_text_add_html(page, all[n].label);
      bm_text_add(page, "</dt><dd>");
      bm_text_add_html(page, all[n].definition);
      bm_text_add(page, "</dd>\n");
   }
   bm_text_add(page, "</dl></details>\n</section>\n");
}

bool bm_report_write(const BmReport* report, const char* path)
{
   BmText page = {0};
   bm_page_begin(&page, report->title, NULL);
   bm_page_add_paragraph(&page, "lead", report->summary);
   if (report->n_facts) {
      bm_text_add(&page, "<dl class=\"facts\">\n");
      for (uint32_t n = 0; n < report->n_facts; ++n) {
         bm_text_add(&page, "<div><dt>");
         bm_text_add_html(&page, report->facts[n].label);
         bm_text_add(&page, "</dt><dd>");
         bm_text_add_html(&page, report->facts[n].value);
         bm_text_add(&page, "</dd></div>\n");
      }
      bm_text_add(&page, "</dl>\n");
   }
   bm_text_add(&page, "</header>\n<main>\n");
   if (report->n_signals > 1) {
      add_overview(&page, report);
   }
   add_warnings(&page, report);
   for (uint32_t n = 0; n < report->n_signals; ++n) {
      add_signal(&page, &report->signals[n], n + 1, report->n_signals);
   }
   add_definitions(&page);
   bm_text_add(&page, "</main>\n");
   bm_page_end(&page, bm_sheet_report_js);
   return save_page(&page, path);
}

static void add_index_players(BmText* page, const BmReportIndexEntry* entry, const char* id)
{
   double quietest_lufs = (double)INFINITY;
   for (uint32_t n = 0; n < entry->n_players; ++n) {
      const double own = entry->players[n].integrated_lufs;
      quietest_lufs = isfinite(own) ? fmin(quietest_lufs, own) : quietest_lufs;
   }
   bm_text_add(page, entry->n_players ? "<div class=\"players\">\n" : "");
   for (uint32_t n = 0; n < entry->n_players; ++n) {
      const BmReportIndexPlayer* const player = &entry->players[n];
      const double over_lu = player->integrated_lufs - quietest_lufs;
      add_player(page, player->is_before ? "before" : "after", player->label, player->words, entry->title,
                 player->audio, id, isfinite(over_lu) ? over_lu : 0.0);
   }
   bm_text_add(page, entry->n_players ? "</div>\n" : "");
}

static void add_index_entry(BmText* page, const BmReportIndexEntry* entry, uint32_t number)
{
   char id[BM_NUMBER_BYTES];
   snprintf(id, sizeof id, "session-%u", number);
   bm_text_addf(page, "<li class=\"session\" id=\"%s\"><h2><a href=\"", id);
   bm_text_add_url(page, entry->page);
   bm_text_add(page, "\">");
   bm_text_add_html(page, entry->title);
   bm_text_add(page, "</a></h2>\n");
   bm_page_add_paragraph(page, "note", entry->summary);
   bm_page_add_paragraph(page, "figures", entry->chain);
   if (entry->before || entry->after) {
      const BmReportSignal signal = {.before = entry->before, .after = entry->after};
      bm_picture_waveform(page, &signal, 300);
   }
   add_index_players(page, entry, id);
   bm_text_add(page, "<p class=\"links\"><a href=\"");
   bm_text_add_url(page, entry->page);
   bm_text_add(page, "\">Open the report</a>");
   if (entry->audition) {
      bm_text_add(page, " <a href=\"");
      bm_text_add_url(page, entry->audition);
      bm_text_add(page, "\">Choose by ear</a>");
   }
   bm_text_add(page, "</p>\n</li>\n");
}

bool bm_report_write_index(const char* title, const char* summary, const BmReportIndexEntry* entries,
                           uint32_t n_entries, const char* path)
{
   BmText page = {0};
   bm_page_begin(&page, title, NULL);
   bm_page_add_paragraph(&page, "lead", summary);
   bm_page_add_paragraph(&page, "caution", bm_hearing_caution);
   bm_text_add(&page, "</header>\n<main>\n<ul class=\"sessions\">\n");
   for (uint32_t n = 0; n < n_entries; ++n) {
      add_index_entry(&page, &entries[n], n + 1);
   }
   bm_text_add(&page, "</ul>\n</main>\n");
   bm_page_end(&page, bm_sheet_report_js);
   return save_page(&page, path);
}

bool bm_report_write_figures(const char* title, const char* words, const BmPlot* plots, uint32_t n_plots,
                             const char* path)
{
   BmText page = {0};
   bm_page_begin(&page, title, NULL);
   bm_page_add_paragraph(&page, "lead", words);
   bm_text_add(&page, "</header>\n<main>\n");
   for (uint32_t n = 0; n < n_plots; ++n) {
      bm_plot_add_figure(&page, &plots[n]);
   }
   bm_text_add(&page, "</main>\n");
   bm_page_end(&page, bm_sheet_report_js);
   return save_page(&page, path);
}
