/* SPDX-License-Identifier: ISC */
/*
   If one of these fails, a host shows a control wrongly, offers a preset that does not fit, or opens last
   year's session without what was set in it.

   What every plugin of the bundle says of itself, read through lilv, against what it does.
*/
#include "unit_test.h"

#include "cases.h"
#include "urid_map.h"

#include <lilv/lilv.h>
#include <lv2/atom/atom.h>
#include <lv2/core/lv2.h>
#include <lv2/log/log.h>
#include <lv2/options/options.h>
#include <lv2/port-groups/port-groups.h>
#include <lv2/port-props/port-props.h>
#include <lv2/presets/presets.h>
#include <lv2/state/state.h>
#include <lv2/units/units.h>
#include <lv2/urid/urid.h>
#include <lv2/worker/worker.h>

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>
#include <sys/mman.h>

#define DOAP "http://usefulinc.com/ns/doap#"

static const char own[] = "urn:bookmatch:";

static LilvWorld* world;

static void for_every_plugin(void (*check)(const LilvPlugin* plugin, const char* uri))
{
   const LilvPlugins* plugins = lilv_world_get_all_plugins(world);
   uint32_t n_checked = 0;
   LILV_FOREACH(plugins, it, plugins)
   {
      const LilvPlugin* plugin = lilv_plugins_get(plugins, it);
      const char* uri = lilv_node_as_uri(lilv_plugin_get_uri(plugin));
      if (!strncmp(uri, own, strlen(own))) {
         check(plugin, uri);
         ++n_checked;
      }
   }
   assert_true(n_checked > 0);
}

static bool port_is(const LilvPlugin* plugin, const LilvPort* port, const char* class_uri)
{
   LilvNode* node = lilv_new_uri(world, class_uri);
   const bool is = lilv_port_is_a(plugin, port, node);
   lilv_node_free(node);
   return is;
}

static bool port_has(const LilvPlugin* plugin, const LilvPort* port, const char* property_uri)
{
   LilvNode* node = lilv_new_uri(world, property_uri);
   const bool has = lilv_port_has_property(plugin, port, node);
   lilv_node_free(node);
   return has;
}

/* The caller frees. */
static LilvNode* port_value(const LilvPlugin* plugin, const LilvPort* port, const char* predicate)
{
   LilvNode* node = lilv_new_uri(world, predicate);
   LilvNode* value = lilv_port_get(plugin, port, node);
   lilv_node_free(node);
   return value;
}

static double take_number(LilvNode* node)
{
   const double number =
      lilv_node_is_float(node) || lilv_node_is_int(node) ? (double)lilv_node_as_float(node) : (double)NAN;
   lilv_node_free(node);
   return number;
}

typedef struct {
   double min, def, max;
} Range;

static Range range_of(const LilvPlugin* plugin, const LilvPort* port)
{
   LilvNode* def = NULL;
   LilvNode* min = NULL;
   LilvNode* max = NULL;
   lilv_port_get_range(plugin, port, &def, &min, &max);
   return (Range){take_number(min), take_number(def), take_number(max)};
}

/* Whether a value is one of the port's scale points. */
static bool is_a_point(const LilvPlugin* plugin, const LilvPort* port, double value)
{
   LilvScalePoints* points = lilv_port_get_scale_points(plugin, port);
   bool found = false;
   LILV_FOREACH(scale_points, it, points)
   {
      const LilvScalePoint* point = lilv_scale_points_get(points, it);
      found = found || (double)lilv_node_as_float(lilv_scale_point_get_value(point)) == value;
   }
   lilv_scale_points_free(points);
   return found;
}

