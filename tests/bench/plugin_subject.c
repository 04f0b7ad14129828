/* SPDX-License-Identifier: ISC */
#include "plugin_subject.h"

#include "workload.h"

#include <lilv/lilv.h>
#include <lv2/urid/urid.h>

#include <malloc.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define OWN_URIS "urn:bookmatch:"
#define MAX_CHANNELS BM_PASSAGE_CHANNELS
#define MAX_URIDS 256
#define N_FOOTPRINTS 9

/* Moving controls swing this share of their range to either side. */
#define SWING 0.03

enum { SETTLE_BLOCK = 1024 };

typedef struct {
   BmSubject subject;
   const BmPlugin* plugin;
   LilvInstance* instance;
   double rate_hz;
   BmState state;
   uint32_t position; /* in the passage */
   uint32_t step;     /* of the moving controls */
   float* controls;   /* [n_ports] */
   float* positions;  /* [BM_N_POSITIONS][n_ports] */
   const float* in[MAX_CHANNELS];
   float* out[MAX_CHANNELS];
} PluginSubject;

static char* urids[MAX_URIDS];

static LV2_URID map_uri(LV2_URID_Map_Handle handle, const char* uri)
{
   (void)handle;
   for (uint32_t i = 0; i < MAX_URIDS; ++i) {
      if (!urids[i]) {
         urids[i] = bm_copy(uri);
      }
      if (!strcmp(urids[i], uri)) {
         return i + 1;
      }
   }
   return 0;
}

static LilvInstance* instantiate(const BmPlugin* plugin, double rate_hz, BmError* error)
{
   static LV2_URID_Map map = {NULL, map_uri};
   static const LV2_Feature map_feature = {LV2_URID__map, &map};
   static const LV2_Feature* const features[] = {&map_feature, NULL};
   LilvInstance* instance = lilv_plugin_instantiate(plugin->lilv, rate_hz, features);
   if (!instance) {
      bm_fail(error, "<%s> could not be started at %g Hz", plugin->uri, rate_hz);
   }
   return instance;
}

static bool moves(const BmPort* port)
{
   return port->kind == BM_PORT_CONTROL && port->is_input && !port->is_toggled && !port->is_integer &&
          !port->is_enumeration && !port->is_trigger;
}

static float moved(const BmPort* port, float value, double position)
{
   if (!moves(port)) {
      return value;
   }
   if (port->is_logarithmic && port->min > 0.0F) {
      const double swing = SWING * log((double)(port->max / port->min));
      return fminf(fmaxf(value * (float)exp(swing * position), port->min), port->max);
   }
   const float swing = (float)SWING * (port->max - port->min);
   return fminf(fmaxf(value + swing * (float)position, port->min), port->max);
}

static void plugin_run(BmSubject* subject, uint32_t n_frames)
{
   PluginSubject* self = (PluginSubject*)subject;
   const BmPlugin* plugin = self->plugin;
   if (self->state == BM_STATE_MOVING) {
      memcpy(self->controls, self->positions + (size_t)(self->step % BM_N_POSITIONS) * plugin->n_ports,
             plugin->n_ports * sizeof(float));
      ++self->step;
   }
   for (uint32_t c = 0; c < plugin->n_audio_in; ++c) {
      /* LV2 takes one pointer type for both directions; a plugin does not write to its inputs. */
      lilv_instance_connect_port(self->instance, plugin->audio_in[c],
                                 (float*)(uintptr_t)(self->in[c] + self->position));
   }
   lilv_instance_run(self->instance, n_frames);
   self->position = (self->position + n_frames) % BM_PASSAGE_FRAMES;
}

static void run_for(PluginSubject* self, double seconds)
{
   const uint32_t n_blocks = (uint32_t)ceil(seconds * self->rate_hz / SETTLE_BLOCK);
   for (uint32_t i = 0; i < n_blocks; ++i) {
      plugin_run(&self->subject, SETTLE_BLOCK);
   }
}

static void play(PluginSubject* self, bool silent)
{
   for (uint32_t c = 0; c < self->plugin->n_audio_in; ++c) {
      self->in[c] = silent ? bm_silence() : bm_passage(c, self->rate_hz);
   }
}

static void plugin_restart(BmSubject* subject)
{
   PluginSubject* self = (PluginSubject*)subject;
   lilv_instance_deactivate(self->instance);
   lilv_instance_activate(self->instance);
   self->position = 0;
   self->step = 0;
   play(self, false);
   run_for(self, BM_SETTLE_S);
   if (self->state == BM_STATE_IDLE) {
      play(self, true);
      run_for(self, BM_SILENCE_S);
   }
   self->position = 0;
   self->step = 0;
}

static void plugin_free(BmSubject* subject)
{
   PluginSubject* self = (PluginSubject*)subject;
   if (self->instance) {
      lilv_instance_deactivate(self->instance);
      lilv_instance_free(self->instance);
   }
   for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
      free(self->out[c]);
   }
   free(self->positions);
   free(self->controls);
   free(self);
}

