/* SPDX-License-Identifier: ISC */
#include "session_report.h"

#include "audio_file.h"
#include "note_finder.h"
#include "probe.h"
#include "report.h"
#include "response.h"

#include <errno.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Points that a segment which is no straight line is drawn with. */
#define BM_CURVE_POINTS 16u

/* A track, a bus or a stem with a place in the report. */
typedef struct {
   const BmNode* node;
   uint32_t index; /* of the node */
   uint32_t tap;
   const BmStem* stem; /* NULL for a track or bus */
   BmMeter* meters[2]; /* before, after; a stem's files are measured instead */
   BmNotes notes;      /* of a track's take */
   BmAnalysis* before;
   BmAnalysis* after;
} Signal;

/* What is heard inside a track or bus: place 0 is what comes to its inserts, n what leaves insert n. */
typedef struct {
   BmMeter** meters;       /* [n_places]; NULL behind an insert that is bypassed */
   uint64_t* n_passed;     /* [n_places] frames, those before the session's beginning too */
   BmMeasurement* figures; /* [n_places] once the meters have finished */
   uint32_t n_places;
   uint32_t
      n_channels; /* at every place: a take that becomes stereo is weighed as two channels from the start */
   bool is_finished;
} Chain;

struct BmSessionReport {
   BmHost* host;
   const BmSession* session;
   BmRender* render;
   Signal* signals; /* [n_signals], the stems first */
   uint32_t n_signals;
   BmReportSignal* described; /* [n_signals] once written */
   Chain** chains;            /* [n_nodes] NULL where nobody listens inside */
   BmResponse** curves;       /* [n_curves] */
   uint32_t n_curves;
   BmFigures** figures; /* [n_figures] */
   uint32_t n_figures;
   void** blocks; /* [n_blocks] what the page borrows */
   uint32_t n_blocks;
};

static void* keep(BmSessionReport* report, void* block)
{
   report->blocks = bm_realloc(report->blocks, report->n_blocks + 1u, sizeof(void*));
   report->blocks[report->n_blocks++] = block;
   return block;
}

static bool has_inserts(const BmNode* node)
{
   for (uint32_t n = 0; n < node->n_inserts; ++n) {
      if (!node->inserts[n].is_bypassed) {
         return true;
      }
   }
   return false;
}

static bool is_stem_source(const BmSession* session, uint32_t node)
{
   for (uint32_t n = 0; n < session->n_stems; ++n) {
      if (session->stems[n].from == node) {
         return true;
      }
   }
   return false;
}

static Signal* add_signal(BmSessionReport* report, uint32_t node)
{
   report->signals = bm_realloc(report->signals, report->n_signals + 1u, sizeof(Signal));
   Signal* signal = &report->signals[report->n_signals];
   *signal = (Signal){.node = &report->session->nodes[node],
                      .index = node,
                      .tap = report->n_signals++,
                      .before = bm_calloc(1, sizeof(BmAnalysis)),
                      .after = bm_calloc(1, sizeof(BmAnalysis))};
   return signal;
}

static bool fail_meter(const BmSession* session, BmError* error)
{
   return bm_fail(error, "%s: a report cannot be made at %g Hz; use --no-report", session->path,
                  session->rate_hz);
}

/* Listen to a node while it is rendered. The lowest note is asked of the take, where there is one. */
static bool listen(BmSessionReport* report, uint32_t node, BmError* error)
{
   Signal* signal = add_signal(report, node);
   const BmSession* session = report->session;
   bm_render_listen(report->render, node);
   BmError no_note = {0};
   if (signal->node->is_track) {
      bm_find_notes(report->host, signal->node->take, NULL, &signal->notes, &no_note);
   }
   const double note_hz = signal->notes.lowest_hz;
   const BmMeterOptions options = {.sample_rate_hz = session->rate_hz,
                                   .n_channels = signal->node->n_out,
                                   .lowest_note_hz = isfinite(note_hz) ? note_hz : 0.0};
   for (int n = 0; n < 2; ++n) {
      signal->meters[n] = bm_meter_new(&options);
      if (!signal->meters[n]) {
         return fail_meter(session, error);
      }
   }
   return true;
}

