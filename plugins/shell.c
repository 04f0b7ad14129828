/* SPDX-License-Identifier: ISC */
#include "shell.h"

#include "analysis/loudness_match.h"
#include "base/decibel.h"
#include "base/delay.h"
#include "base/fade.h"
#include "base/glide.h"
#include "denormals.h"

#include <lv2/atom/atom.h>
#include <lv2/core/lv2.h>
#include <lv2/core/lv2_util.h>
#include <lv2/log/log.h>
#include <lv2/log/logger.h>
#include <lv2/state/state.h>
#include <lv2/urid/urid.h>

#include <float.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* What a processor is promised: no sample larger than 80 dB above full scale. */
#define INPUT_LIMIT 1e4
#define LEVEL_TIME_S 0.3
#define MAX_AUDIO_PORTS 4

typedef struct {
   double coefficient;
   double power; /* mean square over the channels */
} LevelMeter;

typedef struct {
   const BmForm* form;
   double sample_rate_hz;
   void* processor;
   BmFrame* dry_memory;
   LV2_URID_Map* map;
   LV2_Log_Logger logger;

   const float** control_in; /* a host's pointers, by control index; NULL until connected */
   float** control_out;
   const float* audio_in[MAX_AUDIO_PORTS];
   float* audio_out[MAX_AUDIO_PORTS];
   float* controls;
   bool controls_are_new;

   uint32_t latency_frames;
   BmDelay dry;
   BmFade enabled;
   BmGlide input_gain;
   BmGlide output_gain;
   BmGlide mix;
   BmLoudnessMatch match;
   LevelMeter input_level;
   LevelMeter output_level;
   bool asleep; /* bypassed and faded: the processor does not run */

   BmFrame raw_slice[BM_SLICE_FRAMES];
   BmFrame wet_slice[BM_SLICE_FRAMES];
   BmFrame gained_slice[BM_SLICE_FRAMES];
} Shell;

static float control_or(const Shell* self, int index, float otherwise)
{
   return index < 0 ? otherwise : self->controls[index];
}

static bool is_on(const Shell* self, int index, bool otherwise)
{
   return control_or(self, index, otherwise ? 1.0F : 0.0F) > 0.5F;
}

float bm_port_clamp(const BmPort* port, float value)
{
   if (isnan(value)) {
      return port->initial;
   }
   value = fminf(fmaxf(value, port->minimum), port->maximum);
   if (port->kind == BM_PORT_TOGGLED) {
      return value > 0.5F ? 1.0F : 0.0F;
   }
   if (port->n_points) {
      float nearest = port->points[0];
      for (uint32_t i = 1; i < port->n_points; ++i) {
         if (fabsf(port->points[i] - value) < fabsf(nearest - value)) {
            nearest = port->points[i];
         }
      }
      return nearest;
   }
   return port->kind == BM_PORT_INTEGER ? roundf(value) : value;
}

static void level_meter_init(LevelMeter* self, double sample_rate_hz)
{
   self->coefficient = -expm1(-1.0 / (LEVEL_TIME_S * sample_rate_hz));
   self->power = 0.0;
}

static void level_meter_process(LevelMeter* self, const BmFrame* frames, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      const BmFrame square = frames[i] * frames[i];
      const double power = fmin(0.5 * (square[0] + square[1]), INPUT_LIMIT * INPUT_LIMIT);
      self->power += self->coefficient * (power - self->power);
   }
}

static void shell_free(Shell* self)
{
   if (self) {
      free(self->processor);
      free(self->dry_memory);
      free(self->control_in);
      free(self->control_out);
      free(self->controls);
      free(self);
   }
}

/* Zeroed memory whose start suits any vector. */
static void* allocate(size_t bytes)
{
   const size_t alignment = 64;
   const size_t rounded = (bytes + alignment - 1) / alignment * alignment;
   void* memory = aligned_alloc(alignment, rounded ? rounded : alignment);
   if (memory) {
      memset(memory, 0, rounded ? rounded : alignment);
   }
   return memory;
}

static void read_controls(Shell* self)
{
   const BmPorts* ports = bm_plugin.ports;
   for (uint32_t i = 0; i < ports->n_controls; ++i) {
      const BmPort* port = &ports->controls[i];
      if (!port->is_output) {
         const float value = bm_port_clamp(port, self->control_in[i] ? *self->control_in[i] : port->initial);
         if (value != self->controls[i]) {
            self->controls[i] = value;
            self->controls_are_new = true;
         }
      }
   }
   if (is_on(self, ports->rendering, false) && ports->quality >= 0) {
      const float render = ports->controls[ports->quality].maximum;
      self->controls_are_new = self->controls_are_new || self->controls[ports->quality] != render;
      self->controls[ports->quality] = render;
   }
   if (!self->controls_are_new) {
      return;
   }
   self->controls_are_new = false;
   bm_fade_set(&self->enabled, is_on(self, ports->enabled, true));
   bm_glide_set(&self->input_gain, bm_gain_from_db((double)control_or(self, ports->input_gain, 0.0F)));
   bm_glide_set(&self->output_gain, bm_gain_from_db((double)control_or(self, ports->output_gain, 0.0F)));
   bm_glide_set(&self->mix, (double)control_or(self, ports->mix, 100.0F) / 100.0);
   bm_loudness_match_set(&self->match, is_on(self, ports->match, false));
   bm_plugin.set(self->processor, self->controls);
}

