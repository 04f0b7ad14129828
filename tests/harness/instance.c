/* SPDX-License-Identifier: ISC */
#include "host.h"
#include "host_private.h"
#include "text.h"
#include "turtle.h"

#include <lv2/atom/atom.h>
#include <lv2/buf-size/buf-size.h>
#include <lv2/log/log.h>
#include <lv2/options/options.h>
#include <lv2/parameters/parameters.h>
#include <lv2/presets/presets.h>
#include <lv2/resize-port/resize-port.h>
#include <lv2/state/state.h>
#include <lv2/worker/worker.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Room of an event port that asks for none. */
#define BM_ATOM_BYTES 8192u

/* The subject under which lilv writes settings, and the prefixes that it writes them with. */
#define SAVED_URI "urn:bookmatch:saved"
#define PREFIXES                                                                                             \
   "@prefix atom: <http://lv2plug.in/ns/ext/atom#> .\n"                                                      \
   "@prefix lv2: <http://lv2plug.in/ns/lv2core#> .\n"                                                        \
   "@prefix pset: <http://lv2plug.in/ns/ext/presets#> .\n"                                                   \
   "@prefix rdf: <http://www.w3.org/1999/02/22-rdf-syntax-ns#> .\n"                                          \
   "@prefix rdfs: <http://www.w3.org/2000/01/rdf-schema#> .\n"                                               \
   "@prefix state: <http://lv2plug.in/ns/ext/state#> .\n"                                                    \
   "@prefix xsd: <http://www.w3.org/2001/XMLSchema#> .\n\n"

typedef struct {
   uint32_t size;
   void* data;
} Response;

/* What a plugin is offered: rate and block length, logging, a worker that works at once. */
typedef struct {
   float rate;
   int32_t min_frames;
   int32_t max_frames;
   LV2_Options_Option options[5];
   LV2_Log_Log log;
   LV2_Worker_Schedule schedule;
   LV2_Feature feature[8];
   const LV2_Feature* list[9];
} Features;

struct BmInstance {
   BmHost* host;
   const BmPlugin* plugin;
   LilvInstance* lilv;
   double rate_hz;
   uint32_t max_frames;
   float* controls;  /* [n_ports] the buffers of control ports */
   LV2_Atom** atoms; /* [n_ports] the buffers of event ports, NULL elsewhere */
   uint32_t* atom_bytes;
   float* silence; /* [max_frames] */
   float* discard; /* [max_frames] */
   Features features;
   const LV2_Worker_Interface* worker;
   Response* responses; /* [n_responses] of work done, waiting for the end of the run */
   uint32_t n_responses;
};

static int on_vprintf(LV2_Log_Handle handle, LV2_URID type, const char* format, va_list args)
{
   BmInstance* instance = handle;
   BmHost* host = instance->host;
   char line[1024];
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wformat-nonliteral"
   const int size = vsnprintf(line, sizeof(line), format, args);
#pragma GCC diagnostic pop
   line[strcspn(line, "\n")] = '\0';
   if (type == host->map.map(host, LV2_LOG__Error) || type == host->map.map(host, LV2_LOG__Warning)) {
      pthread_mutex_lock(&host->log_mutex);
      host->log(host->log_user, instance->plugin->uri, line);
      pthread_mutex_unlock(&host->log_mutex);
   }
   return size;
}

static int on_printf(LV2_Log_Handle handle, LV2_URID type, const char* format, ...)
{
   va_list args;
   va_start(args, format);
   const int size = on_vprintf(handle, type, format, args);
   va_end(args);
   return size;
}

static LV2_Worker_Status on_respond(LV2_Worker_Respond_Handle handle, uint32_t size, const void* data)
{
   BmInstance* instance = handle;
   instance->responses = bm_realloc(instance->responses, instance->n_responses + 1u, sizeof(Response));
   Response* response = &instance->responses[instance->n_responses++];
   *response = (Response){size, bm_calloc(size, 1)};
   if (size) {
      memcpy(response->data, data, size);
   }
   return LV2_WORKER_SUCCESS;
}

/* Offline there is no hurry: the work is done at once, so a render does not depend on another thread's luck.
 */
static LV2_Worker_Status on_schedule(LV2_Worker_Schedule_Handle handle, uint32_t size, const void* data)
{
   BmInstance* instance = handle;
   return instance->worker ? instance->worker->work(lilv_instance_get_handle(instance->lilv), on_respond,
                                                    instance, size, data)
                           : LV2_WORKER_ERR_UNKNOWN;
}

