/* SPDX-License-Identifier: ISC */
#include "audition.h"

#include "format.h"
#include "insert_cost.h"
#include "page.h"
#include "plot.h"
#include "sheets.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

#define N_SPECTRUM_POINTS 240
#define SPECTRUM_PER_OCTAVE 6.0
#define SPECTRUM_RANGE_DB 66.0
#define SILENT_DB (-400.0)
#define HEARD_RANGE_DB 42.0 /* so far under the highest a change of the spectrum is worth a look */
#define CHANGE_REACH_DB 18.0

/* Where the boom of guitar and kin lies: common practice, no source. */
#define LOWS_BELOW_HZ 250.0

/* The looks of the lines, each told apart by more than its hue. */
static const struct {
   BmPlotTone tone;
   bool is_thin;
   const char* classes;
} looks[BM_MAX_ALTERNATIVES] = {
   {BM_TONE_BEFORE, false, "before line"},   {BM_TONE_AFTER, false, "after line"},
   {BM_TONE_EXTRA, false, "extra line"},     {BM_TONE_CURVE, false, "curve line"},
   {BM_TONE_QUIET, false, "quiet line"},     {BM_TONE_BEFORE, true, "before line thin"},
   {BM_TONE_AFTER, true, "after line thin"}, {BM_TONE_EXTRA, true, "extra line thin"},
   {BM_TONE_CURVE, true, "curve line thin"},
};

/* ---- figures ---- */

typedef struct {
   const char* key; /* of the descriptor that it is, or is made from */
   const char* label;
   const char* unit;
   int decimals;
   double (*value)(const BmAnalysis* analysis);
   const char* definition;
} Measure;

static double share_of_lows(const BmAnalysis* analysis)
{
   const BmSpectrum* spectrum = &analysis->spectrum;
   const double all = bm_spectrum_band_power(spectrum, 0.0, 0.5 * analysis->figures.sample_rate_hz);
   return all > 0.0 ? 10.0 * log10(bm_spectrum_band_power(spectrum, 0.0, LOWS_BELOW_HZ) / all) : (double)NAN;
}

static double harmonic(const BmAnalysis* analysis, uint32_t number)
{
   const double* level_dbfs = analysis->figures.harmonic_dbfs;
   return level_dbfs[number - 1] - level_dbfs[0];
}

static double second_harmonic(const BmAnalysis* analysis)
{
   return harmonic(analysis, 2);
}

static double third_harmonic(const BmAnalysis* analysis)
{
   return harmonic(analysis, 3);
}

static double fourth_harmonic(const BmAnalysis* analysis)
{
   return harmonic(analysis, 4);
}

static const Measure measures[] = {
   {.key = "attack_to_sustain_db"},
   {.key = "crest_db"},
   {.key = "highs_db"},
   {.key = "under_note_db"},
   {.label = "Share below 250 Hz",
    .unit = "dB",
    .decimals = 1,
    .value = share_of_lows,
    .definition = "Energy below 250 Hz over all energy (common practice, no source)."},
   {.label = "2nd harmonic",
    .unit = "dB",
    .decimals = 1,
    .value = second_harmonic,
    .definition =
       "Second harmonic of the lowest note over its fundamental, while that sounds; the note is the "
       "same for all, found in the one that the others are compared with."},
   {.label = "3rd harmonic",
    .unit = "dB",
    .decimals = 1,
    .value = third_harmonic,
    .definition = "The same for the third harmonic."},
   {.label = "4th harmonic",
    .unit = "dB",
    .decimals = 1,
    .value = fourth_harmonic,
    .definition = "The same for the fourth harmonic."},
   {.key = "range_lu"},
   {.key = "correlation"},
   {.key = "mono_change_lu"},
   {.key = "integrated_lufs"},
   {.key = "true_peak_dbtp"},
};

static const BmDescriptor* find_descriptor(const char* key)
{
   uint32_t n_descriptors;
   const BmDescriptor* all = bm_descriptors(&n_descriptors);
   for (uint32_t n = 0; n < n_descriptors; ++n) {
      if (!strcmp(all[n].key, key)) {
         return &all[n];
      }
   }
   return NULL;
}

/* The measure with what its descriptor says of it. */
static Measure measure_of(uint32_t n, const BmDescriptor** descriptor)
{
   Measure measure = measures[n];
   *descriptor = measure.key ? find_descriptor(measure.key) : NULL;
   if (*descriptor) {
      measure.label = (*descriptor)->label;
      measure.unit = (*descriptor)->unit;
      measure.decimals = (*descriptor)->decimals;
      measure.definition = (*descriptor)->definition;
   }
   return measure;
}