static void check_port(const LilvPlugin* plugin, const char* uri, const LilvPort* port)
{
   const char* symbol = lilv_node_as_string(lilv_port_get_symbol(plugin, port));
   LilvNode* name = lilv_port_get_name(plugin, port);
   if (!name || !lilv_node_as_string(name)[0]) {
      fail_msg("%s: port %s wants a name", uri, symbol);
   }
   lilv_node_free(name);
   if (!port_is(plugin, port, LILV_URI_CONTROL_PORT)) {
      return;
   }
   LilvNode* help = port_value(plugin, port, LILV_NS_RDFS "comment");
   const char* sentence = help ? lilv_node_as_string(help) : "";
   if (strlen(sentence) < 10 || sentence[strlen(sentence) - 1] != '.') {
      fail_msg("%s: port %s wants a sentence of help", uri, symbol);
   }
   lilv_node_free(help);
   const Range range = range_of(plugin, port);
   if (!(range.min < range.max && range.def >= range.min && range.def <= range.max)) {
      fail_msg("%s: port %s wants a range and a default inside it; it has %g in %g to %g", uri, symbol,
               range.def, range.min, range.max);
   }
   LilvNode* unit = port_value(plugin, port, LV2_UNITS__unit);
   const bool is_toggled = port_has(plugin, port, LV2_CORE__toggled);
   const bool is_enumeration = port_has(plugin, port, LV2_CORE__enumeration);
   if (!unit && !is_toggled && !is_enumeration) {
      fail_msg("%s: port %s wants a unit, or to be a switch or an enumeration", uri, symbol);
   }
   lilv_node_free(unit);
   if (is_toggled && (range.min != 0.0 || range.max != 1.0)) {
      fail_msg("%s: the switch %s must go from 0 to 1", uri, symbol);
   }
   if (is_enumeration && !(is_a_point(plugin, port, range.min) && is_a_point(plugin, port, range.def) &&
                           is_a_point(plugin, port, range.max))) {
      fail_msg("%s: the choices of %s must hold its least, its most and its default", uri, symbol);
   }
   if (port_has(plugin, port, LV2_PORT_PROPS__logarithmic) && range.min <= 0.0) {
      fail_msg("%s: port %s is logarithmic from %g", uri, symbol, range.min);
   }
}

static void check_ports(const LilvPlugin* plugin, const char* uri)
{
   const uint32_t n_ports = lilv_plugin_get_num_ports(plugin);
   for (uint32_t i = 0; i < n_ports; ++i) {
      check_port(plugin, uri, lilv_plugin_get_port_by_index(plugin, i));
   }
   cases_add(uri, "metadata", n_ports);
}

static void every_port_has_a_unit_a_range_a_default_inside_it_and_a_sentence(void** state)
{
   (void)state;
   for_every_plugin(check_ports);
}

/* What a host's list of plugins shows of it, and what it does by itself for a designated port. */

static LilvNode* plugin_value(const LilvPlugin* plugin, const char* predicate)
{
   LilvNode* node = lilv_new_uri(world, predicate);
   LilvNodes* values = lilv_plugin_get_value(plugin, node);
   LilvNode* value = values ? lilv_node_duplicate(lilv_nodes_get_first(values)) : NULL;
   lilv_nodes_free(values);
   lilv_node_free(node);
   return value;
}

/* The name begins with the bundle's, so that its plugins stand together. */
static void check_identity(const LilvPlugin* plugin, const char* uri)
{
   static const char* const predicates[] = {LV2_CORE__project, LV2_CORE__minorVersion, LV2_CORE__microVersion,
                                            DOAP "license", LILV_NS_RDFS "comment"};
   LilvNode* name = lilv_plugin_get_name(plugin);
   LilvNode* author = lilv_plugin_get_author_name(plugin);
   if (!name || strncmp(lilv_node_as_string(name), "Bookmatch ", 10) != 0) {
      fail_msg("%s has the name %s", uri, name ? lilv_node_as_string(name) : "(none)");
   }
   if (!author || !lilv_node_as_string(author)[0]) {
      fail_msg("%s does not tell who made it", uri);
   }
   lilv_node_free(name);
   lilv_node_free(author);
   for (size_t i = 0; i < sizeof predicates / sizeof *predicates; ++i) {
      LilvNode* value = plugin_value(plugin, predicates[i]);
      if (!value) {
         fail_msg("%s wants <%s>", uri, predicates[i]);
      }
      lilv_node_free(value);
   }
   if (!lilv_plugin_verify(plugin)) {
      fail_msg("%s is no plugin that lilv can use", uri);
   }
   const LilvNode* class = lilv_plugin_class_get_uri(lilv_plugin_get_class(plugin));
   if (!strcmp(lilv_node_as_uri(class), LV2_CORE__Plugin)) {
      fail_msg("%s stands in no class", uri);
   }
   cases_add(uri, "metadata", 9);
}