static void deliver_responses(BmInstance* instance)
{
   LV2_Handle handle = lilv_instance_get_handle(instance->lilv);
   for (uint32_t n = 0; n < instance->n_responses; ++n) {
      if (instance->worker->work_response) {
         instance->worker->work_response(handle, instance->responses[n].size, instance->responses[n].data);
      }
      free(instance->responses[n].data);
   }
   instance->n_responses = 0;
   if (instance->worker && instance->worker->end_run) {
      instance->worker->end_run(handle);
   }
}

static void offer_features(BmInstance* instance)
{
   BmHost* host = instance->host;
   Features* features = &instance->features;
   features->rate = (float)instance->rate_hz;
   features->min_frames = 0;
   features->max_frames = (int32_t)instance->max_frames;
   const LV2_URID type_float = host->map.map(host, LV2_ATOM__Float);
   const LV2_URID type_int = host->map.map(host, LV2_ATOM__Int);
   const LV2_Options_Option options[5] = {
      {LV2_OPTIONS_INSTANCE, 0, host->map.map(host, LV2_PARAMETERS__sampleRate), sizeof(float), type_float,
       &features->rate},
      {LV2_OPTIONS_INSTANCE, 0, host->map.map(host, LV2_BUF_SIZE__minBlockLength), sizeof(int32_t), type_int,
       &features->min_frames},
      {LV2_OPTIONS_INSTANCE, 0, host->map.map(host, LV2_BUF_SIZE__maxBlockLength), sizeof(int32_t), type_int,
       &features->max_frames},
      {LV2_OPTIONS_INSTANCE, 0, host->map.map(host, LV2_BUF_SIZE__nominalBlockLength), sizeof(int32_t),
       type_int, &features->max_frames},
      {LV2_OPTIONS_INSTANCE, 0, 0, 0, 0, NULL},
   };
   memcpy(features->options, options, sizeof(options));
   features->log = (LV2_Log_Log){instance, on_printf, on_vprintf};
   features->schedule = (LV2_Worker_Schedule){instance, on_schedule};
   const LV2_Feature offered[] = {
      {LV2_URID__map, &host->map},
      {LV2_URID__unmap, &host->unmap},
      {LV2_OPTIONS__options, features->options},
      {LV2_LOG__log, &features->log},
      {LV2_WORKER__schedule, &features->schedule},
      {LV2_BUF_SIZE__boundedBlockLength, NULL},
      {LV2_STATE__loadDefaultState, NULL},
   };
   memcpy(features->feature, offered, sizeof(offered));
   for (uint32_t n = 0; n < sizeof(offered) / sizeof(offered[0]); ++n) {
      features->list[n] = &features->feature[n];
   }
}

static bool supports_required(BmInstance* instance, BmError* error)
{
   LilvNodes* required = lilv_plugin_get_required_features(instance->plugin->lilv);
   bool supported = true;
   LILV_FOREACH(nodes, it, required)
   {
      const char* uri = lilv_node_as_uri(lilv_nodes_get(required, it));
      bool found = !strcmp(uri, LV2_CORE__inPlaceBroken) || !strcmp(uri, LV2_CORE__hardRTCapable);
      for (const LV2_Feature* const* feature = instance->features.list; *feature && !found; ++feature) {
         found = !strcmp((*feature)->URI, uri);
      }
      if (!found) {
         supported = bm_fail(error, "<%s> requires the LV2 feature <%s>, which the bench does not offer",
                             instance->plugin->uri, uri);
         break;
      }
   }
   lilv_nodes_free(required);
   return supported;
}

static uint32_t atom_port_bytes(BmInstance* instance, uint32_t index)
{
   const LilvPlugin* plugin = instance->plugin->lilv;
   LilvNode* predicate = lilv_new_uri(instance->host->world, LV2_RESIZE_PORT__minimumSize);
   LilvNode* size = lilv_port_get(plugin, lilv_plugin_get_port_by_index(plugin, index), predicate);
   const int bytes = size && lilv_node_is_int(size) ? lilv_node_as_int(size) : 0;
   lilv_node_free(size);
   lilv_node_free(predicate);
   return bytes > (int)BM_ATOM_BYTES ? (uint32_t)bytes : BM_ATOM_BYTES;
}

