/* SPDX-License-Identifier: ISC */
#include "shell.h"

#include "base/control_clock.h"
#include "base/decibel.h"
#include "base/fade.h"
#include "denormals.h"
#include "shell/buffers.h"
#include "shell/comparison.h"
#include "shell/host_controls.h"
#include "shell/input_line.h"
#include "shell/level_meter.h"
#include "shell/memory.h"
#include "shell/saved_state.h"

#include <lv2/core/lv2.h>
#include <lv2/core/lv2_util.h>
#include <lv2/log/log.h>
#include <lv2/log/logger.h>
#include <lv2/state/state.h>
#include <lv2/urid/urid.h>

#include <stdlib.h>
#include <string.h>

#define MAX_AUDIO_PORTS 4

typedef struct {
   const BmForm* form;
   LV2_Log_Logger logger;
   BmHostControls host;
   const float* audio_in[MAX_AUDIO_PORTS];
   float* audio_out[MAX_AUDIO_PORTS];
   BmInputLine line;
   BmComparison comparison;
   BmSavedState state;
   BmControlClock clock; /* of the meters; slices end with its periods */
   BmFade enabled;
   BmLevelMeter input_level;
   BmLevelMeter output_level;
   bool report_is_due;
   bool own_report_is_due; /* of the plugin's own outputs, which rest while it sleeps */
   uint32_t
      idle_frames; /* how long nothing but time has been between in and out, up to when resting begins */
   bool resting;   /* the processor would only pass on what it is given, so it does not run */
   bool asleep;    /* bypassed and faded: the processor does not run */
   bool is_set_up;

   BmFrame wet_slice[BM_SLICE_FRAMES];
   BmFrame gained_slice[BM_SLICE_FRAMES];
} Shell;

static void shell_free(Shell* self)
{
   if (self->is_set_up && bm_plugin.release) {
      bm_plugin.release(self->comparison.sounding.processor);
   }
   bm_saved_state_free(&self->state);
   bm_comparison_free(&self->comparison);
   bm_input_line_free(&self->line);
   bm_host_controls_free(&self->host);
   free(self);
}

static void report_levels(Shell* self)
{
   const BmPorts* ports = bm_plugin.ports;
   const double in_power = self->input_level.power;
   const double out_power = self->output_level.power;
   const double in_db = bm_db_from_power(in_power);
   const double out_db = out_power == in_power ? in_db : bm_db_from_power(out_power);
   bm_host_controls_report(&self->host, (uint32_t)ports->input_level, in_db);
   bm_host_controls_report(&self->host, (uint32_t)ports->output_level, out_db);
   bm_host_controls_report(&self->host, (uint32_t)ports->latency, self->line.latency_frames);
}

static void report(Shell* self)
{
   BmHostControls* host = &self->host;
   self->report_is_due = false;
   report_levels(self);
   if (bm_plugin.report && self->own_report_is_due) {
      bm_plugin.report(self->comparison.sounding.processor, host->values);
      for (uint32_t i = 0; i < host->n_reports; ++i) {
         const uint32_t index = host->report_index[i];
         bm_host_controls_report(host, index, (double)host->values[index]);
      }
   }
   self->own_report_is_due = false;
}

/* Pass the input on, delayed, and measure it. */
static void pass_on(Shell* self, uint32_t start, uint32_t n_frames)
{
   BmInputLine* line = &self->line;
   bm_input_line_make_room(line, n_frames);
   const float* const in[2] = {self->audio_in[0] + start,
                               self->audio_in[self->form->n_inputs > 1 ? 1 : 0] + start};
   float* const cleaned[2] = {bm_input_line_next(line, 0), bm_input_line_next(line, 1)};
   bm_level_meter_clean(&self->input_level, self->clock.position_frames, in, cleaned, n_frames);
   for (uint32_t lane = 0; lane < self->form->n_outputs; ++lane) {
      memcpy(self->audio_out[lane] + start, bm_input_line_delayed(line, lane), n_frames * sizeof(float));
   }
}

static void rest(Shell* self, uint32_t start, uint32_t n_frames)
{
   pass_on(self, start, n_frames);
   const float* const delayed[2] = {bm_input_line_delayed(&self->line, 0),
                                    bm_input_line_delayed(&self->line, 1)};
   float unheard[2][BM_SLICE_FRAMES];
   float* const out[2] = {unheard[0], unheard[1]};
   bm_level_meter_clean(&self->output_level, self->clock.position_frames, delayed, out, n_frames);
}

/* Let the processor have what it has missed, before anything is changed. */
static void end_rest(Shell* self)
{
   const uint32_t latency = self->line.latency_frames;
   for (uint32_t back = latency, n = 0; self->resting && back > 0; back -= n) {
      n = back < BM_SLICE_FRAMES ? back : BM_SLICE_FRAMES;
      bm_buffers_join_limited(bm_input_line_fresh(&self->line, 0) - back,
                              bm_input_line_fresh(&self->line, 1) - back, self->gained_slice, n);
      bm_plugin.process(self->comparison.sounding.processor, self->gained_slice, self->wet_slice, n);
   }
   self->resting = false;
   self->idle_frames = 0;
}