static void every_plugin_tells_its_name_maker_class_license_and_version(void** state)
{
   (void)state;
   for_every_plugin(check_identity);
}

static const LilvPort* designated(const LilvPlugin* plugin, const char* class_uri, const char* designation)
{
   LilvNode* class = lilv_new_uri(world, class_uri);
   LilvNode* node = lilv_new_uri(world, designation);
   const LilvPort* port = lilv_plugin_get_port_by_designation(plugin, class, node);
   lilv_node_free(class);
   lilv_node_free(node);
   return port;
}

/* Each channel of the main groups, so that a host wires left to left; two takes that are no left and right
   have no designation. */
static void check_channels(const LilvPlugin* plugin, const char* uri, const char* class_uri,
                           const char* group_predicate)
{
   LilvNode* main_group = plugin_value(plugin, group_predicate);
   uint32_t n_channels = 0;
   uint32_t n_designated = 0;
   if (!main_group) {
      fail_msg("%s wants <%s>", uri, group_predicate);
   }
   for (uint32_t i = 0; i < lilv_plugin_get_num_ports(plugin); ++i) {
      const LilvPort* port = lilv_plugin_get_port_by_index(plugin, i);
      if (port_is(plugin, port, LILV_URI_AUDIO_PORT) && port_is(plugin, port, class_uri)) {
         LilvNode* group = port_value(plugin, port, LV2_PORT_GROUPS__group);
         LilvNode* designation = port_value(plugin, port, LV2_CORE__designation);
         if (!group || !lilv_node_equals(group, main_group) ||
             (designation && designated(plugin, class_uri, lilv_node_as_uri(designation)) != port)) {
            fail_msg("%s: audio port %s wants the main group and a designation of its own", uri,
                     lilv_node_as_string(lilv_port_get_symbol(plugin, port)));
         }
         n_designated += designation != NULL;
         lilv_node_free(group);
         lilv_node_free(designation);
         ++n_channels;
      }
   }
   const bool may_be_two_takes = !strcmp(class_uri, LILV_URI_INPUT_PORT) && n_channels == 2;
   if (n_channels == 0 || n_channels > 2 ||
       (n_designated != n_channels && !(may_be_two_takes && n_designated == 0))) {
      fail_msg("%s has %u ports for audio in <%s>, %u of them designated", uri, n_channels, group_predicate,
               n_designated);
   }
   lilv_node_free(main_group);
}

static void check_designations(const LilvPlugin* plugin, const char* uri)
{
   const LilvPort* enabled = designated(plugin, LILV_URI_INPUT_PORT, LV2_CORE__enabled);
   const LilvPort* latency = designated(plugin, LILV_URI_OUTPUT_PORT, LV2_CORE__latency);
   if (!enabled || !port_has(plugin, enabled, LV2_CORE__toggled) || range_of(plugin, enabled).def != 1.0) {
      fail_msg("%s wants a switch that is designated as lv2:enabled, on by default", uri);
   }
   if (!latency || !port_has(plugin, latency, LV2_CORE__reportsLatency) ||
       !port_has(plugin, latency, LV2_CORE__integer)) {
      fail_msg("%s wants a port that is designated as lv2:latency and reports it in whole frames", uri);
   }
   LilvNode* quality_symbol = lilv_new_string(world, "quality");
   const bool has_quality = lilv_plugin_get_port_by_symbol(plugin, quality_symbol);
   lilv_node_free(quality_symbol);
   if (has_quality != (designated(plugin, LILV_URI_INPUT_PORT, LV2_CORE__freeWheeling) != NULL)) {
      fail_msg("%s: lv2:freeWheeling goes with a choice of quality", uri);
   }
   check_channels(plugin, uri, LILV_URI_INPUT_PORT, LV2_PORT_GROUPS__mainInput);
   check_channels(plugin, uri, LILV_URI_OUTPUT_PORT, LV2_PORT_GROUPS__mainOutput);
   cases_add(uri, "metadata", 5);
}

static void every_plugin_designates_bypass_latency_free_wheeling_and_channels(void** state)
{
   (void)state;
   for_every_plugin(check_designations);
}

static LV2_URID map_uri(LV2_URID_Map_Handle handle, const char* uri)
{
   uint32_t* n_calls = handle;
   *n_calls += 1;
   return urid_map_uri(NULL, uri);
}