static void chain_free(Chain* chain)
{
   for (uint32_t n = 0; chain && n < chain->n_places; ++n) {
      bm_meter_free(chain->meters[n]);
   }
   if (chain) {
      free(chain->meters);
      free(chain->n_passed);
      free(chain->figures);
   }
   free(chain);
}

/* Listen inside a node, unless it has no insert that does more than look on. */
static bool listen_inside(BmSessionReport* report, uint32_t index, BmError* error)
{
   const BmNode* node = &report->session->nodes[index];
   uint32_t n_active = 0;
   uint32_t n_channels = node->n_in;
   for (uint32_t n = 0; n < node->n_inserts; ++n) {
      const BmInsert* insert = &node->inserts[n];
      n_active += !insert->is_bypassed && !strstr(insert->plugin->class_name, "Analyser");
      n_channels = !insert->is_bypassed && insert->n_out > n_channels ? insert->n_out : n_channels;
   }
   if (!n_active || report->chains[index]) {
      return true;
   }
   Chain* chain = bm_calloc(1, sizeof(Chain));
   report->chains[index] = chain;
   chain->n_channels = n_channels;
   chain->n_places = node->n_inserts + 1u;
   chain->meters = bm_calloc(chain->n_places, sizeof(BmMeter*));
   chain->n_passed = bm_calloc(chain->n_places, sizeof(uint64_t));
   chain->figures = bm_calloc(chain->n_places, sizeof(BmMeasurement));
   const BmMeterOptions options = {
      .sample_rate_hz = report->session->rate_hz, .n_channels = n_channels, .without_true_peak = true};
   for (uint32_t n = 0; n < chain->n_places; ++n) {
      const bool is_heard = !n || !node->inserts[n - 1].is_bypassed;
      chain->meters[n] = is_heard ? bm_meter_new(&options) : NULL;
      if (is_heard && !chain->meters[n]) {
         return fail_meter(report->session, error);
      }
   }
   return true;
}

BmSessionReport* bm_session_report_new(BmHost* host, const BmSession* session, BmRender* render,
                                       BmError* error)
{
   BmSessionReport* report = bm_calloc(1, sizeof(BmSessionReport));
   report->host = host;
   report->session = session;
   report->render = render;
   report->chains = bm_calloc(session->n_nodes, sizeof(Chain*));
   for (uint32_t n = 0; n < session->n_stems; ++n) {
      add_signal(report, session->stems[n].from)->stem = &session->stems[n];
   }
   bool ok = true;
   for (uint32_t n = 0; n < session->n_nodes && ok; ++n) {
      const BmNode* node = &session->nodes[n];
      const bool has_room = report->n_signals < session->n_stems + BM_REPORT_MAX_NODES;
      if (node->is_used && has_inserts(node) && !is_stem_source(session, n) && has_room) {
         ok = listen(report, n, error);
      }
   }
   for (uint32_t n = 0; n < report->n_signals && ok; ++n) {
      ok = listen_inside(report, report->signals[n].index, error);
   }
   if (!ok) {
      bm_session_report_free(report);
      return NULL;
   }
   return report;
}

void bm_session_report_free(BmSessionReport* report)
{
   if (!report) {
      return;
   }
   for (uint32_t n = 0; n < report->n_signals; ++n) {
      Signal* signal = &report->signals[n];
      bm_meter_free(signal->meters[0]);
      bm_meter_free(signal->meters[1]);
      bm_notes_free(&signal->notes);
      bm_analysis_free(signal->before);
      bm_analysis_free(signal->after);
      free(signal->before);
      free(signal->after);
   }
   for (uint32_t n = 0; n < report->session->n_nodes; ++n) {
      chain_free(report->chains[n]);
   }
   free(report->chains);
   for (uint32_t n = 0; n < report->n_blocks; ++n) {
      free(report->blocks[n]);
   }
   for (uint32_t n = 0; n < report->n_curves; ++n) {
      bm_response_free(report->curves[n]);
      free(report->curves[n]);
   }
   free(report->curves);
   for (uint32_t n = 0; n < report->n_figures; ++n) {
      bm_figures_free(report->figures[n]);
      free(report->figures[n]);
   }
   free(report->figures);
   free(report->blocks);
   free(report->signals);
   free(report);
}

void bm_session_report_hear(BmSessionReport* report, uint32_t tap, bool is_after,
                            const float* const* channels, uint32_t n_frames)
{
   BmMeter* meter = report->signals[tap].meters[is_after];
   if (meter) {
      bm_meter_add_channels(meter, channels, n_frames);
   }
}