static void write_controls(Shell* self)
{
   const BmPorts* ports = bm_plugin.ports;
   self->controls[ports->input_level] = (float)bm_db_from_power(self->input_level.power);
   self->controls[ports->output_level] = (float)bm_db_from_power(self->output_level.power);
   self->controls[ports->latency] = (float)self->latency_frames;
   if (bm_plugin.report) {
      bm_plugin.report(self->processor, self->controls);
   }
   for (uint32_t i = 0; i < ports->n_controls; ++i) {
      if (ports->controls[i].is_output && self->control_out[i]) {
         *self->control_out[i] = bm_port_clamp(&ports->controls[i], self->controls[i]);
      }
   }
}

/* Silence what is not a number; a mono input stands in both lanes. */
static void load(const Shell* self, uint32_t start, uint32_t n_frames, BmFrame* raw)
{
   const float* left = self->audio_in[0] + start;
   const float* right = self->audio_in[self->form->n_inputs - 1] + start;
   for (uint32_t i = 0; i < n_frames; ++i) {
      const BmFrame frame = bm_frame((double)left[i], (double)right[i]);
      raw[i] = bm_frame_select(bm_frame_abs(frame) <= (double)FLT_MAX, frame, bm_frame_both(0.0));
   }
}

static void store(const Shell* self, uint32_t start, uint32_t n_frames, const BmFrame* frames)
{
   const BmFrame limit = bm_frame_both((double)FLT_MAX);
   for (uint32_t lane = 0; lane < self->form->n_outputs; ++lane) {
      float* out = self->audio_out[lane] + start;
      for (uint32_t i = 0; i < n_frames; ++i) {
         out[i] = (float)bm_frame_max(-limit, bm_frame_min(frames[i], limit))[lane];
      }
   }
}

static void reset_processing(Shell* self)
{
   bm_glide_reset(&self->input_gain);
   bm_glide_reset(&self->output_gain);
   bm_glide_reset(&self->mix);
   bm_loudness_match_reset(&self->match);
   bm_plugin.reset(self->processor);
   self->controls_are_new = true;
}

static void process_wet(Shell* self, const BmFrame* raw, const BmFrame* dry, uint32_t n_frames)
{
   const BmFrame limit = bm_frame_both(INPUT_LIMIT);
   double input_gain[BM_SLICE_FRAMES];
   for (uint32_t i = 0; i < n_frames; ++i) {
      input_gain[i] = bm_glide_step(&self->input_gain);
      const BmFrame gained = raw[i] * input_gain[i];
      self->gained_slice[i] = bm_frame_max(-limit, bm_frame_min(gained, limit));
   }
   level_meter_process(&self->input_level, self->gained_slice, n_frames);
   bm_plugin.process(self->processor, self->gained_slice, self->wet_slice, n_frames);
   if (!bm_glide_is_still(&self->mix) || self->mix.value != 1.0) {
      for (uint32_t i = 0; i < n_frames; ++i) {
         const double mix = bm_glide_step(&self->mix);
         self->wet_slice[i] = self->wet_slice[i] * mix + dry[i] * (input_gain[i] * (1.0 - mix));
      }
   }
   bm_loudness_match_process(&self->match, dry, self->wet_slice, n_frames);
   if (!bm_glide_is_still(&self->output_gain) || self->output_gain.value != 1.0) {
      for (uint32_t i = 0; i < n_frames; ++i) {
         self->wet_slice[i] *= bm_glide_step(&self->output_gain);
      }
   }
}

static void run_slice(Shell* self, uint32_t start, uint32_t n_frames)
{
   BmFrame* raw = self->raw_slice;
   load(self, start, n_frames, raw);
   if (bm_fade_is_off(&self->enabled)) {
      bm_delay_process(&self->dry, raw, raw, n_frames);
      store(self, start, n_frames, raw);
      level_meter_process(&self->input_level, raw, n_frames);
      self->output_level = self->input_level;
      self->asleep = true;
      return;
   }
   if (self->asleep) {
      self->asleep = false;
      reset_processing(self);
      read_controls(self);
   }
   BmFrame dry[BM_SLICE_FRAMES];
   bm_delay_process(&self->dry, raw, dry, n_frames);
   process_wet(self, raw, dry, n_frames);
   if (!bm_fade_is_on(&self->enabled)) {
      for (uint32_t i = 0; i < n_frames; ++i) {
         const double share = bm_fade_step(&self->enabled);
         self->wet_slice[i] =
            share < 1.0 ? dry[i] + (self->wet_slice[i] - dry[i]) * share : self->wet_slice[i];
      }
   }
   level_meter_process(&self->output_level, self->wet_slice, n_frames);
   store(self, start, n_frames, self->wet_slice);
}