static bool set_controls(PluginSubject* self, BmError* error)
{
   const BmPlugin* plugin = self->plugin;
   self->controls = bm_calloc(plugin->n_ports, sizeof(float));
   self->positions = bm_calloc(BM_N_POSITIONS, plugin->n_ports * sizeof(float));
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      self->controls[i] = plugin->ports[i].kind == BM_PORT_CONTROL ? plugin->ports[i].def : 0.0F;
   }
   char name[BM_PLUGIN_NAME_SIZE];
   const BmWorkload* workload = bm_plugin_name(plugin, name) ? bm_workload(name) : NULL;
   const bool is_mono = plugin->n_audio_in < 2;
   const uint32_t n_settings = !workload ? 0 : is_mono ? workload->n_mono_settings : workload->n_settings;
   for (uint32_t i = 0; i < n_settings; ++i) {
      const BmPort* port = bm_plugin_port(plugin, workload->settings[i].symbol, error);
      if (!port || !bm_port_check(port, (double)workload->settings[i].value, self->rate_hz, error)) {
         return false;
      }
      self->controls[port->index] = workload->settings[i].value;
   }
   if (plugin->enabled) {
      self->controls[plugin->enabled->index] = self->state == BM_STATE_BYPASSED ? 0.0F : 1.0F;
   }
   for (uint32_t step = 0; step < BM_N_POSITIONS; ++step) {
      for (uint32_t i = 0; i < plugin->n_ports; ++i) {
         self->positions[(size_t)step * plugin->n_ports + i] =
            moved(&plugin->ports[i], self->controls[i], bm_position(step));
      }
   }
   return true;
}

static bool connect(PluginSubject* self, BmError* error)
{
   const BmPlugin* plugin = self->plugin;
   if (plugin->n_audio_in > MAX_CHANNELS || plugin->n_audio_out > MAX_CHANNELS) {
      return bm_fail(error, "<%s> has more than %d audio ports; the benchmark knows no more", plugin->uri,
                     MAX_CHANNELS);
   }
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      if (plugin->ports[i].kind == BM_PORT_CONTROL) {
         lilv_instance_connect_port(self->instance, i, &self->controls[i]);
      }
   }
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      self->out[c] = bm_calloc(BM_MAX_BLOCK_FRAMES, sizeof(float));
      lilv_instance_connect_port(self->instance, plugin->audio_out[c], self->out[c]);
   }
   return true;
}

BmSubject* bm_plugin_subject_new(const BmPlugin* plugin, double rate_hz, BmState state, BmError* error)
{
   PluginSubject* self = bm_calloc(1, sizeof *self);
   self->subject = (BmSubject){plugin_run, plugin_restart, plugin_free, false};
   self->plugin = plugin;
   self->rate_hz = rate_hz;
   self->state = state;
   self->instance = instantiate(plugin, rate_hz, error);
   if (!self->instance || !set_controls(self, error) || !connect(self, error)) {
      plugin_free(&self->subject);
      return NULL;
   }
   lilv_instance_activate(self->instance);
   plugin_restart(&self->subject);
   return &self->subject;
}

static size_t heap_bytes(void)
{
   const struct mallinfo2 info = mallinfo2();
   return info.uordblks + info.hblkhd;
}

bool bm_plugin_footprint(const BmPlugin* plugin, BmStopwatch watch, double rate_hz, double* instantiate_ms,
                         size_t* bytes, BmError* error)
{
   /* The first brings the library into memory and is not counted. */
   LilvInstance* first = instantiate(plugin, rate_hz, error);
   double times_ns[N_FOOTPRINTS];
   for (uint32_t i = 0; first && i < N_FOOTPRINTS; ++i) {
      const size_t before = heap_bytes();
      const double start = watch.cpu_ns(watch.user);
      LilvInstance* instance = instantiate(plugin, rate_hz, error);
      times_ns[i] = watch.cpu_ns(watch.user) - start;
      *bytes = heap_bytes() - before;
      if (!instance) {
         break;
      }
      lilv_instance_free(instance);
   }
   if (first) {
      lilv_instance_free(first);
   }
   *instantiate_ms = 1e-6 * bm_median(times_ns, N_FOOTPRINTS);
   return !error->is_set;
}

bool bm_plugin_name(const BmPlugin* plugin, char* name)
{
   const size_t prefix = strlen(OWN_URIS);
   if (strncmp(plugin->uri, OWN_URIS, prefix)) {
      return false;
   }
   const size_t length = strcspn(plugin->uri + prefix, "#");
   if (length >= BM_PLUGIN_NAME_SIZE) {
      return false;
   }
   memcpy(name, plugin->uri + prefix, length);
   name[length] = '\0';
   return true;
}

const char* bm_plugin_form(const BmPlugin* plugin)
{
   const char* hash = strchr(plugin->uri, '#');
   return hash ? hash + 1 : "";
}