static double value_of(const BmAuditionTake* take, const Measure* measure, const BmDescriptor* descriptor)
{
   return descriptor ? bm_measurement_value(&take->analysis.figures, descriptor)
                     : measure->value(&take->analysis);
}

static void add_name(BmText* page, const BmAuditionTake* take)
{
   bm_text_add_html(page, take->alternative->label);
}

static void add_swatch(BmText* page, uint32_t take)
{
   bm_text_addf(page, "<i class=\"swatch %s\"></i>", looks[take].classes);
}

static void add_cell(BmText* page, const BmAudition* audition, uint32_t take, const Measure* measure,
                     const BmDescriptor* descriptor)
{
   char number[BM_NUMBER_BYTES];
   const double value = value_of(&audition->takes[take], measure, descriptor);
   const double change = value - value_of(&audition->takes[audition->reference], measure, descriptor);
   bm_format_value(number, value, measure->decimals, false);
   bm_text_addf(page, "<td>%s", number);
   if (take != audition->reference && isfinite(change)) {
      bm_format_value(number, change, measure->decimals, true);
      bm_text_addf(page, "<small class=\"change%s\">%s</small>", number[0] == '0' ? " none" : "",
                   number[0] == '0' ? "same" : number);
   }
   bm_text_add(page, "</td>");
}

static bool is_known(const BmAudition* audition, const Measure* measure, const BmDescriptor* descriptor)
{
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      if (!isnan(value_of(&audition->takes[n], measure, descriptor))) {
         return true;
      }
   }
   return false;
}

static void add_table(BmText* page, const BmAudition* audition)
{
   const BmAuditionTake* reference = &audition->takes[audition->reference];
   bm_text_add(
      page, "<p id=\"costs-caption\" class=\"caption\">At equal loudness; the small figures are the change "
            "against ");
   add_name(page, reference);
   bm_text_addf(
      page,
      ".</p>\n<div class=\"wide\" tabindex=\"0\" role=\"region\" aria-labelledby=\"costs-name\"><table "
      "class=\"costs\" style=\"min-width: %urem\" aria-describedby=\"costs-caption\"><thead><tr><th "
      "scope=\"col\">Measure</th>",
      9u + 6u * audition->n_takes);
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      bm_text_add(page, "<th scope=\"col\">");
      add_swatch(page, n);
      add_name(page, &audition->takes[n]);
      bm_text_add(page, "</th>");
   }
   bm_text_add(page, "</tr></thead><tbody>\n");
   for (uint32_t m = 0; m < sizeof measures / sizeof *measures; ++m) {
      const BmDescriptor* descriptor;
      const Measure measure = measure_of(m, &descriptor);
      if (!is_known(audition, &measure, descriptor)) {
         continue;
      }
      bm_text_addf(page, "<tr><th scope=\"row\">%s", measure.label);
      bm_text_addf(page, *measure.unit ? " <small>%s</small></th>" : "%s</th>", measure.unit);
      for (uint32_t n = 0; n < audition->n_takes; ++n) {
         add_cell(page, audition, n, &measure, descriptor);
      }
      bm_text_add(page, "</tr>\n");
   }
   bm_text_add(page, "<tr><th scope=\"row\">Turned up to match <small>dB</small></th>");
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      char number[BM_NUMBER_BYTES];
      bm_format_value(number, audition->takes[n].gain_db, 1, true);
      bm_text_addf(page, "<td>%s</td>", number);
   }
   bm_text_add(page, "</tr>\n</tbody></table></div>\n");
}

/* The same for whoever does not read figures. */
static void add_in_words(BmText* page, const BmAudition* audition)
{
   bm_text_add(page, "<ul class=\"in-words\">\n");
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      if (n == audition->reference) {
         continue;
      }
      char* words = bm_insert_cost_words(&audition->takes[audition->reference].analysis.figures,
                                         &audition->takes[n].analysis.figures);
      bm_text_add(page, "<li>");
      add_swatch(page, n);
      bm_text_add(page, " ");
      add_name(page, &audition->takes[n]);
      bm_text_add(page, ": ");
      bm_text_add_html(page, words);
      bm_text_add(page, "</li>\n");
      free(words);
   }
   bm_text_add(page, "</ul>\n");
}