/* Ready the event ports for a run: no events in, room for events out. */
static void clear_atoms(BmInstance* instance)
{
   BmHost* host = instance->host;
   for (uint32_t n = 0; n < instance->plugin->n_ports; ++n) {
      LV2_Atom* atom = instance->atoms[n];
      if (!atom) {
         continue;
      }
      if (instance->plugin->ports[n].is_input) {
         LV2_Atom_Sequence* sequence = (LV2_Atom_Sequence*)atom;
         sequence->atom.type = host->map.map(host, LV2_ATOM__Sequence);
         sequence->atom.size = sizeof(LV2_Atom_Sequence_Body);
         sequence->body.unit = 0;
         sequence->body.pad = 0;
      } else {
         atom->type = host->map.map(host, LV2_ATOM__Chunk);
         atom->size = instance->atom_bytes[n] - (uint32_t)sizeof(LV2_Atom);
      }
   }
}

static void connect_ports(BmInstance* instance)
{
   for (uint32_t n = 0; n < instance->plugin->n_ports; ++n) {
      const BmPort* port = &instance->plugin->ports[n];
      switch (port->kind) {
      case BM_PORT_CONTROL: {
         const float scale = port->scales_by_rate ? (float)instance->rate_hz : 1.0f;
         instance->controls[n] = port->is_input ? port->def * scale : 0.0f;
         lilv_instance_connect_port(instance->lilv, n, &instance->controls[n]);
         break;
      }
      case BM_PORT_AUDIO:
      case BM_PORT_CV:
         bm_instance_connect(instance, n, NULL);
         break;
      case BM_PORT_ATOM:
         instance->atom_bytes[n] = atom_port_bytes(instance, n);
         instance->atoms[n] = bm_calloc(instance->atom_bytes[n], 1);
         lilv_instance_connect_port(instance->lilv, n, instance->atoms[n]);
         break;
      case BM_PORT_OTHER:
         break;
      }
   }
   clear_atoms(instance);
}

BmInstance* bm_instance_new(BmHost* host, const BmPlugin* plugin, double rate_hz, uint32_t max_frames,
                            BmError* error)
{
   BmInstance* instance = bm_calloc(1, sizeof(BmInstance));
   instance->host = host;
   instance->plugin = plugin;
   instance->rate_hz = rate_hz;
   instance->max_frames = max_frames ? max_frames : 1;
   instance->controls = bm_calloc(plugin->n_ports, sizeof(float));
   instance->atoms = bm_calloc(plugin->n_ports, sizeof(LV2_Atom*));
   instance->atom_bytes = bm_calloc(plugin->n_ports, sizeof(uint32_t));
   instance->silence = bm_calloc(instance->max_frames, sizeof(float));
   instance->discard = bm_calloc(instance->max_frames, sizeof(float));
   offer_features(instance);
   for (uint32_t n = 0; n < plugin->n_ports; ++n) {
      if (plugin->ports[n].kind == BM_PORT_OTHER && !plugin->ports[n].is_optional) {
         bm_fail(error, "<%s> has a port \"%s\" of a kind that the bench cannot connect", plugin->uri,
                 plugin->ports[n].symbol);
      }
   }
   if (!error->is_set && supports_required(instance, error)) {
      instance->lilv = lilv_plugin_instantiate(plugin->lilv, rate_hz, instance->features.list);
      if (!instance->lilv) {
         bm_fail(error, "<%s> could not be started at %g Hz", plugin->uri, rate_hz);
      }
   }
   if (!instance->lilv) {
      bm_instance_free(instance);
      return NULL;
   }
   instance->worker = lilv_instance_get_extension_data(instance->lilv, LV2_WORKER__interface);
   connect_ports(instance);
   lilv_instance_activate(instance->lilv);
   return instance;
}

void bm_instance_free(BmInstance* instance)
{
   if (!instance) {
      return;
   }
   if (instance->lilv) {
      lilv_instance_deactivate(instance->lilv);
      lilv_instance_free(instance->lilv);
   }
   for (uint32_t n = 0; n < instance->plugin->n_ports; ++n) {
      free(instance->atoms[n]);
   }
   for (uint32_t n = 0; n < instance->n_responses; ++n) {
      free(instance->responses[n].data);
   }
   free(instance->responses);
   free(instance->controls);
   free(instance->atoms);
   free(instance->atom_bytes);
   free(instance->silence);
   free(instance->discard);
   free(instance);
}

const BmPlugin* bm_instance_plugin(const BmInstance* instance)
{
   return instance->plugin;
}

