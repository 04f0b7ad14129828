/* SPDX-License-Identifier: ISC */
#include "host.h"
#include "host_private.h"

#include <lv2/core/lv2.h>
#include <lv2/port-groups/port-groups.h>
#include <lv2/port-props/port-props.h>
#include <lv2/presets/presets.h>
#include <lv2/units/units.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define BM_RDFS "http://www.w3.org/2000/01/rdf-schema#"
#define BM_DOAP "http://usefulinc.com/ns/doap#"

/* Keep a copy of `text` for as long as the host lives. */
static const char* keep(BmHost* host, const char* text)
{
   host->strings = bm_realloc(host->strings, host->n_strings + 1u, sizeof(char*));
   host->strings[host->n_strings] = bm_copy(text ? text : "");
   return host->strings[host->n_strings++];
}

static void* keep_block(BmHost* host, uint32_t count, size_t size)
{
   host->blocks = bm_realloc(host->blocks, host->n_blocks + 1u, sizeof(void*));
   host->blocks[host->n_blocks] = bm_calloc(count, size);
   return host->blocks[host->n_blocks++];
}

/* As keep(), of a node that is freed. */
static const char* keep_node(BmHost* host, LilvNode* node)
{
   const char* text = keep(host, node ? lilv_node_as_string(node) : "");
   lilv_node_free(node);
   return text;
}

static LilvNode* port_value(BmHost* host, const LilvPlugin* plugin, const LilvPort* port,
                            const char* predicate)
{
   LilvNode* uri = lilv_new_uri(host->world, predicate);
   LilvNode* value = lilv_port_get(plugin, port, uri);
   lilv_node_free(uri);
   return value;
}

static LilvNode* world_value(BmHost* host, const LilvNode* subject, const char* predicate)
{
   LilvNode* uri = lilv_new_uri(host->world, predicate);
   LilvNode* value = subject ? lilv_world_get(host->world, subject, uri, NULL) : NULL;
   lilv_node_free(uri);
   return value;
}

static bool port_has(BmHost* host, const LilvPlugin* plugin, const LilvPort* port, const char* property)
{
   LilvNode* uri = lilv_new_uri(host->world, property);
   const bool has = lilv_port_has_property(plugin, port, uri);
   lilv_node_free(uri);
   return has;
}

static bool port_is(BmHost* host, const LilvPlugin* plugin, const LilvPort* port, const char* port_class)
{
   LilvNode* uri = lilv_new_uri(host->world, port_class);
   const bool is = lilv_port_is_a(plugin, port, uri);
   lilv_node_free(uri);
   return is;
}

static bool node_is_uri(LilvNode* node, const char* uri)
{
   const bool is = node && lilv_node_is_uri(node) && !strcmp(lilv_node_as_uri(node), uri);
   lilv_node_free(node);
   return is;
}

/* The symbol of a port's unit, as units:symbol gives it or, where the vocabulary is not installed, its last
 * word. */
static const char* read_unit(BmHost* host, const LilvPlugin* plugin, const LilvPort* port)
{
   LilvNode* unit = port_value(host, plugin, port, LV2_UNITS__unit);
   LilvNode* symbol = world_value(host, unit, LV2_UNITS__symbol);
   const char* text = "";
   if (symbol) {
      text = keep(host, lilv_node_as_string(symbol));
   } else if (unit && lilv_node_is_uri(unit)) {
      const char* hash = strrchr(lilv_node_as_uri(unit), '#');
      static const char* const known[][2] = {
         {"db", "dB"},
         {"hz", "Hz"},
         {"khz", "kHz"},
         {"s", "s"},
         {"ms", "ms"},
         {"pc", "%"},
         {"cent", "ct"},
         {"degree", "°"},
         {"m", "m"},
         {"cm", "cm"},
         {"semitone12TET", "semi"},
         {"bpm", "BPM"},
         {"coef", ""},
         {"frame", "frames"},
         {"bar", "bars"},
         {"beat", "beats"},
         {"oct", "oct"},
      };
      text = keep(host, hash ? hash + 1 : "");
      for (size_t n = 0; hash && n < sizeof(known) / sizeof(known[0]); ++n) {
         if (!strcmp(hash + 1, known[n][0])) {
            text = keep(host, known[n][1]);
         }
      }
   }
   lilv_node_free(symbol);
   lilv_node_free(unit);
   return text;
}