/* ---- spectra ---- */

typedef struct {
   double frequency_hz[N_SPECTRUM_POINTS];
   double level_db[BM_MAX_ALTERNATIVES][N_SPECTRUM_POINTS];
   double change_db[BM_MAX_ALTERNATIVES][N_SPECTRUM_POINTS];
} Spectra;

static BmPlotSeries line(const BmAudition* audition, uint32_t take, const double* x, const double* y)
{
   return (BmPlotSeries){.label = audition->takes[take].alternative->label,
                         .kind = BM_PLOT_LINE,
                         .tone = looks[take].tone,
                         .is_thin = looks[take].is_thin,
                         .n_points = N_SPECTRUM_POINTS,
                         .x = x,
                         .y = y};
}

static void add_change(BmText* page, const BmAudition* audition, Spectra* spectra, double floor_db,
                       double top_hz)
{
   BmPlotSeries series[BM_MAX_ALTERNATIVES];
   uint32_t n_series = 0;
   double reach_db = 3.0;
   const double* reference_db = spectra->level_db[audition->reference];
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      if (n == audition->reference) {
         continue;
      }
      for (uint32_t p = 0; p < N_SPECTRUM_POINTS; ++p) {
         /* Where there is next to nothing the quotient says nothing. */
         const bool is_heard = fmin(reference_db[p], spectra->level_db[n][p] + 12.0) > floor_db;
         const double change = spectra->level_db[n][p] - reference_db[p];
         spectra->change_db[n][p] = is_heard ? change : (double)NAN;
         reach_db = is_heard ? fmax(reach_db, fmin(fabs(change), CHANGE_REACH_DB)) : reach_db;
      }
      series[n_series++] = line(audition, n, spectra->frequency_hz, spectra->change_db[n]);
   }
   reach_db = 3.0 * ceil(reach_db / 3.0);
   char* title = bm_print("Spectra against %s", audition->takes[audition->reference].alternative->label);
   const BmPlot plot = {
      .title = title,
      .description =
         "Mean level over frequency in sixths of an octave, over that of the alternative that all "
         "are compared with.",
      .x = {.scale = BM_AXIS_LOG, .min = 20.0, .max = top_hz, .label = "Hz"},
      .y = {.min = -reach_db, .max = reach_db, .label = "dB"},
      .series = series,
      .n_series = n_series,
      .height_px = 240.0,
   };
   bm_plot_add_figure(page, &plot);
   free(title);
}

static void add_spectra(BmText* page, const BmAudition* audition)
{
   Spectra* spectra = bm_calloc(1, sizeof *spectra);
   BmPlotSeries series[BM_MAX_ALTERNATIVES];
   const double top_hz = fmin(20000.0, 0.5 * audition->session->rate_hz);
   double highest_db = SILENT_DB;
   bm_log_frequencies(20.0, top_hz, spectra->frequency_hz, N_SPECTRUM_POINTS);
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      double* level_db = spectra->level_db[n];
      bm_spectrum_smooth(&audition->takes[n].analysis.spectrum, SPECTRUM_PER_OCTAVE, spectra->frequency_hz,
                         N_SPECTRUM_POINTS, level_db);
      for (uint32_t p = 0; p < N_SPECTRUM_POINTS; ++p) {
         level_db[p] = fmax(level_db[p], SILENT_DB);
         highest_db = fmax(highest_db, level_db[p]);
      }
      series[n] = line(audition, n, spectra->frequency_hz, level_db);
   }
   const double top_db = 6.0 * ceil((highest_db + 3.0) / 6.0);
   const BmPlot plot = {
      .title = "Spectra",
      .description = "Mean level over frequency in sixths of an octave, all alternatives over each other.",
      .x = {.scale = BM_AXIS_LOG, .min = 20.0, .max = top_hz, .label = "Hz"},
      .y = {.min = top_db - SPECTRUM_RANGE_DB, .max = top_db, .label = "dBFS in each sixth of an octave"},
      .series = series,
      .n_series = audition->n_takes,
      .height_px = 240.0,
   };
   bm_text_add(page, "<div class=\"columns\">\n");
   add_change(page, audition, spectra, highest_db - HEARD_RANGE_DB, top_hz);
   bm_plot_add_figure(page, &plot);
   bm_text_add(page, "</div>\n");
   free(spectra);
}

/* ---- player ---- */