/* How far this slice may go: a fade's end is a border of its own, so that the processor starts and stops in
   the same frame for every block size. */
static uint32_t slice_frames(const Shell* self, uint32_t n_frames)
{
   uint32_t n = n_frames < BM_SLICE_FRAMES ? n_frames : BM_SLICE_FRAMES;
   if (!self->enabled.on && self->enabled.position_steps > 0 && n > self->enabled.position_steps) {
      n = self->enabled.position_steps;
   }
   return n;
}

static LV2_Handle instantiate(const LV2_Descriptor* descriptor, double sample_rate_hz,
                              const char* bundle_path, const LV2_Feature* const* features)
{
   (void)bundle_path;
   const BmPorts* ports = bm_plugin.ports;
   LV2_URID_Map* map = (LV2_URID_Map*)lv2_features_data(features, LV2_URID__map);
   LV2_Log_Logger logger;
   lv2_log_logger_init(&logger, map, (LV2_Log_Log*)lv2_features_data(features, LV2_LOG__log));

   if (bm_check_rate(sample_rate_hz) != BM_OK) {
      lv2_log_error(&logger, "%s: sample rate %g Hz; %g to %g Hz would be right\n", descriptor->URI,
                    sample_rate_hz, BM_RATE_MIN_HZ, BM_RATE_MAX_HZ);
      return NULL;
   }
   Shell* self = allocate(sizeof *self);
   if (!self) {
      lv2_log_error(&logger, "%s: no memory\n", descriptor->URI);
      return NULL;
   }
   self->map = map;
   self->logger = logger;
   self->sample_rate_hz = sample_rate_hz;
   for (uint32_t i = 0; i < ports->n_forms; ++i) {
      if (!strcmp(ports->forms[i].uri, descriptor->URI)) {
         self->form = &ports->forms[i];
      }
   }
   self->processor = allocate(bm_plugin.bytes(sample_rate_hz));
   self->control_in = calloc(ports->n_controls, sizeof *self->control_in);
   self->control_out = calloc(ports->n_controls, sizeof *self->control_out);
   self->controls = calloc(ports->n_controls, sizeof *self->controls);
   if (!self->processor || !self->control_in || !self->control_out || !self->controls ||
       bm_plugin.init(self->processor, sample_rate_hz, self->form) != BM_OK) {
      lv2_log_error(&logger, "%s: could not be set up at %g Hz\n", descriptor->URI, sample_rate_hz);
      shell_free(self);
      return NULL;
   }
   for (uint32_t i = 0; i < ports->n_controls; ++i) {
      self->controls[i] = ports->controls[i].initial;
   }
   self->controls_are_new = true;
   self->latency_frames = bm_plugin.latency_frames ? bm_plugin.latency_frames(self->processor) : 0;
   self->dry_memory = allocate(self->latency_frames * sizeof *self->dry_memory);
   if (!self->dry_memory) {
      lv2_log_error(&logger, "%s: no memory\n", descriptor->URI);
      shell_free(self);
      return NULL;
   }
   bm_delay_init(&self->dry, self->dry_memory, self->latency_frames, self->latency_frames);
   bm_fade_init(&self->enabled, BM_FADE_MS, sample_rate_hz);
   bm_glide_init(&self->input_gain, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->output_gain, BM_GLIDE_MS, sample_rate_hz);
   bm_glide_init(&self->mix, BM_GLIDE_MS, sample_rate_hz);
   bm_loudness_match_init(&self->match, sample_rate_hz);
   level_meter_init(&self->input_level, sample_rate_hz);
   level_meter_init(&self->output_level, sample_rate_hz);
   return self;
}

static void connect_port(LV2_Handle instance, uint32_t index, void* data)
{
   Shell* self = (Shell*)instance;
   const BmPorts* ports = bm_plugin.ports;
   if (index < ports->n_controls) {
      if (ports->controls[index].is_output) {
         self->control_out[index] = (float*)data;
      } else {
         self->control_in[index] = (const float*)data;
      }
      return;
   }
   index -= ports->n_controls;
   if (index < self->form->n_inputs) {
      self->audio_in[index] = (const float*)data;
   } else if (index - self->form->n_inputs < self->form->n_outputs) {
      self->audio_out[index - self->form->n_inputs] = (float*)data;
   }
}