static int compare_points(const void* a, const void* b)
{
   const float x = ((const BmScalePoint*)a)->value;
   const float y = ((const BmScalePoint*)b)->value;
   return (x > y) - (x < y);
}

static void read_points(BmHost* host, const LilvPlugin* plugin, const LilvPort* lilv_port, BmPort* port)
{
   LilvScalePoints* points = lilv_port_get_scale_points(plugin, lilv_port);
   const uint32_t n_points = points ? lilv_scale_points_size(points) : 0;
   if (n_points) {
      BmScalePoint* kept = keep_block(host, n_points, sizeof(BmScalePoint));
      LILV_FOREACH(scale_points, it, points)
      {
         const LilvScalePoint* point = lilv_scale_points_get(points, it);
         kept[port->n_points].value = lilv_node_as_float(lilv_scale_point_get_value(point));
         kept[port->n_points++].label = keep(host, lilv_node_as_string(lilv_scale_point_get_label(point)));
      }
      qsort(kept, port->n_points, sizeof(BmScalePoint), compare_points);
      port->points = kept;
   }
   lilv_scale_points_free(points);
}

static float node_float(LilvNode* node, float otherwise, bool* is_given)
{
   const bool is_number =
      node && (lilv_node_is_float(node) || lilv_node_is_int(node) || lilv_node_is_bool(node));
   const float value = !is_number                ? otherwise
                       : lilv_node_is_bool(node) ? (lilv_node_as_bool(node) ? 1.0f : 0.0f)
                                                 : lilv_node_as_float(node);
   *is_given = is_number;
   lilv_node_free(node);
   return value;
}

static void read_control(BmHost* host, const LilvPlugin* plugin, const LilvPort* lilv_port, BmPort* port)
{
   LilvNode* def = NULL;
   LilvNode* min = NULL;
   LilvNode* max = NULL;
   lilv_port_get_range(plugin, lilv_port, &def, &min, &max);
   bool has_default = false;
   port->is_toggled = port_has(host, plugin, lilv_port, LV2_CORE__toggled);
   port->is_integer = port_has(host, plugin, lilv_port, LV2_CORE__integer);
   port->is_enumeration = port_has(host, plugin, lilv_port, LV2_CORE__enumeration);
   port->is_logarithmic = port_has(host, plugin, lilv_port, LV2_PORT_PROPS__logarithmic);
   port->is_trigger = port_has(host, plugin, lilv_port, LV2_PORT_PROPS__trigger);
   port->scales_by_rate = port_has(host, plugin, lilv_port, LV2_CORE__sampleRate);
   port->min = node_float(min, 0.0f, &port->has_min);
   port->max = node_float(max, 1.0f, &port->has_max);
   port->def = node_float(def, port->has_min ? port->min : 0.0f, &has_default);
   if (port->is_toggled && !port->has_min && !port->has_max) {
      port->has_min = port->has_max = true;
   }
   read_points(host, plugin, lilv_port, port);
}