void bm_session_report_hear_inside(BmSessionReport* report, const BmInsideBlock* block)
{
   Chain* chain = report->chains[block->node];
   if (!chain || block->place >= chain->n_places || !chain->meters[block->place]) {
      return;
   }
   /* Of every place the same part of the session, from its beginning to the end of the last take. */
   const uint64_t passed = chain->n_passed[block->place];
   const uint64_t end = block->late_frames + report->session->content_frames;
   const uint64_t from = passed < block->late_frames ? block->late_frames - passed : 0u;
   const uint64_t to = passed < end ? end - passed : 0u;
   chain->n_passed[block->place] += block->n_frames;
   const uint32_t n_end = to < block->n_frames ? (uint32_t)to : block->n_frames;
   if (from >= n_end) {
      return;
   }
   const float* channels[BM_MAX_CHANNELS];
   for (uint32_t c = 0; c < chain->n_channels; ++c) {
      channels[c] = block->channels[c < block->n_channels ? c : 0] + from;
   }
   bm_meter_add_channels(chain->meters[block->place], channels, n_end - (uint32_t)from);
}

static bool leads_to(const BmSession* session, uint32_t from, uint32_t to)
{
   const BmNode* node = &session->nodes[from];
   bool leads = from == to;
   for (uint32_t n = 0; n < node->n_routes && !leads; ++n) {
      leads = leads_to(session, node->routes[n].to, to);
   }
   return leads;
}

/* The lowest note that inserts are measured against: of the take, or of a bus that of the first stem it leads
   to. */
static double lowest_note_hz(const BmSessionReport* report, const Signal* signal)
{
   double note_hz = signal->before->figures.lowest_note_hz;
   for (uint32_t n = 0; n < report->session->n_stems && !(note_hz > 0.0); ++n) {
      if (leads_to(report->session, signal->index, report->session->stems[n].from)) {
         note_hz = report->signals[n].before->figures.lowest_note_hz;
      }
   }
   return note_hz;
}

static bool finish_chain(Chain* chain, double note_hz, BmError* error)
{
   if (!chain || chain->is_finished) {
      return true;
   }
   chain->is_finished = true;
   BmAnalysis* analysis = bm_calloc(1, sizeof(BmAnalysis));
   for (uint32_t n = 0; n < chain->n_places && !error->is_set; ++n) {
      if (!chain->meters[n]) {
         continue;
      }
      if (!bm_meter_finish(chain->meters[n], analysis)) {
         bm_fail(error, "out of memory");
         break;
      }
      chain->figures[n] = analysis->figures;
      chain->figures[n].under_note_db = bm_under_note_db(&analysis->spectrum, note_hz);
      bm_analysis_free(analysis);
   }
   free(analysis);
   return !error->is_set;
}

/* The notes of the take, moved to where the take stands. */
static void place_notes(const BmSessionReport* report, const Signal* signal, BmSeries* series)
{
   const double offset_s = (double)signal->node->offset_frames / report->session->rate_hz;
   const int64_t shift = llrint(offset_s / BM_SERIES_STEP_S);
   for (uint32_t n = 0; n < series->n_points; ++n) {
      const int64_t from = (int64_t)n - shift;
      if (from >= 0 && from < (int64_t)signal->notes.n_points) {
         series->lowest_note_hz[n] = signal->notes.sounding_hz[from];
      }
   }
}

static bool measure(BmSessionReport* report, Signal* signal, const BmReportTask* task, BmError* error)
{
   if (!signal->stem) {
      if (!bm_meter_finish(signal->meters[0], signal->before) ||
          !bm_meter_finish(signal->meters[1], signal->after)) {
         return bm_fail(error, "out of memory");
      }
      place_notes(report, signal, &signal->before->series);
      return true;
   }
   /* The same note in both, so that its harmonics can be compared. */
   const uint32_t stem = (uint32_t)(signal->stem - report->session->stems);
   const char* paths[] = {bm_stems_path(task->stems, stem, true), bm_stems_path(task->stems, stem, false)};
   char* what = bm_print("measuring %s", paths[1]);
   bm_progress_say(task->progress, what);
   free(what);
   BmError problem = {0};
   BmWatch watch = {.stop = task->stop};
   bool ok = bm_measure_file(report->host, paths[0], 0.0, &watch, signal->before, &problem);
   const double note_hz = signal->before->figures.lowest_note_hz;
   BmHost* seeker = isfinite(signal->before->figures.integrated_lufs) ? NULL : report->host;
   ok = ok &&
        bm_measure_file(seeker, paths[1], isfinite(note_hz) ? note_hz : 0.0, &watch, signal->after, &problem);
   return *task->stop ? bm_fail(error, "interrupted; the stems are written, the report is not")
                      : ok || bm_fail(error, "%s", problem.text);
}