/* The line that keeps the choice, as the session wants it. */
static void add_keep(BmText* page, const BmAuditionTake* take)
{
   BmText label = {0};
   for (const char* c = take->alternative->label; *c; ++c) {
      bm_text_addf(&label, *c == '"' || *c == '\\' ? "\\%c" : "%c", *c);
   }
   bm_text_add(page, "\" data-keep=\"bm:choice &quot;");
   bm_text_add_html(page, label.chars);
   bm_text_add(page, "&quot; ;");
   bm_text_free(&label);
}

static void add_choices(BmText* page, const BmAudition* audition)
{
   bm_text_add(page, "<fieldset class=\"choices\"><legend>Alternatives</legend>\n");
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      const BmAuditionTake* take = &audition->takes[n];
      bm_text_addf(page, "<label class=\"choice\" data-id=\"%016llx\" data-script=\"",
                   (unsigned long long)take->id);
      bm_text_add_url(page, take->script);
      bm_text_add(page, "\" data-name=\"");
      add_name(page, take);
      add_keep(page, take);
      bm_text_add(page, "\" data-note=\"");
      bm_text_add_html(page, take->alternative->note);
      bm_text_addf(page, "\"><input type=\"radio\" name=\"choice\" value=\"%u\"%s>", n, n ? "" : " checked");
      bm_text_addf(page, "<kbd>%u</kbd>", n + 1);
      add_swatch(page, n);
      bm_text_add(page, "<span class=\"name\">");
      add_name(page, take);
      bm_text_add(page, "</span><small class=\"note\">");
      bm_text_add_html(page, take->alternative->note);
      bm_text_add(page, "</small></label>\n");
   }
   bm_text_add(page, "</fieldset>\n");
}

static const char transport[] =
   "<div id=\"wave\" class=\"wave\" aria-hidden=\"true\"><svg preserveAspectRatio=\"none\" viewBox=\"0 0 "
   "1000 "
   "100\"><rect id=\"region\" y=\"0\" height=\"100\" width=\"0\"/><path id=\"outline\" d=\"\"/><path "
   "id=\"head\" "
   "d=\"M0 0v100\"/></svg></div>\n"
   "<input id=\"seek\" type=\"range\" min=\"0\" max=\"1\" step=\"0.01\" value=\"0\" "
   "aria-label=\"Position\">\n"
   "<div class=\"row\">"
   "<button id=\"play\" type=\"button\" class=\"main\">Play</button>"
   "<output id=\"time\" class=\"time\">0:00.0</output>"
   "<span class=\"group\" role=\"group\" aria-label=\"Loop\">"
   "<button id=\"loop\" type=\"button\" aria-pressed=\"false\">Loop</button>"
   "<button id=\"loop-from\" type=\"button\">From here</button>"
   "<button id=\"loop-to\" type=\"button\">To here</button>"
   "<button id=\"loop-clear\" type=\"button\">Whole</button></span>"
   "<button id=\"mono\" type=\"button\" aria-pressed=\"false\">Mono</button>"
   "<label class=\"volume\">Volume <input id=\"volume\" type=\"range\" min=\"-60\" max=\"0\" step=\"1\"> "
   "<output id=\"volume-value\"></output></label>"
   "</div>\n";

static const char verdict[] =
   "<form id=\"verdict\" class=\"verdict\" autocomplete=\"off\">\n"
   "<div class=\"row\"><button id=\"blind\" type=\"button\" aria-pressed=\"false\">Blind</button>"
   "<span id=\"blind-help\" class=\"help\">Shuffles the alternatives and hides their names, figures and "
   "settings "
   "until you have noted a choice.</span></div>\n"
   "<fieldset id=\"preferred\"><legend>My choice</legend></fieldset>\n"
   "<label class=\"words\">Why <input id=\"words\" type=\"text\" maxlength=\"400\"></label>\n"
   "<button id=\"note-it\" type=\"submit\" disabled>Note it</button>\n"
   "</form>\n"
   "<div id=\"notes\" class=\"notes\" hidden><h3>Noted</h3><ol id=\"rounds\"></ol><p id=\"tally\"></p>"
   "<div id=\"keep\" class=\"paste\" hidden><div><p class=\"help\">To render it, put this line under <code>a "
   "bm:Session</code> in <code id=\"keep-file\"></code>:</p><button type=\"button\" class=\"copy\" hidden "
   "aria-label=\"Copy the line that keeps the choice\">Copy</button></div><pre id=\"keep-line\" "
   "tabindex=\"0\" "
   "role=\"region\" aria-label=\"The line that keeps the choice\"></pre></div>\n"
   "<div class=\"row\"><button id=\"save\" type=\"button\">Save as text</button>"
   "<button id=\"forget\" type=\"button\">Forget all</button></div></div>\n";