void bm_instance_set(BmInstance* instance, uint32_t port, float value)
{
   instance->controls[port] = value;
}

float bm_instance_get(const BmInstance* instance, uint32_t port)
{
   return instance->controls[port];
}

void bm_instance_connect(BmInstance* instance, uint32_t port, float* buffer)
{
   float* idle = instance->plugin->ports[port].is_input ? instance->silence : instance->discard;
   lilv_instance_connect_port(instance->lilv, port, buffer ? buffer : idle);
}

void bm_instance_run(BmInstance* instance, const float* const* in, float* const* out, uint32_t n_frames)
{
   const BmPlugin* plugin = instance->plugin;
   uint32_t done = 0;
   do {
      const uint32_t left = n_frames - done;
      const uint32_t n = left < instance->max_frames ? left : instance->max_frames;
      for (uint32_t c = 0; c < plugin->n_audio_in; ++c) {
         /* LV2 takes one pointer type for both directions; a plugin does not write to its inputs. */
         bm_instance_connect(instance, plugin->audio_in[c], in[c] ? (float*)in[c] + done : NULL);
      }
      for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
         bm_instance_connect(instance, plugin->audio_out[c], out[c] ? out[c] + done : NULL);
      }
      clear_atoms(instance);
      lilv_instance_run(instance->lilv, n);
      if (instance->worker) {
         deliver_responses(instance);
      }
      done += n;
   } while (done < n_frames);
}

void bm_instance_restart(BmInstance* instance)
{
   lilv_instance_deactivate(instance->lilv);
   lilv_instance_activate(instance->lilv);
}

static const void* get_port_value(const char* symbol, void* user, uint32_t* size, uint32_t* type)
{
   BmInstance* instance = user;
   for (uint32_t n = 0; n < instance->plugin->n_ports; ++n) {
      if (!strcmp(instance->plugin->ports[n].symbol, symbol)) {
         *size = sizeof(float);
         *type = instance->host->map.map(instance->host, LV2_ATOM__Float);
         return &instance->controls[n];
      }
   }
   *size = *type = 0;
   return NULL;
}

static void set_port_value(const char* symbol, void* user, const void* value, uint32_t size, uint32_t type)
{
   (void)size;
   BmInstance* instance = user;
   BmHost* host = instance->host;
   float number = NAN;
   if (type == host->map.map(host, LV2_ATOM__Float)) {
      number = *(const float*)value;
   } else if (type == host->map.map(host, LV2_ATOM__Double)) {
      number = (float)*(const double*)value;
   } else if (type == host->map.map(host, LV2_ATOM__Int) || type == host->map.map(host, LV2_ATOM__Bool)) {
      number = (float)*(const int32_t*)value;
   } else if (type == host->map.map(host, LV2_ATOM__Long)) {
      number = (float)*(const int64_t*)value;
   }
   BmError unknown = {0};
   const BmPort* port = bm_plugin_port(instance->plugin, symbol, &unknown);
   if (!port) {
      host->log(host->log_user, instance->plugin->uri, unknown.text);
   } else if (port->kind == BM_PORT_CONTROL && port->is_input && isfinite(number)) {
      instance->controls[port->index] = number;
   }
}

static LilvState* take_state(BmInstance* instance)
{
   return lilv_state_new_from_instance(instance->plugin->lilv, instance->lilv, &instance->host->map, NULL,
                                       NULL, NULL, NULL, get_port_value, instance,
                                       LV2_STATE_IS_POD | LV2_STATE_IS_PORTABLE, instance->features.list);
}

/* Apply and free a state that was read from `source`. */
static bool apply_state(BmInstance* instance, LilvState* state, const char* source, BmError* error)
{
   if (!state) {
      return bm_fail(error, "%s holds no LV2 preset", source);
   }
   const LilvNode* plugin = lilv_state_get_plugin_uri(state);
   if (plugin && strcmp(lilv_node_as_uri(plugin), instance->plugin->uri)) {
      bm_fail(error, "%s holds settings of <%s>, not of <%s>", source, lilv_node_as_uri(plugin),
              instance->plugin->uri);
   } else {
      lilv_state_restore(state, instance->lilv, set_port_value, instance, 0, instance->features.list);
   }
   lilv_state_free(state);
   return !error->is_set;
}