static void read_controls(Shell* self)
{
   BmComparison* comparison = &self->comparison;
   if (bm_host_controls_are_written(&self->host)) {
      comparison->is_due = bm_host_controls_take(&self->host) || comparison->is_due;
   }
   if (!comparison->is_due) {
      return;
   }
   end_rest(self);
   self->report_is_due = true;
   self->own_report_is_due = true;
   bm_fade_set(&self->enabled, bm_setting_or(self->host.values, bm_plugin.ports->enabled, 1.0F) > 0.5F);
   bm_comparison_set(comparison, self->asleep);
}

/* Looked at when a period of the meters begins, so that it is the same frame for every block size. */
static void decide_to_rest(Shell* self)
{
   if (!bm_fade_is_on(&self->enabled) || !bm_comparison_is_through(&self->comparison)) {
      self->idle_frames = 0;
   } else if (!self->resting) {
      self->idle_frames += BM_SLICE_FRAMES;
   }
   self->resting = self->idle_frames > self->line.latency_frames + BM_SLICE_FRAMES;
}

static void wake(Shell* self)
{
   self->output_level = self->input_level;
   bm_comparison_wake(&self->comparison);
   read_controls(self);
   self->asleep = false;
}

static void fade_to_dry(Shell* self, const BmFrame* dry, uint32_t n_frames)
{
   for (uint32_t i = 0; i < n_frames; ++i) {
      const double share = bm_fade_step(&self->enabled);
      self->wet_slice[i] = share < 1.0 ? dry[i] + (self->wet_slice[i] - dry[i]) * share : self->wet_slice[i];
   }
}

static void store(const Shell* self, uint32_t start, uint32_t n_frames)
{
   float unheard[BM_SLICE_FRAMES];
   const bool is_stereo = self->form->n_outputs > 1;
   bm_buffers_part(self->wet_slice, self->audio_out[0] + start,
                   is_stereo ? self->audio_out[1] + start : unheard, n_frames);
}

static void process(Shell* self, uint32_t start, uint32_t n_frames)
{
   BmFrame dry[BM_SLICE_FRAMES];
   const uint32_t position = self->clock.position_frames;
   bm_input_line_load(&self->line, self->audio_in, start, n_frames);
   if (self->asleep) {
      wake(self);
   }
   if (!bm_fade_is_on(&self->enabled) || bm_comparison_needs_dry(&self->comparison)) {
      bm_buffers_join(bm_input_line_delayed(&self->line, 0), bm_input_line_delayed(&self->line, 1), dry,
                      n_frames);
   }
   bm_comparison_process(&self->comparison, &self->line, dry, self->gained_slice, self->wet_slice, n_frames);
   bm_level_meter_process(&self->input_level, position, self->gained_slice, n_frames);
   if (!bm_fade_is_on(&self->enabled)) {
      fade_to_dry(self, dry, n_frames);
   }
   bm_level_meter_process(&self->output_level, position, self->wet_slice, n_frames);
   store(self, start, n_frames);
}

static void run_slice(Shell* self, uint32_t start, uint32_t n_frames)
{
   if (bm_control_clock_is_due(&self->clock)) {
      decide_to_rest(self);
   }
   if (self->resting) {
      rest(self, start, n_frames);
   } else {
      process(self, start, n_frames);
   }
}

static void end_period(Shell* self)
{
   bm_level_meter_conclude(&self->input_level);
   if (self->asleep) {
      self->output_level = self->input_level;
   } else {
      bm_level_meter_conclude(&self->output_level);
   }
   if (self->host.rows_are_new) {
      bm_host_controls_find_rows(&self->host);
   }
   self->report_is_due = true;
   self->own_report_is_due = self->own_report_is_due || !(self->asleep || self->resting);
}

static void advance(Shell* self, uint32_t n_frames)
{
   bm_input_line_advance(&self->line, n_frames);
   bm_control_clock_advance(&self->clock, n_frames);
   if (bm_control_clock_is_due(&self->clock)) {
      end_period(self);
   }
}

/* How far this slice may go: no further than the meters' period, and a fade's end is a border of its own, so
   that the processor starts and stops in the same frame for every block size. */
static uint32_t slice_frames(const Shell* self, uint32_t n_frames)
{
   const BmFade* enabled = &self->enabled;
   const uint32_t n = bm_control_clock_next(&self->clock, n_frames);
   const bool ends = !enabled->on && enabled->position_steps > 0 && n > enabled->position_steps;
   return bm_comparison_next(&self->comparison, ends ? enabled->position_steps : n);
}

/* Bypassed and faded: nothing runs and nothing waits, so that this costs what passing on does. */
static void run_bypassed(Shell* self, uint32_t start, uint32_t n_frames)
{
   self->asleep = true;
   bm_comparison_stop(&self->comparison);
   for (uint32_t n = 0; start < n_frames; start += n) {
      n = bm_control_clock_next(&self->clock, n_frames - start);
      pass_on(self, start, n);
      advance(self, n);
   }
}