static void read_port(BmHost* host, const LilvPlugin* plugin, uint32_t index, BmPort* port)
{
   const LilvPort* lilv_port = lilv_plugin_get_port_by_index(plugin, index);
   const LilvNode* symbol = lilv_port_get_symbol(plugin, lilv_port);
   port->index = index;
   port->symbol = keep(host, symbol ? lilv_node_as_string(symbol) : "");
   port->name = keep_node(host, lilv_port_get_name(plugin, lilv_port));
   port->help = keep_node(host, port_value(host, plugin, lilv_port, BM_RDFS "comment"));
   port->unit = read_unit(host, plugin, lilv_port);
   LilvNode* group = port_value(host, plugin, lilv_port, LV2_PORT_GROUPS__group);
   port->group = keep_node(host, world_value(host, group, LV2_CORE__name));
   lilv_node_free(group);
   port->kind = port_is(host, plugin, lilv_port, LILV_URI_AUDIO_PORT)     ? BM_PORT_AUDIO
                : port_is(host, plugin, lilv_port, LILV_URI_CONTROL_PORT) ? BM_PORT_CONTROL
                : port_is(host, plugin, lilv_port, LILV_URI_CV_PORT)      ? BM_PORT_CV
                : port_is(host, plugin, lilv_port, LILV_URI_ATOM_PORT)    ? BM_PORT_ATOM
                                                                          : BM_PORT_OTHER;
   port->is_input = port_is(host, plugin, lilv_port, LILV_URI_INPUT_PORT);
   port->is_optional = port_has(host, plugin, lilv_port, LV2_CORE__connectionOptional);
   LilvNode* side_chain_of = port_value(host, plugin, lilv_port, LV2_PORT_GROUPS__sideChainOf);
   port->is_sidechain = side_chain_of || port_has(host, plugin, lilv_port, LV2_CORE_PREFIX "isSideChain");
   lilv_node_free(side_chain_of);
   const bool reports_latency = port_has(host, plugin, lilv_port, LV2_CORE__reportsLatency);
   port->is_latency =
      reports_latency ||
      node_is_uri(port_value(host, plugin, lilv_port, LV2_CORE__designation), LV2_CORE__latency);
   port->is_enabled =
      node_is_uri(port_value(host, plugin, lilv_port, LV2_CORE__designation), LV2_CORE__enabled);
   port->is_free_wheeling =
      node_is_uri(port_value(host, plugin, lilv_port, LV2_CORE__designation), LV2_CORE__freeWheeling);
   if (port->kind == BM_PORT_CONTROL) {
      read_control(host, plugin, lilv_port, port);
   }
}

static int compare_presets(const void* a, const void* b)
{
   return strcmp(((const BmPreset*)a)->uri, ((const BmPreset*)b)->uri);
}

static void read_presets(BmHost* host, BmPlugin* plugin)
{
   LilvNode* preset_class = lilv_new_uri(host->world, LV2_PRESETS__Preset);
   LilvNodes* presets = lilv_plugin_get_related(plugin->lilv, preset_class);
   lilv_node_free(preset_class);
   if (presets && lilv_nodes_size(presets)) {
      BmPreset* kept = keep_block(host, lilv_nodes_size(presets), sizeof(BmPreset));
      LILV_FOREACH(nodes, it, presets)
      {
         const LilvNode* preset = lilv_nodes_get(presets, it);
         if (lilv_node_is_uri(preset)) {
            lilv_world_load_resource(host->world, preset);
            BmPreset* read = &kept[plugin->n_presets++];
            read->uri = keep(host, lilv_node_as_uri(preset));
            read->label = keep_node(host, world_value(host, preset, BM_RDFS "label"));
            read->help = keep_node(host, world_value(host, preset, BM_RDFS "comment"));
         }
      }
      qsort(kept, plugin->n_presets, sizeof(BmPreset), compare_presets);
      plugin->presets = kept;
   }
   lilv_nodes_free(presets);
}

static uint32_t read_version(BmHost* host, const LilvPlugin* plugin, const char* predicate)
{
   bool is_given = false;
   const float version =
      node_float(world_value(host, lilv_plugin_get_uri(plugin), predicate), 0.0f, &is_given);
   return version > 0.0f && version < 1e6f ? (uint32_t)version : 0u;
}

/* What kind of plugin it is: "Compressor" for lv2:CompressorPlugin. From the plugin's own data, as lilv knows
   classes only where LV2_PATH leads to the specification too, and a report must not hang on that. */