static uint32_t n_map_calls;
static LV2_URID_Map map = {&n_map_calls, map_uri};

/* Presets. */

typedef struct {
   const LilvPlugin* plugin;
   const char* preset;
   uint32_t n_values;
} PresetCheck;

static void check_preset_value(const char* symbol, void* user, const void* value, uint32_t size,
                               uint32_t type)
{
   PresetCheck* check = user;
   const bool is_float = !strcmp(urid_map_uris[type - 1], LV2_ATOM__Float);
   assert_true(is_float || !strcmp(urid_map_uris[type - 1], LV2_ATOM__Int));
   assert_int_equal(size, 4);
   const double number = is_float ? (double)*(const float*)value : (double)*(const int32_t*)value;
   LilvNode* node = lilv_new_string(world, symbol);
   const LilvPort* port = lilv_plugin_get_port_by_symbol(check->plugin, node);
   lilv_node_free(node);
   if (!port || !port_is(check->plugin, port, LILV_URI_CONTROL_PORT) ||
       !port_is(check->plugin, port, LILV_URI_INPUT_PORT)) {
      fail_msg("%s sets %s, which is no control of the plugin", check->preset, symbol);
   }
   const Range range = range_of(check->plugin, port);
   if (!(number >= (double)(float)range.min && number <= (double)(float)range.max)) {
      fail_msg("%s sets %s to %g; %g to %g would be right", check->preset, symbol, number, range.min,
               range.max);
   }
   if (port_has(check->plugin, port, LV2_CORE__enumeration) && !is_a_point(check->plugin, port, number)) {
      fail_msg("%s sets %s to %g, which is none of its choices", check->preset, symbol, number);
   }
   ++check->n_values;
}

static void check_presets(const LilvPlugin* plugin, const char* uri)
{
   LilvNode* preset_class = lilv_new_uri(world, LV2_PRESETS__Preset);
   LilvNodes* presets = lilv_plugin_get_related(plugin, preset_class);
   LILV_FOREACH(nodes, it, presets)
   {
      const LilvNode* preset = lilv_nodes_get(presets, it);
      lilv_world_load_resource(world, preset);
      LilvState* settings = lilv_state_new_from_world(world, &map, preset);
      PresetCheck check = {plugin, lilv_node_as_uri(preset), 0};
      if (!settings || !lilv_state_get_label(settings)) {
         fail_msg("%s has no label", check.preset);
      }
      lilv_state_emit_port_values(settings, check_preset_value, &check);
      if (check.n_values == 0) {
         fail_msg("%s sets nothing", check.preset);
      }
      cases_add(uri, "metadata", check.n_values);
      lilv_state_free(settings);
   }
   lilv_nodes_free(presets);
   lilv_node_free(preset_class);
}

static void every_preset_names_only_controls_and_values_that_exist(void** state)
{
   (void)state;
   for_every_plugin(check_presets);
}

/* Features: a plugin is given the LV2 features it does not declare as pages that may not be touched. */

static uint32_t n_log_calls;

static int log_vprintf(LV2_Log_Handle handle, LV2_URID type, const char* format, va_list args)
{
   (void)handle;
   (void)type;
   (void)format;
   (void)args;
   ++n_log_calls;
   return 0;
}

static int log_printf(LV2_Log_Handle handle, LV2_URID type, const char* format, ...)
{
   (void)handle;
   (void)type;
   (void)format;
   ++n_log_calls;
   return 0;
}

static LV2_Log_Log log_feature = {NULL, log_printf, log_vprintf};

static const char* const undeclared[] = {
   LV2_OPTIONS__options, LV2_URID__unmap,     LV2_WORKER__schedule,   LV2_STATE__makePath,
   LV2_STATE__mapPath,   LV2_STATE__freePath, LV2_URID_PREFIX "map2",
};
enum { N_UNDECLARED = sizeof undeclared / sizeof *undeclared };