static const char* value_label(const BmPort* port, double value)
{
   for (uint32_t n = 0; n < port->n_points; ++n) {
      if (port->points[n].value == (float)value) {
         return port->points[n].label;
      }
   }
   return port->is_toggled ? (value > 0.0 ? "on" : "off") : NULL;
}

static const BmSetting* find_setting(const BmInsert* insert, const BmPort* port)
{
   for (uint32_t n = 0; n < insert->n_settings; ++n) {
      if (insert->settings[n].port == port) {
         return &insert->settings[n];
      }
   }
   return NULL;
}

static const char* unit_or_null(const BmPort* port)
{
   return port->unit[0] ? port->unit : NULL;
}

/* Whether a plugin is one whose sound a curve tells, by its LV2 class. */
static bool has_curve(const BmPlugin* plugin)
{
   static const char* const classes[] = {"Equaliser", "EQ",        "Filter",    "pass",
                                         "Comb",      "Simulator", "Distortion"};
   for (size_t n = 0; n < sizeof(classes) / sizeof(classes[0]); ++n) {
      if (strstr(plugin->class_name, classes[n])) {
         return true;
      }
   }
   return false;
}

static const BmPort* find_port(const BmPlugin* plugin, const char* symbol)
{
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      if (!strcmp(plugin->ports[n].symbol, symbol)) {
         return &plugin->ports[n];
      }
   }
   return NULL;
}

static int compare_floats(const void* a, const void* b)
{
   const float x = *(const float*)a;
   const float y = *(const float*)b;
   return (x > y) - (x < y);
}

/* The middle of what a trace told above 0; 0 if it told nothing. */
static float median(const BmTrace* trace)
{
   float* values = bm_calloc(trace->n_points, sizeof(float));
   uint32_t n_values = 0;
   for (uint32_t n = 0; n < trace->n_points; ++n) {
      if (trace->mean[n] > 0.0f) {
         values[n_values++] = trace->mean[n];
      }
   }
   qsort(values, n_values, sizeof(float), compare_floats);
   const float middle = n_values ? values[n_values / 2] : 0.0f;
   free(values);
   return middle;
}

/* An EQ that listens for its note hears none in an impulse: it is given the one it mostly stood on. */
static void settle_note(const BmPlugin* plugin, const BmInsertRecord* record, float* values)
{
   const BmPort* source = find_port(plugin, "note_source");
   const BmPort* note = find_port(plugin, "note_freq");
   for (uint32_t n = 0; source && note && n < record->n_traces; ++n) {
      const float lowest =
         strcmp(record->traces[n].port->symbol, "lowest_note") ? 0.0f : median(&record->traces[n]);
      if (lowest >= note->min && lowest <= note->max) {
         values[source->index] = 0.0f;
         values[note->index] = lowest;
      }
   }
}

/* The insert's own curve as its controls stand when the render begins; NULL where there is none to see. */
static const BmResponse* measure_curve(BmSessionReport* report, const BmPlugin* plugin,
                                       const BmInsertRecord* record)
{
   if (!has_curve(plugin)) {
      return NULL;
   }
   float* values = bm_calloc(plugin->n_ports, sizeof(float));
   memcpy(values, record->values, plugin->n_ports * sizeof(float));
   settle_note(plugin, record, values);
   BmResponse* curve = bm_calloc(1, sizeof(BmResponse));
   report->curves = bm_realloc(report->curves, report->n_curves + 1u, sizeof(BmResponse*));
   report->curves[report->n_curves++] = curve;
   const BmResponseOptions options = bm_response_curve_options(report->session->rate_hz);
   BmError no_curve = {0};
   const bool ok =
      bm_response_of_plugin(report->host, plugin, values, BM_INPUT_BOTH, &options, curve, &no_curve);
   free(values);
   return ok ? curve : NULL;
}

