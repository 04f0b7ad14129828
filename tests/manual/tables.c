/* SPDX-License-Identifier: ISC */
#include "tables.h"

#include <ctype.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* More points than this are listed under the table. */
#define MAX_POINTS_IN_A_CELL 6

/* So many plugins have a control that is shared: it is described with the others of its kind. */
#define SHARED_BY 5

/* Words from Turtle, in one line, with nothing that a table would take for its own. */
static void add_words(BmText* text, const char* words)
{
   bool has_space = true;
   for (const char* c = words; *c; ++c) {
      const bool is_space = isspace((unsigned char)*c);
      if (!is_space || !has_space) {
         bm_text_addf(text, *c == '|' || *c == '<' || *c == '*' ? "\\%c" : "%c", is_space ? ' ' : *c);
      }
      has_space = is_space;
   }
}

static bool is_control(const BmPort* port, bool is_input)
{
   return port->kind == BM_PORT_CONTROL && port->is_input == is_input;
}

/* The first form's port of the symbol, and which forms have it. */
typedef struct {
   const BmPort* port;
   bool is_in[BM_MANUAL_MAX_FORMS];
   bool is_in_all;
} Control;

/* The control ports of all forms, in the order of the form that has most of them. */
static uint32_t gather(const BmManualPlugin* plugin, bool is_input, Control* controls)
{
   uint32_t n_controls = 0;
   uint32_t fullest = 0;
   for (uint32_t f = 1; f < plugin->n_forms; ++f) {
      fullest = plugin->forms[f]->n_ports > plugin->forms[fullest]->n_ports ? f : fullest;
   }
   for (uint32_t turn = 0; turn < plugin->n_forms; ++turn) {
      const BmPlugin* form = plugin->forms[(fullest + turn) % plugin->n_forms];
      for (uint32_t p = 0; p < form->n_ports; ++p) {
         if (!is_control(&form->ports[p], is_input)) {
            continue;
         }
         uint32_t known = 0;
         while (known < n_controls && strcmp(controls[known].port->symbol, form->ports[p].symbol)) {
            ++known;
         }
         if (known < n_controls) {
            continue;
         }
         Control* control = &controls[n_controls++];
         *control = (Control){.port = &form->ports[p], .is_in_all = true};
         for (uint32_t f = 0; f < plugin->n_forms; ++f) {
            control->is_in[f] = bm_manual_port(plugin->forms[f], form->ports[p].symbol) != NULL;
            control->is_in_all = control->is_in_all && control->is_in[f];
         }
      }
   }
   return n_controls;
}

static uint32_t most_ports(const BmManualPlugin* plugin)
{
   uint32_t n_ports = 0;
   for (uint32_t f = 0; f < plugin->n_forms; ++f) {
      n_ports += plugin->forms[f]->n_ports;
   }
   return n_ports;
}

static bool is_shared(const BmManualBundle* bundle, const BmPort* port)
{
   uint32_t n_plugins = 0;
   for (uint32_t n = 0; n < bundle->n_plugins && !port->group[0]; ++n) {
      const BmPort* other = bm_manual_port(bundle->plugins[n].forms[0], port->symbol);
      n_plugins += other && other->is_input == port->is_input && !strcmp(other->name, port->name);
   }
   return n_plugins >= SHARED_BY;
}

static void add_number(BmText* text, const BmPort* port, float value)
{
   bm_text_addf(text, "%g", (double)value);
   if (port->unit[0]) {
      bm_text_add(text, " ");
      add_words(text, port->unit);
   }
}

static const char* label_of(const BmPort* port, float value)
{
   for (uint32_t n = 0; n < port->n_points; ++n) {
      if (port->points[n].value == value) {
         return port->points[n].label;
      }
   }
   return NULL;
}