/* A run at the defaults. A port of another kind than audio and control must put up with nothing. */
static void run_once(const LilvPlugin* plugin, LilvInstance* instance)
{
   enum { N = 256 };
   const uint32_t n_ports = lilv_plugin_get_num_ports(plugin);
   float* buffers = calloc((size_t)n_ports * N, sizeof *buffers);
   assert_non_null(buffers);
   for (uint32_t i = 0; i < n_ports; ++i) {
      const LilvPort* port = lilv_plugin_get_port_by_index(plugin, i);
      const bool is_known =
         port_is(plugin, port, LILV_URI_AUDIO_PORT) || port_is(plugin, port, LILV_URI_CONTROL_PORT);
      if (port_is(plugin, port, LILV_URI_CONTROL_PORT)) {
         buffers[i * N] = (float)range_of(plugin, port).def;
      }
      lilv_instance_connect_port(instance, i, is_known ? buffers + i * N : NULL);
   }
   lilv_instance_activate(instance);
   lilv_instance_run(instance, N);
   lilv_instance_deactivate(instance);
   free(buffers);
}

static bool declares(const LilvNodes* nodes, const char* uri)
{
   LilvNode* node = lilv_new_uri(world, uri);
   const bool found = lilv_nodes_contains(nodes, node);
   lilv_node_free(node);
   return found;
}

static void check_features(const LilvPlugin* plugin, const char* uri)
{
   LilvNodes* required = lilv_plugin_get_required_features(plugin);
   assert_int_equal(lilv_nodes_size(required), 0);
   lilv_nodes_free(required);
   LilvNodes* optional = lilv_plugin_get_optional_features(plugin);
   uint32_t n_known = 0;
   if (!declares(optional, LV2_CORE__hardRTCapable)) {
      fail_msg("%s wants <%s>, which test_real_time holds", uri, LV2_CORE__hardRTCapable);
   }
   n_known += 1;
   n_known += declares(optional, LV2_URID__map);
   n_known += declares(optional, LV2_LOG__log);
   if (n_known != lilv_nodes_size(optional)) {
      fail_msg("%s declares a feature that this test does not know; teach it what it is used for", uri);
   }

   void* forbidden = mmap(NULL, 4096, PROT_NONE, MAP_PRIVATE | MAP_ANONYMOUS, -1, 0);
   assert_ptr_not_equal(forbidden, MAP_FAILED);
   LV2_Feature features[N_UNDECLARED + 2];
   const LV2_Feature* list[N_UNDECLARED + 3] = {NULL};
   uint32_t n = 0;
   for (; n < N_UNDECLARED; ++n) {
      features[n] = (LV2_Feature){undeclared[n], forbidden};
   }
   features[n++] = (LV2_Feature){LV2_URID__map, declares(optional, LV2_URID__map) ? (void*)&map : forbidden};
   features[n++] =
      (LV2_Feature){LV2_LOG__log, declares(optional, LV2_LOG__log) ? (void*)&log_feature : forbidden};
   for (uint32_t i = 0; i < n; ++i) {
      list[i] = &features[i];
   }
   n_map_calls = 0;
   n_log_calls = 0;
   LilvInstance* instance = lilv_plugin_instantiate(plugin, 48000.0, list);
   assert_non_null(instance);
   assert_int_equal(n_log_calls, 0);
   run_once(plugin, instance);
   lilv_instance_free(instance);
   assert_null(lilv_plugin_instantiate(plugin, 1.0, list));
   if ((n_map_calls > 0) != declares(optional, LV2_URID__map)) {
      fail_msg("%s declares %s and calls it %u times", uri, LV2_URID__map, n_map_calls);
   }
   if ((n_log_calls > 0) != declares(optional, LV2_LOG__log)) {
      fail_msg("%s declares %s and calls it %u times", uri, LV2_LOG__log, n_log_calls);
   }
   lilv_nodes_free(optional);
   munmap(forbidden, 4096);

   /* Each of them may be missing. */
   const LV2_Feature* only_map[] = {&features[N_UNDECLARED], NULL};
   const LV2_Feature* only_log[] = {&features[N_UNDECLARED + 1], NULL};
   const LV2_Feature* none[] = {NULL};
   const LV2_Feature* const* lists[] = {only_map, only_log, none};
   for (size_t i = 0; i < sizeof lists / sizeof *lists; ++i) {
      instance = lilv_plugin_instantiate(plugin, 48000.0, lists[i]);
      assert_non_null(instance);
      run_once(plugin, instance);
      lilv_instance_free(instance);
   }
   cases_add(uri, "metadata", 5);
}