static BmFigures* add_figures(BmSessionReport* report)
{
   BmFigures* figures = bm_calloc(1, sizeof(BmFigures));
   report->figures = bm_realloc(report->figures, report->n_figures + 1u, sizeof(BmFigures*));
   report->figures[report->n_figures++] = figures;
   return figures;
}

static BmReportInsert describe_insert(BmSessionReport* report, const Signal* signal, uint32_t index)
{
   const BmInsert* insert = &signal->node->inserts[index];
   const BmPlugin* plugin = insert->plugin;
   const BmInsertRecord* record = bm_render_insert(report->render, signal->index, index);
   BmReportInsert described = {.name = insert->label, .uri = plugin->uri, .is_bypassed = insert->is_bypassed};
   if (!record) {
      return described;
   }
   const Chain* chain = report->chains[signal->index];
   if (chain) {
      uint32_t before = index; /* the place in front of it: behind the latest insert that is not bypassed */
      while (!chain->meters[before]) {
         --before;
      }
      described.came = &chain->figures[before];
      described.left = &chain->figures[index + 1u];
   }
   BmReportSetting* settings = keep(report, bm_calloc(plugin->n_ports, sizeof(BmReportSetting)));
   described.latency_frames = record->latency_frames;
   described.response = measure_curve(report, plugin, record);
   described.settings = settings;
   BmFigures* figures = add_figures(report);
   bm_probe_insert(report->host, plugin, record->values, report->session->rate_hz, figures);
   described.figures = figures->plots;
   described.n_figures = figures->n_plots;
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      const BmPort* port = &plugin->ports[n];
      const bool is_shown = port->kind == BM_PORT_CONTROL && port->is_input && !port->is_trigger &&
                            !port->is_free_wheeling && !(port->is_enabled && record->values[n] == port->def);
      if (!is_shown) {
         continue;
      }
      const BmSetting* setting = find_setting(insert, port);
      settings[described.n_settings++] = (BmReportSetting){
         .symbol = port->symbol,
         .name = port->name,
         .value = (double)record->values[n],
         .value_label = value_label(port, (double)record->values[n]),
         .unit = unit_or_null(port),
         .is_changed = record->values[n] != port->def,
         .is_automated = setting && setting->automation.n_points,
      };
   }
   return described;
}

/* An automation as a line: held segments become steps, curved ones many points. */
static BmReportAutomation draw_automation(BmSessionReport* report, const BmAutomation* automation)
{
   BmReportAutomation drawn = {0};
   const uint32_t capacity = automation->n_points * BM_CURVE_POINTS;
   double* time_s = keep(report, bm_calloc(capacity, sizeof(double)));
   double* value = keep(report, bm_calloc(capacity, sizeof(double)));
   for (uint32_t n = 0; n < automation->n_points; ++n) {
      const BmBreakpoint* from = &automation->points[n];
      const BmBreakpoint* to = n + 1 < automation->n_points ? from + 1 : NULL;
      time_s[drawn.n_points] = from->time_s;
      value[drawn.n_points++] = from->value;
      if (to && from->to_next == BM_SEGMENT_HELD) {
         time_s[drawn.n_points] = to->time_s;
         value[drawn.n_points++] = from->value;
      }
      for (uint32_t p = 1; to && from->to_next == BM_SEGMENT_GEOMETRIC && p < BM_CURVE_POINTS; ++p) {
         const double share = (double)p / BM_CURVE_POINTS;
         time_s[drawn.n_points] = from->time_s + share * (to->time_s - from->time_s);
         value[drawn.n_points++] = from->value * pow(to->value / from->value, share);
      }
   }
   drawn.time_s = time_s;
   drawn.value = value;
   return drawn;
}

static void add_fader_automation(BmSessionReport* report, const BmAutomation* automation, const char* label,
                                 const char* unit, double min, double max, BmReportAutomation* list,
                                 uint32_t* n_list)
{
   if (!automation->n_points) {
      return;
   }
   BmReportAutomation* drawn = &list[(*n_list)++];
   *drawn = draw_automation(report, automation);
   drawn->label = label;
   drawn->unit = unit;
   drawn->min = min;
   drawn->max = max;
   for (uint32_t n = 0; n < drawn->n_points; ++n) {
      drawn->min = fmin(drawn->min, drawn->value[n]);
      drawn->max = fmax(drawn->max, drawn->value[n]);
   }
}