/* "`1` Learn and hold"; a label that begins with the value says it already: "24 dB/octave". */
static void add_point(BmText* text, const BmScalePoint* point)
{
   char value[32];
   const int length = snprintf(value, sizeof value, "%g", (double)point->value);
   if (strncmp(point->label, value, (size_t)length) || isdigit((unsigned char)point->label[length])) {
      bm_text_addf(text, "`%s` ", value);
   }
   add_words(text, point->label);
}

static void add_points(BmText* text, const BmPort* port, const char* between)
{
   for (uint32_t n = 0; n < port->n_points; ++n) {
      bm_text_add(text, n ? between : "");
      add_point(text, &port->points[n]);
   }
}

static void add_range(BmText* text, const BmPort* port)
{
   if (port->is_toggled) {
      bm_text_add(text, "`0` off, `1` on");
   } else if (port->is_enumeration && port->n_points <= MAX_POINTS_IN_A_CELL) {
      add_points(text, port, ", ");
   } else if (!port->has_min || !port->has_max) {
      bm_text_add(text, "any");
      bm_text_add(text, port->unit[0] ? " " : "");
      add_words(text, port->unit);
   } else {
      bm_text_addf(text, "%g to ", (double)port->min);
      add_number(text, port, port->max);
      if (port->n_points > MAX_POINTS_IN_A_CELL) {
         bm_text_add(text, ", see below");
      } else if (port->n_points) {
         bm_text_add(text, " (");
         add_points(text, port, ", ");
         bm_text_add(text, ")");
      }
   }
}

static void add_default(BmText* text, const BmPort* port)
{
   const char* label = label_of(port, port->def);
   if (port->is_toggled) {
      bm_text_add(text, port->def > 0.0f ? "on" : "off");
   } else if (label) {
      add_words(text, label);
   } else {
      add_number(text, port, port->def);
   }
}

/* "stereo only", where not every form has it. */
static void add_forms(BmText* text, const BmManualPlugin* plugin, const bool* is_in)
{
   for (uint32_t f = 0, n = 0; f < plugin->n_forms; ++f) {
      if (is_in[f]) {
         bm_text_addf(text, "%s%s", n++ ? ", " : " (", plugin->form_names[f]);
      }
   }
   bm_text_add(text, " only)");
}

static void add_row(BmText* text, const BmManualPlugin* plugin, const Control* control)
{
   const BmPort* port = control->port;
   bm_text_add(text, "| ");
   add_words(text, port->name);
   bm_text_addf(text, " | `%s`", port->symbol);
   if (!control->is_in_all) {
      add_forms(text, plugin, control->is_in);
   }
   bm_text_add(text, " | ");
   add_range(text, port);
   if (port->is_input) {
      bm_text_add(text, " | ");
      add_default(text, port);
   }
   bm_text_add(text, " | ");
   add_words(text, port->help);
   bm_text_add(text, " |\n");
}

static const char* group_of(const BmManualBundle* bundle, const BmPort* port)
{
   return is_shared(bundle, port) ? "As in other plugins" : port->group;
}

/* The rows of one group; those of a group of its own under a heading. */
static void add_group(BmText* text, const BmManualBundle* bundle, const BmManualPlugin* plugin,
                      const Control* controls, uint32_t n_controls, const char* group)
{
   bool is_begun = false;
   for (uint32_t n = 0; n < n_controls; ++n) {
      if (strcmp(group_of(bundle, controls[n].port), group)) {
         continue;
      }
      if (!is_begun) {
         if (group[0]) {
            bm_text_add(text, "### ");
            add_words(text, group);
            bm_text_add(text, "\n\n");
         }
         bm_text_add(text, "| control | symbol | range | default | what it does |\n|---|---|---|---|---|\n");
         is_begun = true;
      }
      add_row(text, plugin, &controls[n]);
   }
   bm_text_add(text, is_begun ? "\n" : "");
   for (uint32_t n = 0; n < n_controls; ++n) {
      const BmPort* port = controls[n].port;
      if (port->n_points > MAX_POINTS_IN_A_CELL && !strcmp(group_of(bundle, port), group)) {
         bm_text_addf(text, "`%s`: ", port->symbol);
         add_points(text, port, "; ");
         bm_text_add(text, ".\n\n");
      }
   }
}