static void every_plugin_declares_the_features_it_uses_and_needs_none(void** state)
{
   (void)state;
   for_every_plugin(check_features);
}

static void check_extensions(const LilvPlugin* plugin, const char* uri)
{
   static const char* const interfaces[] = {LV2_STATE__interface, LV2_WORKER__interface,
                                            LV2_OPTIONS__interface};
   LilvNodes* declared = lilv_plugin_get_extension_data(plugin);
   LilvInstance* instance = lilv_plugin_instantiate(plugin, 48000.0, NULL);
   assert_non_null(instance);
   for (size_t i = 0; i < sizeof interfaces / sizeof *interfaces; ++i) {
      const bool has = lilv_instance_get_extension_data(instance, interfaces[i]) != NULL;
      if (has != declares(declared, interfaces[i])) {
         fail_msg("%s %s <%s>, but lv2:extensionData does %s it", uri, has ? "has" : "lacks", interfaces[i],
                  has ? "not name" : "name");
      }
   }
   if (lilv_instance_get_extension_data(instance, "urn:bookmatch:no-such-interface")) {
      fail_msg("%s has an interface that nobody knows", uri);
   }
   cases_add(uri, "metadata", 4);
   lilv_instance_free(instance);
   lilv_nodes_free(declared);
}

static void every_plugin_declares_the_interfaces_it_has(void** state)
{
   (void)state;
   for_every_plugin(check_extensions);
}

/* What saved sessions rely on, a line each, "mid-side-eq#stereo port listen". */

typedef struct {
   char** lines; /* [n] */
   uint32_t n;
} Lines;

static Lines promises;

static void add_line(Lines* lines, const char* line)
{
   lines->lines = realloc(lines->lines, (lines->n + 1) * sizeof *lines->lines);
   assert_non_null(lines->lines);
   lines->lines[lines->n++] = strdup(line);
}

static void promise(const char* uri, const char* kind, const char* what)
{
   char line[512];
   const char* rest = strncmp(what, own, strlen(own)) ? what : what + strlen(own);
   snprintf(line, sizeof line, "%s %s %s", uri + strlen(own), kind, rest);
   add_line(&promises, line);
}

static const void* promise_what_is_asked_for(LV2_State_Handle handle, uint32_t key, size_t* size,
                                             uint32_t* type, uint32_t* flags)
{
   *size = *type = *flags = 0;
   promise((const char*)handle, "state", urid_map_uris[key - 1]);
   return NULL;
}

static void collect_state(const LilvPlugin* plugin, const char* uri)
{
   const LV2_Feature map_feature = {LV2_URID__map, &map};
   const LV2_Feature* features[] = {&map_feature, NULL};
   LilvInstance* instance = lilv_plugin_instantiate(plugin, 48000.0, features);
   assert_non_null(instance);
   const LV2_State_Interface* interface = lilv_instance_get_extension_data(instance, LV2_STATE__interface);
   if (interface) {
      interface->restore(lilv_instance_get_handle(instance), promise_what_is_asked_for, (void*)uri, 0,
                         features);
   }
   lilv_instance_free(instance);
}

static void collect(const LilvPlugin* plugin, const char* uri)
{
   for (uint32_t i = 0; i < lilv_plugin_get_num_ports(plugin); ++i) {
      const LilvPort* port = lilv_plugin_get_port_by_index(plugin, i);
      const char* symbol = lilv_node_as_string(lilv_port_get_symbol(plugin, port));
      promise(uri, "port", symbol);
      LilvScalePoints* points = lilv_port_get_scale_points(plugin, port);
      LILV_FOREACH(scale_points, it, points)
      {
         char choice[256];
         snprintf(choice, sizeof choice, "%s %g", symbol,
                  (double)lilv_node_as_float(lilv_scale_point_get_value(lilv_scale_points_get(points, it))));
         promise(uri, "choice", choice);
      }
      lilv_scale_points_free(points);
   }
   LilvNode* preset_class = lilv_new_uri(world, LV2_PRESETS__Preset);
   LilvNodes* presets = lilv_plugin_get_related(plugin, preset_class);
   LILV_FOREACH(nodes, it, presets)
   {
      promise(uri, "preset", lilv_node_as_uri(lilv_nodes_get(presets, it)));
   }
   lilv_nodes_free(presets);
   lilv_node_free(preset_class);
   collect_state(plugin, uri);
}