static void describe_automation(BmSessionReport* report, const Signal* signal, BmReportSignal* described)
{
   const BmNode* node = signal->node;
   uint32_t capacity = 2 + node->n_routes;
   for (uint32_t n = 0; n < node->n_inserts; ++n) {
      capacity += node->inserts[n].n_settings;
   }
   BmReportAutomation* list = keep(report, bm_calloc(capacity, sizeof(BmReportAutomation)));
   for (uint32_t i = 0; i < node->n_inserts; ++i) {
      const BmInsert* insert = &node->inserts[i];
      for (uint32_t n = 0; n < insert->n_settings && !insert->is_bypassed; ++n) {
         const BmPort* port = insert->settings[n].port;
         if (!insert->settings[n].automation.n_points) {
            continue;
         }
         const double scale = port->scales_by_rate ? report->session->rate_hz : 1.0;
         BmReportAutomation* drawn = &list[described->n_automation++];
         *drawn = draw_automation(report, &insert->settings[n].automation);
         drawn->label = keep(report, bm_print("%s: %s", insert->label, port->name));
         drawn->unit = unit_or_null(port);
         drawn->min = (double)port->min * scale;
         drawn->max = (double)port->max * scale;
         drawn->is_log = port->is_logarithmic;
      }
   }
   add_fader_automation(report, &node->gain, "Fader", "dB", -24.0, 6.0, list, &described->n_automation);
   add_fader_automation(report, &node->pan_automation, "Pan", NULL, -1.0, 1.0, list,
                        &described->n_automation);
   for (uint32_t r = 0; r < node->n_routes; ++r) {
      const char* to = report->session->nodes[node->routes[r].to].label;
      add_fader_automation(report, &node->routes[r].gain, keep(report, bm_print("Send to %s", to)), "dB",
                           -24.0, 6.0, list, &described->n_automation);
   }
   described->automation = list;
}

/* What the report shows better by other means: loudness over time, the lowest note. */
static bool is_shown_elsewhere(const BmPort* port)
{
   static const char* const symbols[] = {"input_level", "output_level", "lowest_note", "note_confidence"};
   for (size_t n = 0; n < sizeof(symbols) / sizeof(symbols[0]); ++n) {
      if (!strcmp(port->symbol, symbols[n])) {
         return true;
      }
   }
   return false;
}

static bool moves(const BmTrace* trace)
{
   for (uint32_t n = 1; n < trace->n_points; ++n) {
      if (trace->mean[n] != trace->mean[0]) {
         return true;
      }
   }
   return false;
}

static void describe_traces(BmSessionReport* report, const Signal* signal, BmReportSignal* described)
{
   const BmNode* node = signal->node;
   uint32_t capacity = 0;
   for (uint32_t i = 0; i < node->n_inserts; ++i) {
      capacity += node->inserts[i].plugin->n_ports;
   }
   BmReportTrace* list = keep(report, bm_calloc(capacity, sizeof(BmReportTrace)));
   for (uint32_t i = 0; i < node->n_inserts; ++i) {
      const BmInsertRecord* record = bm_render_insert(report->render, signal->index, i);
      for (uint32_t t = 0; record && t < record->n_traces; ++t) {
         const BmTrace* trace = &record->traces[t];
         if (is_shown_elsewhere(trace->port) || !moves(trace)) {
            continue;
         }
         double* time_s = keep(report, bm_calloc(trace->n_points, sizeof(double)));
         double* value = keep(report, bm_calloc(trace->n_points, sizeof(double)));
         for (uint32_t n = 0; n < trace->n_points; ++n) {
            time_s[n] = n * trace->point_s;
            value[n] = (double)trace->mean[n];
         }
         list[described->n_traces++] = (BmReportTrace){
            .label = keep(report, bm_print("%s: %s", node->inserts[i].label, trace->port->name)),
            .unit = unit_or_null(trace->port),
            .time_s = time_s,
            .value = value,
            .n_points = trace->n_points,
         };
      }
   }
   described->traces = list;
}

static const char* file_name(const char* path)
{
   const char* slash = strrchr(path, '/');
   return slash ? slash + 1 : path;
}