static const char* read_class(BmHost* host, const LilvPlugin* plugin)
{
   static const char ending[] = "Plugin";
   LilvNode* type = lilv_new_uri(host->world, "http://www.w3.org/1999/02/22-rdf-syntax-ns#type");
   LilvNodes* classes = lilv_plugin_get_value(plugin, type);
   lilv_node_free(type);
   char* name = bm_copy("");
   LILV_FOREACH(nodes, it, classes)
   {
      const LilvNode* node = lilv_nodes_get(classes, it);
      const char* uri = lilv_node_is_uri(node) ? lilv_node_as_uri(node) : "";
      const size_t size = strlen(uri);
      const size_t prefix = strlen(LV2_CORE_PREFIX);
      if (strncmp(uri, LV2_CORE_PREFIX, prefix) || size <= prefix + strlen(ending) ||
          strcmp(uri + size - strlen(ending), ending)) {
         continue;
      }
      char* word = bm_print("%.*s", (int)(size - prefix - strlen(ending)), uri + prefix);
      /* Of several the first by name: the order that lilv has them in is not for ever. */
      if (!name[0] || strcmp(word, name) < 0) {
         char* other = name;
         name = word;
         word = other;
      }
      free(word);
   }
   lilv_nodes_free(classes);
   const char* kept = keep(host, !name[0] ? ending : strcmp(name, "EQ") ? name : "Equaliser");
   free(name);
   return kept;
}

/* Fill in what is slow to read. */
static BmPlugin* describe(BmHost* host, BmPlugin* plugin)
{
   if (plugin->ports) {
      return plugin;
   }
   const LilvPlugin* lilv_plugin = plugin->lilv;
   plugin->name = keep_node(host, lilv_plugin_get_name(lilv_plugin));
   plugin->class_name = read_class(host, lilv_plugin);
   const LilvNode* bundle = lilv_plugin_get_bundle_uri(lilv_plugin);
   char* path = lilv_file_uri_parse(lilv_node_as_uri(bundle), NULL);
   plugin->bundle = keep(host, path);
   lilv_free(path);
   plugin->minor_version = read_version(host, lilv_plugin, LV2_CORE__minorVersion);
   plugin->micro_version = read_version(host, lilv_plugin, LV2_CORE__microVersion);
   LilvNode* help = world_value(host, lilv_plugin_get_uri(lilv_plugin), BM_RDFS "comment");
   plugin->help = keep_node(
      host, help ? help : world_value(host, lilv_plugin_get_uri(lilv_plugin), BM_DOAP "description"));

   plugin->n_ports = lilv_plugin_get_num_ports(lilv_plugin);
   BmPort* ports = keep_block(host, plugin->n_ports, sizeof(BmPort));
   uint32_t* audio = keep_block(host, plugin->n_ports * 2u, sizeof(uint32_t));
   uint32_t* audio_out = audio + plugin->n_ports;
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      read_port(host, lilv_plugin, n, &ports[n]);
      if (ports[n].kind == BM_PORT_AUDIO && !ports[n].is_input) {
         audio_out[plugin->n_audio_out++] = n;
      } else if (ports[n].kind == BM_PORT_AUDIO && !ports[n].is_sidechain) {
         audio[plugin->n_audio_in++] = n;
      } else if (ports[n].is_latency && ports[n].kind == BM_PORT_CONTROL && !ports[n].is_input) {
         plugin->latency = &ports[n];
      } else if (ports[n].is_enabled && ports[n].kind == BM_PORT_CONTROL && ports[n].is_input) {
         plugin->enabled = &ports[n];
      }
   }
   plugin->audio_in = audio;
   plugin->audio_out = audio_out;
   plugin->ports = ports;
   read_presets(host, plugin);
   return plugin;
}

static LV2_URID map_uri(LV2_URID_Map_Handle handle, const char* uri)
{
   BmHost* host = handle;
   pthread_mutex_lock(&host->urid_mutex);
   uint32_t n = 0;
   while (n < host->n_urids && strcmp(host->urids[n], uri)) {
      ++n;
   }
   if (n == host->n_urids) {
      host->urids = bm_realloc(host->urids, host->n_urids + 1u, sizeof(char*));
      host->urids[host->n_urids++] = bm_copy(uri);
   }
   pthread_mutex_unlock(&host->urid_mutex);
   return n + 1;
}