static int compare_lines(const void* a, const void* b)
{
   return strcmp(*(char* const*)a, *(char* const*)b);
}

/* Sorted, each once. */
static void tidy(Lines* lines)
{
   qsort(lines->lines, lines->n, sizeof *lines->lines, compare_lines);
   uint32_t kept = 0;
   for (uint32_t i = 0; i < lines->n; ++i) {
      if (kept && !strcmp(lines->lines[kept - 1], lines->lines[i])) {
         free(lines->lines[i]);
      } else {
         lines->lines[kept++] = lines->lines[i];
      }
   }
   lines->n = kept;
}

static void free_lines(Lines* lines)
{
   for (uint32_t i = 0; i < lines->n; ++i) {
      free(lines->lines[i]);
   }
   free(lines->lines);
   *lines = (Lines){0};
}

static const char* what_breaks(const char* line)
{
   return strstr(line, " port ")     ? "sessions, automation and presets that name it lose that setting"
          : strstr(line, " choice ") ? "settings saved at this choice come back as another"
          : strstr(line, " preset ") ? "sessions that load it do not open"
                                     : "what saved sessions keep there is lost";
}

static const char* committed_path;
static const char* actual_path;

static void no_symbol_choice_preset_or_state_key_that_sessions_use_is_gone(void** state)
{
   (void)state;
   for_every_plugin(collect);
   tidy(&promises);
   Lines committed = {0};
   FILE* file = fopen(committed_path, "r");
   assert_non_null(file);
   char line[512];
   while (fgets(line, sizeof line, file)) {
      line[strcspn(line, "\n")] = '\0';
      add_line(&committed, line);
   }
   fclose(file);
   tidy(&committed);
   file = fopen(actual_path, "w");
   assert_non_null(file);
   for (uint32_t i = 0; i < promises.n; ++i) {
      fprintf(file, "%s\n", promises.lines[i]);
   }
   assert_int_equal(fclose(file), 0);

   uint32_t n_gone = 0;
   uint32_t n_new = 0;
   for (uint32_t c = 0, a = 0; c < committed.n || a < promises.n;) {
      const int order = c == committed.n  ? 1
                        : a == promises.n ? -1
                                          : strcmp(committed.lines[c], promises.lines[a]);
      if (order < 0) {
         print_error("gone or renamed: %s: %s\n", committed.lines[c], what_breaks(committed.lines[c]));
         ++n_gone;
      } else if (order > 0) {
         print_error("new: %s: add it to tests/plugin/symbols.txt; from then on it is forever\n",
                     promises.lines[a]);
         ++n_new;
      }
      c += order <= 0;
      a += order >= 0;
   }
   free_lines(&committed);
   free_lines(&promises);
   if (n_gone) {
      fail_msg("%u gone: bring them back", n_gone);
   }
   if (n_new) {
      fail_msg("%u new: cp %s tests/plugin/symbols.txt", n_new, actual_path);
   }
}

int main(int argc, char** argv)
{
   if (argc != 3) {
      fprintf(stderr, "usage: test_metadata COMMITTED-SYMBOLS SYMBOLS-AS-THEY-ARE\n");
      return 1;
   }
   committed_path = argv[1];
   actual_path = argv[2];
   world = lilv_world_new();
   lilv_world_load_all(world);
   const struct CMUnitTest tests[] = {
      cmocka_unit_test(every_port_has_a_unit_a_range_a_default_inside_it_and_a_sentence),
      cmocka_unit_test(every_plugin_tells_its_name_maker_class_license_and_version),
      cmocka_unit_test(every_plugin_designates_bypass_latency_free_wheeling_and_channels),
      cmocka_unit_test(every_preset_names_only_controls_and_values_that_exist),
      cmocka_unit_test(every_plugin_declares_the_features_it_uses_and_needs_none),
      cmocka_unit_test(every_plugin_declares_the_interfaces_it_has),
      cmocka_unit_test(no_symbol_choice_preset_or_state_key_that_sessions_use_is_gone),
   };
   const int n_failed = cmocka_run_group_tests(tests, NULL, NULL);
   urid_map_free();
   lilv_world_free(world);
   return n_failed;
}
