/* SPDX-License-Identifier: ISC */
/*
   A plugin that does what the tests of the bench have to see: it scales, delays and says so, echoes, fails,
   and keeps a state that reaches it through the worker. out = gain * scale * (in delayed) + echo * (out 1000
   frames ago).
*/
#include <lv2/atom/atom.h>
#include <lv2/core/lv2.h>
#include <lv2/state/state.h>
#include <lv2/urid/urid.h>
#include <lv2/worker/worker.h>

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define BM_TEST "urn:bookmatch:test#"
#define ECHO_FRAMES 1000u
#define RING_FRAMES 4096u

enum { GAIN, DELAY, ECHO, FAULT, KIND, OFF_LINE, LATENCY, SEEN, IS_OFF_LINE, N_CONTROLS };

typedef struct {
   uint32_t n_in;
   uint32_t n_out;
   void* ports[4 + N_CONTROLS];
   LV2_URID_Map* map;
   LV2_Worker_Schedule* schedule;
   float scale;     /* in use */
   float new_scale; /* restored, on its way through the worker; negative: none */
   float in_ring[2][RING_FRAMES];
   float out_ring[2][RING_FRAMES];
   uint32_t at;
} Plugin;

static LV2_Handle instantiate(const LV2_Descriptor* descriptor, double rate, const char* path,
                              const LV2_Feature* const* features)
{
   (void)path;
   /* So that a test sees a plugin refuse. */
   if (rate > 400000.0) {
      return NULL;
   }
   Plugin* self = calloc(1, sizeof(Plugin));
   if (!self) {
      return NULL;
   }
   const bool is_narrow = strstr(descriptor->URI, "#narrow"); /* passes left on */
   self->n_in = is_narrow || strstr(descriptor->URI, "#stereo") ? 2 : 1;
   self->n_out = is_narrow || strstr(descriptor->URI, "#mono") ? 1 : 2;
   self->scale = 1.0f;
   self->new_scale = -1.0f;
   for (; *features; ++features) {
      if (!strcmp((*features)->URI, LV2_URID__map)) {
         self->map = (*features)->data;
      } else if (!strcmp((*features)->URI, LV2_WORKER__schedule)) {
         self->schedule = (*features)->data;
      }
   }
   return self;
}

static void connect_port(LV2_Handle handle, uint32_t port, void* data)
{
   ((Plugin*)handle)->ports[port] = data;
}

static void activate(LV2_Handle handle)
{
   Plugin* self = handle;
   memset(self->in_ring, 0, sizeof(self->in_ring));
   memset(self->out_ring, 0, sizeof(self->out_ring));
   self->at = 0;
}

static void run(LV2_Handle handle, uint32_t n_frames)
{
   Plugin* self = handle;
   void** controls = self->ports + self->n_in + self->n_out;
   if (self->new_scale >= 0.0f && self->schedule) {
      const float scale = self->new_scale;
      self->new_scale = -1.0f;
      self->schedule->schedule_work(self->schedule->handle, sizeof(scale), &scale);
   }
   const float gain = *(const float*)controls[GAIN];
   const float echo = *(const float*)controls[ECHO];
   const bool fault = *(const float*)controls[FAULT] > 0.0f;
   const uint32_t delay = (uint32_t) * (const float*)controls[DELAY];
   *(float*)controls[LATENCY] = (float)delay;
   *(float*)controls[SEEN] = gain;
   *(float*)controls[IS_OFF_LINE] = *(const float*)controls[OFF_LINE];
   for (uint32_t n = 0; n < n_frames; ++n, ++self->at) {
      for (uint32_t c = 0; c < self->n_out; ++c) {
         const uint32_t from = c < self->n_in ? c : 0;
         self->in_ring[c][self->at % RING_FRAMES] = ((const float*)self->ports[from])[n];
         const float echoed = echo * self->out_ring[c][(self->at - ECHO_FRAMES) % RING_FRAMES];
         const float y = gain * self->scale * self->in_ring[c][(self->at - delay) % RING_FRAMES] + echoed;
         self->out_ring[c][self->at % RING_FRAMES] = y;
         ((float*)self->ports[self->n_in + c])[n] = fault ? NAN : y;
      }
   }
}

static void cleanup(LV2_Handle handle)
{
   free(handle);
}

static LV2_State_Status save(LV2_Handle handle, LV2_State_Store_Function store, LV2_State_Handle state,
                             uint32_t flags, const LV2_Feature* const* features)
{
   (void)flags;
   (void)features;
   Plugin* self = handle;
   char text[32];
   const int size = snprintf(text, sizeof(text), "%.9g", (double)self->scale);
   return store(state, self->map->map(self->map->handle, BM_TEST "scale"), text, (size_t)size + 1,
                self->map->map(self->map->handle, LV2_ATOM__String),
                LV2_STATE_IS_POD | LV2_STATE_IS_PORTABLE);
}

static LV2_State_Status restore(LV2_Handle handle, LV2_State_Retrieve_Function retrieve,
                                LV2_State_Handle state, uint32_t flags, const LV2_Feature* const* features)
{
   (void)flags;
   (void)features;
   Plugin* self = handle;
   size_t size = 0;
   uint32_t type = 0;
   uint32_t value_flags = 0;
   const char* text =
      retrieve(state, self->map->map(self->map->handle, BM_TEST "scale"), &size, &type, &value_flags);
   if (!text || type != self->map->map(self->map->handle, LV2_ATOM__String)) {
      return LV2_STATE_ERR_NO_PROPERTY;
   }
   self->new_scale = strtof(text, NULL);
   return LV2_STATE_SUCCESS;
}

static LV2_Worker_Status work(LV2_Handle handle, LV2_Worker_Respond_Function respond,
                              LV2_Worker_Respond_Handle respond_handle, uint32_t size, const void* data)
{
   (void)handle;
   return respond(respond_handle, size, data);
}

static LV2_Worker_Status work_response(LV2_Handle handle, uint32_t size, const void* data)
{
   if (size == sizeof(float)) {
      memcpy(&((Plugin*)handle)->scale, data, size);
   }
   return LV2_WORKER_SUCCESS;
}

static const void* extension_data(const char* uri)
{
   static const LV2_State_Interface state = {save, restore};
   static const LV2_Worker_Interface worker = {work, work_response, NULL};
   return !strcmp(uri, LV2_STATE__interface)    ? (const void*)&state
          : !strcmp(uri, LV2_WORKER__interface) ? (const void*)&worker
                                                : NULL;
}

LV2_SYMBOL_EXPORT const LV2_Descriptor* lv2_descriptor(uint32_t index)
{
   static const LV2_Descriptor descriptors[] = {
      {BM_TEST "mono", instantiate, connect_port, activate, run, NULL, cleanup, extension_data},
      {BM_TEST "stereo", instantiate, connect_port, activate, run, NULL, cleanup, extension_data},
      {BM_TEST "widen", instantiate, connect_port, activate, run, NULL, cleanup, extension_data},
      {BM_TEST "narrow", instantiate, connect_port, activate, run, NULL, cleanup, extension_data},
      {BM_TEST "needy", instantiate, connect_port, activate, run, NULL, cleanup, extension_data},
   };
   return index < sizeof(descriptors) / sizeof(descriptors[0]) ? &descriptors[index] : NULL;
}