static const char keys[] =
   "<details class=\"key-list\"><summary>Keys</summary><table><tbody>"
   "<tr><th scope=\"row\"><kbd>Space</kbd></th><td>play, pause</td></tr>"
   "<tr><th scope=\"row\"><kbd>1</kbd> to <kbd>9</kbd></th><td>alternative, in the order shown</td></tr>"
   "<tr><th scope=\"row\"><kbd>X</kbd></th><td>back to the alternative before</td></tr>"
   "<tr><th scope=\"row\"><kbd>\xE2\x86\x90</kbd> <kbd>\xE2\x86\x92</kbd></th><td>2 s back, ahead</td></tr>"
   "<tr><th scope=\"row\"><kbd>Home</kbd></th><td>to the start, or to the start of the loop</td></tr>"
   "<tr><th scope=\"row\"><kbd>L</kbd></th><td>loop on, off</td></tr>"
   "<tr><th scope=\"row\"><kbd>[</kbd> <kbd>]</kbd></th><td>loop from here, to here</td></tr>"
   "<tr><th scope=\"row\"><kbd>M</kbd></th><td>mono on, off: left and right folded to half their "
   "sum</td></tr>"
   "<tr><th scope=\"row\"><kbd>B</kbd></th><td>blind on, off</td></tr>"
   "<tr><th scope=\"row\"><kbd>-</kbd> <kbd>+</kbd></th><td>1 dB softer, louder</td></tr>"
   "</tbody></table><p class=\"help\">Click in the waveform to go there; drag over it to loop a passage.</p>"
   "</details>\n";

static void add_player(BmText* page, const BmAudition* audition)
{
   const double start_db = fmin(0.0, floor(BM_AUDITION_START_LUFS - audition->integrated_lufs));
   bm_text_addf(page,
                "<section class=\"signal\" id=\"player\" aria-label=\"Player\" data-rate=\"%.0f\" "
                "data-channels=\"%u\" data-frames=\"%llu\" data-volume=\"%.0f\" data-session=\"",
                audition->session->rate_hz, audition->n_channels, (unsigned long long)audition->n_frames,
                start_db);
   const char* slash = strrchr(audition->session->path, '/');
   bm_text_add_html(page, slash ? slash + 1 : audition->session->path);
   bm_text_add(page, "\">\n");
   bm_page_add_paragraph(page, "caution", bm_hearing_caution);
   bm_text_add(page,
               "<noscript><p class=\"warn\">The player needs JavaScript. The files further down open in any "
               "audio player, at the same loudness.</p></noscript>\n"
               "<p id=\"status\" class=\"status\" role=\"status\"></p>\n<div id=\"deck\" class=\"deck\">\n");
   add_choices(page, audition);
   bm_text_add(page, transport);
   bm_text_add(page, "</div>\n");
   bm_text_add(page, verdict);
   bm_text_add(page, keys);
   bm_text_add(page, "</section>\n");
}

/* ---- settings ---- */

static void add_settings(BmText* page, const BmAudition* audition, uint32_t number)
{
   const BmAuditionTake* take = &audition->takes[number];
   bm_text_add(page, "<article class=\"settings\"><h3>");
   add_swatch(page, number);
   add_name(page, take);
   bm_text_add(page, "</h3>\n");
   bm_page_add_paragraph(page, "note", take->alternative->note);
   bm_text_add(page, "<p class=\"where\"><a href=\"");
   bm_text_add_url(page, take->audio);
   bm_text_add(page, "\">");
   bm_text_add_html(page, take->audio);
   bm_text_add(page, "</a></p>\n");
   for (uint32_t n = 0; n < audition->session->n_nodes; ++n) {
      const BmNode* node = &audition->session->nodes[n];
      if (node->n_chains < 2 || !node->is_used) {
         continue;
      }
      const char* text = node->chains[number].turtle;
      bm_text_add(page, "<div class=\"paste\"><div><p class=\"where\">In <code>&lt;#");
      bm_text_add_html(page, node->id);
      bm_text_add(page, "&gt;</code>, ");
      bm_text_add_html(page, node->label);
      bm_text_add(page, "</p>");
      if (text) {
         bm_text_add(page,
                     "<button type=\"button\" class=\"copy\" hidden aria-label=\"Copy the settings of ");
         add_name(page, take);
         bm_text_add(page,
                     "\">Copy</button></div><pre tabindex=\"0\" role=\"region\" aria-label=\"Settings of ");
         add_name(page, take);
         bm_text_add(page, "\">");
         bm_text_add_html(page, text);
      }
      bm_text_add(page, text ? "</pre></div>\n"
                             : "</div><p>Too long to show; take it from the session.</p></div>\n");
   }
   bm_text_add(page, "</article>\n");
}