uint32_t bm_instance_latency(BmInstance* instance, BmError* error)
{
   const BmPlugin* plugin = instance->plugin;
   if (!plugin->latency) {
      return 0;
   }
   BmInstance* probe =
      bm_instance_new(instance->host, plugin, instance->rate_hz, instance->max_frames, error);
   if (!probe) {
      return 0;
   }
   apply_state(probe, take_state(instance), plugin->uri, error);
   const float** in = bm_calloc(plugin->n_audio_in, sizeof(float*));
   float** out = bm_calloc(plugin->n_audio_out, sizeof(float*));
   /* By then a plugin has told it that looks at its controls in run() only. */
   bm_instance_run(probe, in, out, probe->max_frames);
   const float latency = bm_instance_get(probe, plugin->latency->index);
   free(in);
   free(out);
   bm_instance_free(probe);
   /* Hours of latency are a defect that would only exhaust the memory. */
   if (!(latency >= 0.0f) || (double)latency > 60.0 * instance->rate_hz) {
      bm_fail(error, "<%s> reports a latency of %g frames, which makes no sense", plugin->uri,
              (double)latency);
      return 0;
   }
   return (uint32_t)lrintf(latency);
}

bool bm_instance_load_preset(BmInstance* instance, const char* uri, BmError* error)
{
   const char** uris = bm_calloc(instance->plugin->n_presets, sizeof(char*));
   bool found = false;
   for (uint32_t n = 0; n < instance->plugin->n_presets; ++n) {
      uris[n] = instance->plugin->presets[n].uri;
      found = found || !strcmp(uris[n], uri);
   }
   const char* nearest = found ? NULL : bm_nearest(uri, uris, instance->plugin->n_presets);
   free(uris);
   if (!found) {
      return nearest ? bm_fail(error, "<%s> has no preset <%s>; did you mean <%s>?", instance->plugin->uri,
                               uri, nearest)
                     : bm_fail(error, "<%s> has no preset <%s>", instance->plugin->uri, uri);
   }
   LilvNode* node = lilv_new_uri(instance->host->world, uri);
   LilvState* state = lilv_state_new_from_world(instance->host->world, &instance->host->map, node);
   lilv_node_free(node);
   return apply_state(instance, state, uri, error);
}

bool bm_instance_load_file(BmInstance* instance, const char* path, BmError* error)
{
   BmTurtle* turtle = bm_turtle_read(path, error);
   if (!turtle) {
      return false;
   }
   LilvState* state = NULL;
   const BmTerm* subject = NULL;
   for (uint32_t n = 0; (subject = bm_turtle_subject(turtle, n)); ++n) {
      if (subject->kind == BM_TERM_URI && bm_turtle_is_a(subject, LV2_PRESETS__Preset)) {
         if (!bm_turtle_get(subject, LV2_CORE__appliesTo)) {
            bm_fail_at(error, path, subject->line,
                       "the preset does not say of which plugin it is (lv2:appliesTo)");
            break;
         }
         LilvNode* node = lilv_new_uri(instance->host->world, subject->text);
         state = lilv_state_new_from_file(instance->host->world, &instance->host->map, node, path);
         lilv_node_free(node);
         break;
      }
   }
   bm_turtle_free(turtle);
   return !error->is_set && apply_state(instance, state, path, error);
}

bool bm_instance_load_text(BmInstance* instance, const char* turtle, BmError* error)
{
   /* A text has no place of its own, and a saved one names itself by its place. */
   BmText text = {0};
   bm_text_add(&text, "@base <" SAVED_URI "> .\n");
   bm_text_add(&text, turtle);
   LilvState* state = lilv_state_new_from_string(instance->host->world, &instance->host->map, text.chars);
   bm_text_free(&text);
   return apply_state(instance, state, "the text", error);
}

char* bm_instance_save(BmInstance* instance)
{
   BmHost* host = instance->host;
   LilvState* state = take_state(instance);
   char* text = lilv_state_to_string(host->world, &host->map, &host->unmap, state, SAVED_URI, NULL);
   lilv_state_free(state);
   /* lilv leaves the prefixes to its caller; hosts look for a preset file's settings in its subject <>. */
   char* subject = text ? strstr(text, "<" SAVED_URI ">") : NULL;
   BmText file = {0};
   bm_text_add(&file, PREFIXES);
   if (subject) {
      *subject = '\0';
      bm_text_add(&file, text);
      bm_text_add(&file, "<>");
      bm_text_add(&file, subject + strlen("<" SAVED_URI ">"));
   }
   lilv_free(text);
   return file.chars;
}