static const char* unmap_uri(LV2_URID_Unmap_Handle handle, LV2_URID urid)
{
   BmHost* host = handle;
   pthread_mutex_lock(&host->urid_mutex);
   const char* uri = urid && urid <= host->n_urids ? host->urids[urid - 1] : NULL;
   pthread_mutex_unlock(&host->urid_mutex);
   return uri;
}

static void log_to_stderr(void* user, const char* plugin_uri, const char* line)
{
   (void)user;
   fprintf(stderr, "bookmatch: %s: %s\n", plugin_uri, line);
}

static int compare_plugins(const void* a, const void* b)
{
   return strcmp(((const BmPlugin*)a)->uri, ((const BmPlugin*)b)->uri);
}

/* lilv 0.24 crashes on a relative folder in LV2_PATH: make each one that exists absolute. */
static void make_path_absolute(void)
{
   const char* given = getenv("LV2_PATH");
   if (!given) {
      return;
   }
   char* rest = bm_copy(given);
   char* absolute = bm_copy("");
   for (char *state = NULL, *folder = strtok_r(rest, ":", &state); folder;
        folder = strtok_r(NULL, ":", &state)) {
      char* resolved = folder[0] == '/' || folder[0] == '~' ? NULL : realpath(folder, NULL);
      char* longer = bm_print("%s%s%s", absolute, absolute[0] ? ":" : "", resolved ? resolved : folder);
      free(resolved);
      free(absolute);
      absolute = longer;
   }
   setenv("LV2_PATH", absolute, 1);
   free(absolute);
   free(rest);
}

/* The folders of LV2_PATH hold bundles. To lilv a bundle among them is a folder of broken bundles, and it
   says so of each file. */
static bool check_path(BmError* error)
{
   const char* given = getenv("LV2_PATH");
   char* rest = bm_copy(given ? given : "");
   char* state = NULL;
   for (char* folder = strtok_r(rest, ":", &state); folder && !error->is_set;
        folder = strtok_r(NULL, ":", &state)) {
      char* manifest = bm_print("%s/manifest.ttl", folder);
      if (!access(manifest, F_OK)) {
         bm_fail(error, "LV2_PATH: %s is a bundle itself; name the folder that holds it", folder);
      }
      free(manifest);
   }
   free(rest);
   return !error->is_set;
}

BmHost* bm_host_new(BmError* error)
{
   make_path_absolute();
   if (!check_path(error)) {
      return NULL;
   }
   LilvWorld* world = lilv_world_new();
   if (!world) {
      bm_fail(error, "lilv could not be started");
      return NULL;
   }
   BmHost* host = bm_calloc(1, sizeof(BmHost));
   host->world = world;
   pthread_mutex_init(&host->urid_mutex, NULL);
   pthread_mutex_init(&host->log_mutex, NULL);
   host->map = (LV2_URID_Map){host, map_uri};
   host->unmap = (LV2_URID_Unmap){host, unmap_uri};
   host->log = log_to_stderr;
   lilv_world_load_all(world);

   const LilvPlugins* plugins = lilv_world_get_all_plugins(world);
   host->plugins = bm_calloc(lilv_plugins_size(plugins), sizeof(BmPlugin));
   LILV_FOREACH(plugins, it, plugins)
   {
      const LilvPlugin* plugin = lilv_plugins_get(plugins, it);
      BmPlugin* kept = &host->plugins[host->n_plugins++];
      kept->lilv = plugin;
      kept->uri = keep(host, lilv_node_as_uri(lilv_plugin_get_uri(plugin)));
   }
   qsort(host->plugins, host->n_plugins, sizeof(BmPlugin), compare_plugins);
   return host;
}