/* What is fed by sends alone is silent without them, or holds dither: nothing to be compared with. */
static bool has_no_before(const Signal* signal)
{
   return !signal->node->is_track && !isfinite(signal->before->figures.integrated_lufs) &&
          isfinite(signal->after->figures.integrated_lufs);
}

static BmReportSignal describe_signal(BmSessionReport* report, const Signal* signal, const BmStems* stems)
{
   const BmNode* node = signal->node;
   BmReportSignal described = {
      .name = signal->stem ? signal->stem->label : node->label,
      .kind = signal->stem     ? "Stem"
              : node->is_track ? "Track"
                               : "Bus",
      .note = node->note[0] ? node->note : NULL,
      .before = signal->before,
      .after = signal->after,
   };
   if (has_no_before(signal)) {
      described.before = NULL;
      described.note = keep(report, bm_print("%s%sThere is no before: without sends nothing comes here.",
                                             node->note, node->note[0] ? " " : ""));
   }
   if (signal->stem) {
      const uint32_t stem = (uint32_t)(signal->stem - report->session->stems);
      described.before_audio = described.before ? file_name(bm_stems_path(stems, stem, true)) : NULL;
      described.after_audio = file_name(bm_stems_path(stems, stem, false));
      BmFigures* figures = add_figures(report);
      bm_probe_stereo_file(bm_stems_path(stems, stem, true), bm_stems_path(stems, stem, false), figures);
      described.figures = figures->plots;
      described.n_figures = figures->n_plots;
   }
   BmReportInsert* inserts = keep(report, bm_calloc(node->n_inserts, sizeof(BmReportInsert)));
   for (uint32_t n = 0; n < node->n_inserts; ++n) {
      inserts[n] = describe_insert(report, signal, n);
   }
   described.inserts = inserts;
   described.n_inserts = node->n_inserts;
   describe_automation(report, signal, &described);
   describe_traces(report, signal, &described);
   return described;
}

static uint32_t count(const BmSession* session, bool tracks)
{
   uint32_t n_used = 0;
   for (uint32_t n = 0; n < session->n_nodes; ++n) {
      n_used += session->nodes[n].is_used && session->nodes[n].is_track == tracks;
   }
   return n_used;
}

bool bm_session_report_write(BmSessionReport* report, const BmReportTask* task, BmError* error)
{
   const BmSession* session = report->session;
   BmReportSignal* signals = keep(report, bm_calloc(report->n_signals, sizeof(BmReportSignal)));
   for (uint32_t n = 0; n < report->n_signals; ++n) {
      Signal* signal = &report->signals[n];
      if (!measure(report, signal, task, error) ||
          !finish_chain(report->chains[signal->index], lowest_note_hz(report, signal), error)) {
         return false;
      }
      signals[n] = describe_signal(report, signal, task->stems);
   }
   report->described = signals;
   const double length_s = (double)bm_stems_n_frames(task->stems) / session->rate_hz;
   const BmReportFact facts[] = {
      {"Sample rate", keep(report, bm_print("%g kHz", session->rate_hz / 1000.0))},
      {"Length", keep(report, bm_print("%d:%05.2f", (int)(length_s / 60.0), fmod(length_s, 60.0)))},
      {"Tracks", keep(report, bm_print("%u", count(session, true)))},
      {"Buses", keep(report, bm_print("%u", count(session, false)))},
      {"Session", file_name(session->path)},
      {"Still the same?", task->recall},
   };
   const BmReport page = {
      .title = session->title,
      .summary = session->note[0] ? session->note : NULL,
      .facts = facts,
      .n_facts = sizeof(facts) / sizeof(facts[0]),
      .signals = signals,
      .n_signals = report->n_signals,
   };
   return bm_report_write(&page, task->path) ||
          bm_fail(error, "%s: the report cannot be written: %s", task->path, strerror(errno));
}

const BmMeasurement* bm_session_report_figures(const BmSessionReport* report, uint32_t stem, bool before)
{
   return before ? &report->signals[stem].before->figures : &report->signals[stem].after->figures;
}

const BmReportSignal* bm_session_report_signals(const BmSessionReport* report, uint32_t* n_signals)
{
   *n_signals = report->described ? report->n_signals : 0u;
   return report->described;
}