static bool is_first_of_its_group(const BmManualBundle* bundle, const Control* controls, uint32_t at)
{
   const char* group = group_of(bundle, controls[at].port);
   for (uint32_t n = 0; n < at; ++n) {
      if (!strcmp(group_of(bundle, controls[n].port), group)) {
         return false;
      }
   }
   return true;
}

/* Groups in the order of their first control; what is shared comes last. */
static void add_inputs(BmText* text, const BmManualBundle* bundle, const BmManualPlugin* plugin)
{
   Control* controls = bm_calloc(most_ports(plugin), sizeof *controls);
   const uint32_t n_controls = gather(plugin, true, controls);
   bm_text_add(text, "## Controls\n\n");
   add_group(text, bundle, plugin, controls, n_controls, "");
   for (int shared = 0; shared < 2; ++shared) {
      for (uint32_t n = 0; n < n_controls; ++n) {
         const BmPort* port = controls[n].port;
         const char* group = group_of(bundle, port);
         if (group[0] && is_shared(bundle, port) == (shared == 1) &&
             is_first_of_its_group(bundle, controls, n)) {
            add_group(text, bundle, plugin, controls, n_controls, group);
         }
      }
   }
   free(controls);
}

/* What every plugin tells stands under what this one tells. */
static void add_outputs(BmText* text, const BmManualBundle* bundle, const BmManualPlugin* plugin)
{
   Control* controls = bm_calloc(most_ports(plugin), sizeof *controls);
   const uint32_t n_controls = gather(plugin, false, controls);
   if (n_controls) {
      bm_text_add(text, "### Meters\n\n| meter | symbol | range | what it tells |\n|---|---|---|---|\n");
   }
   for (int shared = 0; shared < 2; ++shared) {
      for (uint32_t n = 0; n < n_controls; ++n) {
         if (is_shared(bundle, controls[n].port) == (shared == 1)) {
            add_row(text, plugin, &controls[n]);
         }
      }
   }
   bm_text_add(text, n_controls ? "\n" : "");
   free(controls);
}

/* What a preset sets besides the defaults, read back from the plugin that has taken it up. */
static bool add_settings(BmText* text, BmHost* host, const BmPlugin* plugin, const char* preset,
                         BmError* error)
{
   BmInstance* instance = bm_instance_new(host, plugin, 48000.0, 64, error);
   const bool ok = instance && bm_instance_load_preset(instance, preset, error);
   uint32_t n_settings = 0;
   for (uint32_t p = 0; ok && p < plugin->n_ports; ++p) {
      const BmPort* port = &plugin->ports[p];
      const float value = is_control(port, true) ? bm_instance_get(instance, p) : port->def;
      if (is_control(port, true) && value != port->def) {
         bm_text_addf(text, "%s`%s` %g", n_settings++ ? ", " : "", port->symbol, (double)value);
      }
   }
   bm_text_add(text, ok && !n_settings ? "the defaults" : "");
   bm_instance_free(instance);
   return ok;
}

static const BmPreset* find_preset(const BmPlugin* form, const char* label)
{
   for (uint32_t n = 0; n < form->n_presets; ++n) {
      if (!strcmp(form->presets[n].label, label)) {
         return &form->presets[n];
      }
   }
   return NULL;
}

/* As the form with the most controls takes it up: some are only in that one. */
static bool add_all_settings(BmText* text, BmHost* host, const BmManualPlugin* plugin, const char* label,
                             BmError* error)
{
   const BmPlugin* fullest = NULL;
   for (uint32_t f = 0; f < plugin->n_forms; ++f) {
      const BmPlugin* form = plugin->forms[f];
      if (find_preset(form, label) && (!fullest || form->n_ports > fullest->n_ports)) {
         fullest = form;
      }
   }
   return add_settings(text, host, fullest, find_preset(fullest, label)->uri, error);
}