void bm_host_free(BmHost* host)
{
   if (!host) {
      return;
   }
   for (uint32_t n = 0; n < host->n_strings; ++n) {
      free(host->strings[n]);
   }
   for (uint32_t n = 0; n < host->n_blocks; ++n) {
      free(host->blocks[n]);
   }
   for (uint32_t n = 0; n < host->n_urids; ++n) {
      free(host->urids[n]);
   }
   free(host->strings);
   free(host->blocks);
   free(host->urids);
   free(host->plugins);
   lilv_world_free(host->world);
   pthread_mutex_destroy(&host->urid_mutex);
   pthread_mutex_destroy(&host->log_mutex);
   free(host);
}

uint32_t bm_host_n_plugins(const BmHost* host)
{
   return host->n_plugins;
}

const BmPlugin* bm_host_plugin(BmHost* host, uint32_t n)
{
   return n < host->n_plugins ? describe(host, &host->plugins[n]) : NULL;
}

const char* bm_host_hint(const BmHost* host)
{
   for (uint32_t n = 0; n < host->n_plugins; ++n) {
      if (!strncmp(host->plugins[n].uri, BM_OWN_URI, strlen(BM_OWN_URI))) {
         return "`bookmatch list` names those that are";
      }
   }
   return host->n_plugins
             ? "bookmatch.lv2 does not lie where LV2_PATH or, without it, the standard folders point"
             : "no LV2 plugin lies where LV2_PATH or, without it, the standard folders point";
}

const BmPlugin* bm_host_find(BmHost* host, const char* uri, BmError* error)
{
   const char** uris = bm_calloc(host->n_plugins, sizeof(char*));
   const BmPlugin* found = NULL;
   for (uint32_t n = 0; n < host->n_plugins && !found; ++n) {
      uris[n] = host->plugins[n].uri;
      found = strcmp(uris[n], uri) ? NULL : describe(host, &host->plugins[n]);
   }
   if (!found) {
      const char* nearest = bm_nearest(uri, uris, host->n_plugins);
      if (nearest) {
         bm_fail(error, "no plugin <%s> is installed; did you mean <%s>?", uri, nearest);
      } else {
         bm_fail(error, "no plugin <%s> is installed; %s", uri, bm_host_hint(host));
      }
   }
   free(uris);
   return found;
}

const BmPort* bm_plugin_port(const BmPlugin* plugin, const char* symbol, BmError* error)
{
   const char** symbols = bm_calloc(plugin->n_ports, sizeof(char*));
   const BmPort* found = NULL;
   for (uint32_t n = 0; n < plugin->n_ports && !found; ++n) {
      symbols[n] = plugin->ports[n].symbol;
      found = strcmp(symbols[n], symbol) ? NULL : &plugin->ports[n];
   }
   if (!found) {
      const char* nearest = bm_nearest(symbol, symbols, plugin->n_ports);
      if (nearest) {
         bm_fail(error, "<%s> has no port \"%s\"; did you mean \"%s\"?", plugin->uri, symbol, nearest);
      } else {
         bm_fail(error, "<%s> has no port \"%s\"; `bookmatch list %s` names those it has", plugin->uri,
                 symbol, plugin->uri);
      }
   }
   free(symbols);
   return found;
}

bool bm_port_check(const BmPort* port, double value, double rate_hz, BmError* error)
{
   const double scale = port->scales_by_rate ? rate_hz : 1.0;
   const double min = port->has_min ? (double)port->min * scale : -HUGE_VAL;
   const double max = port->has_max ? (double)port->max * scale : HUGE_VAL;
   /* A value is written in decimal and the bounds are floats: a bound stands for the decimal nearest to it.
    */
   if (isfinite(value) && (float)value >= (float)min && (float)value <= (float)max) {
      return true;
   }
   if (!isfinite(value)) {
      return bm_fail(error, "\"%s\" must be a finite number", port->symbol);
   }
   const char* space = port->unit[0] ? " " : "";
   return bm_fail(error, "\"%s\" is %g%s%s, but its range is %g to %g%s%s", port->symbol, value, space,
                  port->unit, min, max, space, port->unit);
}

void bm_host_set_log(BmHost* host, BmLogSink sink, void* user)
{
   host->log = sink ? sink : log_to_stderr;
   host->log_user = user;
}