static const BmForm* form_of(const char* uri)
{
   const BmPorts* ports = bm_plugin.ports;
   const BmForm* form = NULL;
   for (uint32_t i = 0; i < ports->n_forms; ++i) {
      form = strcmp(ports->forms[i].uri, uri) ? form : &ports->forms[i];
   }
   return form;
}

/* False: no memory, or the plugin refuses. */
static bool set_up(Shell* self, double sample_rate_hz, LV2_URID_Map* map)
{
   BmComparison* comparison = &self->comparison;
   bm_control_clock_init(&self->clock, BM_SLICE_FRAMES);
   bm_fade_init(&self->enabled, BM_FADE_MS, sample_rate_hz);
   bm_level_meter_init(&self->input_level, sample_rate_hz);
   bm_level_meter_init(&self->output_level, sample_rate_hz);
   self->is_set_up = bm_host_controls_init(&self->host, bm_plugin.ports, self->form) &&
                     bm_comparison_init(comparison, sample_rate_hz, self->form, self->host.values) &&
                     bm_input_line_init(&self->line, self->form->n_inputs, comparison->latency_frames) &&
                     bm_saved_state_init(&self->state, self->form, map, &self->logger, comparison);
   return self->is_set_up;
}

static LV2_Handle instantiate(const LV2_Descriptor* descriptor, double sample_rate_hz,
                              const char* bundle_path, const LV2_Feature* const* features)
{
   (void)bundle_path;
   LV2_URID_Map* map = (LV2_URID_Map*)lv2_features_data(features, LV2_URID__map);
   LV2_Log_Logger logger;
   lv2_log_logger_init(&logger, map, (LV2_Log_Log*)lv2_features_data(features, LV2_LOG__log));

   if (bm_check_rate(sample_rate_hz) != BM_OK) {
      lv2_log_error(&logger, "%s: sample rate %g Hz; %g to %g Hz would be right\n", descriptor->URI,
                    sample_rate_hz, BM_RATE_MIN_HZ, BM_RATE_MAX_HZ);
      return NULL;
   }
   Shell* self = bm_allocate(sizeof *self);
   if (!self) {
      lv2_log_error(&logger, "%s: no memory\n", descriptor->URI);
      return NULL;
   }
   self->logger = logger;
   self->form = form_of(descriptor->URI);
   if (!set_up(self, sample_rate_hz, map)) {
      lv2_log_error(&logger, "%s: could not be set up at %g Hz\n", descriptor->URI, sample_rate_hz);
      shell_free(self);
      return NULL;
   }
   return self;
}

static void connect_port(LV2_Handle instance, uint32_t index, void* data)
{
   Shell* self = (Shell*)instance;
   const BmForm* form = self->form;
   if (index < form->n_controls) {
      bm_host_controls_connect(&self->host, index, data);
   } else if (index - form->n_controls < form->n_inputs) {
      self->audio_in[index - form->n_controls] = (const float*)data;
   } else if (index - form->n_controls - form->n_inputs < form->n_outputs) {
      self->audio_out[index - form->n_controls - form->n_inputs] = (float*)data;
   }
}

static void activate(LV2_Handle instance)
{
   Shell* self = (Shell*)instance;
   bm_comparison_reset(&self->comparison);
   bm_input_line_reset(&self->line);
   bm_fade_reset(&self->enabled);
   bm_control_clock_reset(&self->clock);
   bm_level_meter_reset(&self->input_level);
   bm_level_meter_reset(&self->output_level);
   self->report_is_due = true;
   self->own_report_is_due = true;
   self->idle_frames = 0;
   self->resting = false;
   self->asleep = false;
}

static void run(LV2_Handle instance, uint32_t n_frames)
{
   Shell* self = (Shell*)instance;
   const BmDenormalMode mode = bm_denormals_off();
   read_controls(self);
   uint32_t start = 0;
   while (start < n_frames && !bm_fade_is_off(&self->enabled)) {
      const uint32_t n = slice_frames(self, n_frames - start);
      run_slice(self, start, n);
      advance(self, n);
      if (bm_comparison_advance(&self->comparison, n)) {
         read_controls(self);
      }
      start += n;
   }
   if (start < n_frames) {
      run_bypassed(self, start, n_frames);
   }
   if (self->report_is_due) {
      report(self);
   }
   bm_host_controls_write(&self->host);
   bm_saved_state_update(&self->state, &self->comparison);
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
   Shell* self = (Shell*)instance;
   return bm_saved_state_save(&self->state, &self->comparison, store_value, handle, features);
}

static LV2_State_Status restore(LV2_Handle instance, LV2_State_Retrieve_Function retrieve,
                                LV2_State_Handle handle, uint32_t flags, const LV2_Feature* const* features)
{
   (void)flags;
   Shell* self = (Shell*)instance;
   return bm_saved_state_restore(&self->state, &self->comparison, retrieve, handle, features);
}

static const void* extension_data(const char* uri)
{
   static const LV2_State_Interface state = {save, restore};
   if (bm_saved_state_is_needed() && !strcmp(uri, LV2_STATE__interface)) {
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