/* Form by form; a preset that an earlier form has as well is there already. */
static bool add_presets(BmText* text, BmHost* host, const BmManualPlugin* plugin, BmError* error)
{
   uint32_t n_presets = 0;
   for (uint32_t f = 0; f < plugin->n_forms; ++f) {
      const BmPlugin* form = plugin->forms[f];
      for (uint32_t n = 0; n < form->n_presets; ++n) {
         const BmPreset* preset = &form->presets[n];
         bool is_known = false;
         bool is_in[BM_MANUAL_MAX_FORMS];
         bool is_in_all = true;
         for (uint32_t other = 0; other < plugin->n_forms; ++other) {
            is_in[other] = find_preset(plugin->forms[other], preset->label) != NULL;
            is_in_all = is_in_all && is_in[other];
            is_known = is_known || (other < f && is_in[other]);
         }
         if (is_known) {
            continue;
         }
         if (!n_presets++) {
            bm_text_add(text, "### Presets\n\n| preset | what it does | sets |\n|---|---|---|\n");
         }
         bm_text_add(text, "| *");
         add_words(text, preset->label);
         bm_text_add(text, "*");
         if (!is_in_all) {
            add_forms(text, plugin, is_in);
         }
         bm_text_add(text, " | ");
         add_words(text, preset->help);
         bm_text_add(text, " | ");
         if (!add_all_settings(text, host, plugin, preset->label, error)) {
            return false;
         }
         bm_text_add(text, " |\n");
      }
   }
   bm_text_add(text, n_presets ? "\n" : "");
   return true;
}

static bool add_latency(BmText* text, BmHost* host, const BmPlugin* plugin, BmError* error)
{
   static const double rates_hz[] = {44100.0, 48000.0, 96000.0, 192000.0};
   enum { N_RATES = sizeof rates_hz / sizeof *rates_hz };
   uint32_t frames[N_RATES];
   bool is_none = true;
   for (int r = 0; r < N_RATES; ++r) {
      BmInstance* instance = bm_instance_new(host, plugin, rates_hz[r], 64, error);
      frames[r] = instance ? bm_instance_latency(instance, error) : 0;
      bm_instance_free(instance);
      is_none = is_none && frames[r] == 0;
   }
   bm_text_add(text, is_none ? "Latency: none.\n" : "Latency: ");
   for (int r = 0; r < N_RATES && !is_none; ++r) {
      bm_text_addf(text, "%u%s at %g kHz (%.1f ms)%s", frames[r], r ? "" : " frames", rates_hz[r] / 1000.0,
                   1000.0 * frames[r] / rates_hz[r], r + 1 < N_RATES ? ", " : ".\n");
   }
   return !error->is_set;
}

bool bm_manual_add_controls(BmText* text, BmHost* host, const BmManualBundle* bundle,
                            const BmManualPlugin* plugin, BmError* error)
{
   add_inputs(text, bundle, plugin);
   add_outputs(text, bundle, plugin);
   return add_presets(text, host, plugin, error) && add_latency(text, host, plugin->forms[0], error);
}

void bm_manual_add_index(BmText* text, const BmManualBundle* bundle)
{
   bm_text_add(text, "| plugin | forms | what it is |\n|---|---|---|\n");
   for (uint32_t n = 0; n < bundle->n_plugins; ++n) {
      const BmManualPlugin* plugin = &bundle->plugins[n];
      bm_text_addf(text, "| [%s](%s/README.md) | ", plugin->title, plugin->name);
      for (uint32_t f = 0; f < plugin->n_forms; ++f) {
         bm_text_addf(text, "%s%s", f ? ", " : "", plugin->form_names[f]);
      }
      bm_text_add(text, " | ");
      add_words(text, plugin->forms[0]->help);
      bm_text_add(text, " |\n");
   }
}