/* ---- the page ---- */

static void add_fact(BmText* page, const char* label, const char* value)
{
   bm_text_addf(page, "<div><dt>%s</dt><dd>", label);
   bm_text_add_html(page, value);
   bm_text_add(page, "</dd></div>\n");
}

static void add_facts(BmText* page, const BmAudition* audition)
{
   const BmSession* session = audition->session;
   const double length_s = (double)audition->n_frames / session->rate_hz;
   double highest_dbtp = -(double)INFINITY;
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      highest_dbtp = fmax(highest_dbtp, audition->takes[n].analysis.figures.true_peak_dbtp);
   }
   char number[BM_NUMBER_BYTES];
   char* text[5];
   bm_format_value(number, audition->integrated_lufs, 1, false);
   text[0] = bm_print("%s LUFS", number);
   bm_format_value(number, highest_dbtp, 1, false);
   text[1] = bm_print("%s dBTP", number);
   text[2] = bm_print("%d:%05.2f", (int)(length_s / 60.0), fmod(length_s, 60.0));
   text[3] = bm_print("%g kHz, %s", session->rate_hz / 1000.0, audition->n_channels == 1 ? "mono" : "stereo");
   const char* slash = strrchr(session->path, '/');
   text[4] = bm_copy(slash ? slash + 1 : session->path);
   static const char* const labels[] = {"Loudness of each", "Highest true peak", "Length", "Audio",
                                        "Session"};
   bm_text_add(page, "<dl class=\"facts\">\n");
   add_fact(page, "Stem", audition->stem->label);
   for (uint32_t n = 0; n < 5; ++n) {
      add_fact(page, labels[n], text[n]);
      free(text[n]);
   }
   bm_text_add(page, "</dl>\n</header>\n<main>\n");
}

static void add_definitions(BmText* page)
{
   bm_text_add(page, "<details class=\"definitions\"><summary>How each figure is measured</summary>\n<dl>\n");
   for (uint32_t m = 0; m < sizeof measures / sizeof *measures; ++m) {
      const BmDescriptor* descriptor;
      const Measure measure = measure_of(m, &descriptor);
      bm_text_add(page, "<dt>");
      bm_text_add_html(page, measure.label);
      bm_text_add(page, "</dt><dd>");
      bm_text_add_html(page, measure.definition);
      bm_text_add(page, "</dd>\n");
   }
   bm_text_add(page, "</dl></details>\n");
}

void bm_audition_add_page(BmText* page, const BmAudition* audition)
{
   bm_page_begin(page, audition->session->title, bm_sheet_audition_css);
   bm_page_add_paragraph(page, "lead", audition->session->note);
   add_facts(page, audition);
   add_player(page, audition);
   bm_text_add(page, "<div id=\"told\">\n<section class=\"signal\" aria-labelledby=\"costs-name\">\n<h2 "
                     "id=\"costs-name\">What each choice costs</h2>\n");
   add_table(page, audition);
   add_in_words(page, audition);
   add_spectra(page, audition);
   add_definitions(page);
   bm_text_add(
      page,
      "</section>\n<section class=\"signal\" aria-labelledby=\"settings-name\">\n<h2 "
      "id=\"settings-name\">What made each</h2>\n<p>To keep a choice and leave the others in reach, "
      "name it in the session: <code>bm:choice</code>, as the player says once you have noted one. To "
      "keep it alone, put its text in the place of <code>bm:inserts</code>.</p>\n<div class=\"columns\">\n");
   for (uint32_t n = 0; n < audition->n_takes; ++n) {
      add_settings(page, audition, n);
   }
   bm_text_add(page, "</div>\n</section>\n</div>\n</main>\n");
   bm_page_end(page, bm_sheet_audition_js);
}