static void activate(LV2_Handle instance)
{
   Shell* self = (Shell*)instance;
   reset_processing(self);
   bm_delay_reset(&self->dry);
   bm_fade_reset(&self->enabled);
   self->input_level.power = 0.0;
   self->output_level.power = 0.0;
   self->asleep = false;
}

static void run(LV2_Handle instance, uint32_t n_frames)
{
   Shell* self = (Shell*)instance;
   const BmDenormalMode mode = bm_denormals_off();
   read_controls(self);
   for (uint32_t start = 0; start < n_frames;) {
      const uint32_t n = slice_frames(self, n_frames - start);
      run_slice(self, start, n);
      start += n;
   }
   write_controls(self);
   bm_denormals_restore(mode);
}

static void cleanup(LV2_Handle instance)
{
   shell_free((Shell*)instance);
}

static LV2_State_Status save(LV2_Handle instance, LV2_State_Store_Function store_value,
                             LV2_State_Handle handle, uint32_t flags, const LV2_Feature* const* features)
{
   (void)flags;
   (void)features;
   const Shell* self = (const Shell*)instance;
   if (!self->map) {
      return LV2_STATE_ERR_NO_FEATURE;
   }
   for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
      const double value = bm_plugin.memories[i].get(self->processor);
      const LV2_State_Status status = store_value(
         handle, self->map->map(self->map->handle, bm_plugin.memories[i].uri), &value, sizeof value,
         self->map->map(self->map->handle, LV2_ATOM__Double), LV2_STATE_IS_POD | LV2_STATE_IS_PORTABLE);
      if (status != LV2_STATE_SUCCESS) {
         return status;
      }
   }
   return LV2_STATE_SUCCESS;
}

/* All or nothing: every value is checked before the first is taken. A value that is missing is left as it is.
 */
static LV2_State_Status restore(LV2_Handle instance, LV2_State_Retrieve_Function retrieve,
                                LV2_State_Handle handle, uint32_t flags, const LV2_Feature* const* features)
{
   (void)flags;
   (void)features;
   Shell* self = (Shell*)instance;
   if (!self->map) {
      return LV2_STATE_ERR_NO_FEATURE;
   }
   for (int apply = 0; apply <= 1; ++apply) {
      for (uint32_t i = 0; i < bm_plugin.n_memories; ++i) {
         const BmMemory* memory = &bm_plugin.memories[i];
         size_t size = 0;
         uint32_t type = 0;
         uint32_t value_flags = 0;
         const void* data =
            retrieve(handle, self->map->map(self->map->handle, memory->uri), &size, &type, &value_flags);
         if (!data) {
            continue;
         }
         double value = (double)NAN;
         if (type == self->map->map(self->map->handle, LV2_ATOM__Double) && size == sizeof value) {
            memcpy(&value, data, sizeof value);
         } else if (type == self->map->map(self->map->handle, LV2_ATOM__Float) && size == sizeof(float)) {
            float single;
            memcpy(&single, data, sizeof single);
            value = (double)single;
         }
         if (!(value >= memory->minimum && value <= memory->maximum)) {
            lv2_log_error(&self->logger,
                          "%s: stored %s is not a number from %g to %g; the state is refused\n",
                          self->form->uri, memory->uri, memory->minimum, memory->maximum);
            return LV2_STATE_ERR_BAD_TYPE;
         }
         if (apply) {
            memory->set(self->processor, value);
         }
      }
   }
   return LV2_STATE_SUCCESS;
}

static const void* extension_data(const char* uri)
{
   static const LV2_State_Interface state = {save, restore};
   if (bm_plugin.n_memories && !strcmp(uri, LV2_STATE__interface)) {
      return &state;
   }
   return bm_plugin.extension_data ? bm_plugin.extension_data(uri) : NULL;
}

enum { MAX_FORMS = 4 };
static LV2_Descriptor descriptors[MAX_FORMS];

/* The URIs are the plugin's, known only when it is linked; filled once, before a host can call from two
 * threads. */
__attribute__((constructor)) static void fill_descriptors(void)
{
   for (uint32_t i = 0; i < bm_plugin.ports->n_forms && i < MAX_FORMS; ++i) {
      descriptors[i] = (LV2_Descriptor){bm_plugin.ports->forms[i].uri,
                                        instantiate,
                                        connect_port,
                                        activate,
                                        run,
                                        NULL,
                                        cleanup,
                                        extension_data};
   }
}

LV2_SYMBOL_EXPORT const LV2_Descriptor* lv2_descriptor(uint32_t index)
{
   return index < bm_plugin.ports->n_forms && index < MAX_FORMS ? &descriptors[index] : NULL;
}
