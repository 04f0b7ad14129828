/* SPDX-License-Identifier: ISC */
/*
   Any host's life with any plugin: controls, audio, block sizes, restarts, presets and states as the bytes
   have them. What comes out must be finite, meters must stay in their range.
*/
#include "fuzz.h"

#include <math.h>

enum { RATE_HZ = 48000, MAX_FRAMES = 1024, MAX_CHANNELS = 4, MAX_TOTAL_FRAMES = 20000 };

typedef enum {
   SET,
   SET_RAW,
   RUN_NOISE,
   RUN_RAW,
   RUN_TONE,
   RUN_SILENCE,
   RESTART,
   PRESET,
   STATE,
   N_STEPS
} Step;

static float audio_in[MAX_CHANNELS][MAX_FRAMES];
static float audio_out[MAX_CHANNELS][MAX_FRAMES];

int LLVMFuzzerInitialize(int* argc, char*** argv)
{
   (void)argc;
   (void)argv;
   fuzz_open_host(RATE_HZ, MAX_FRAMES);
   return 0;
}

static const BmPort* some_control(Bytes* bytes, const BmPlugin* plugin)
{
   const BmPort* port = &plugin->ports[next_below(bytes, plugin->n_ports)];
   return port->kind == BM_PORT_CONTROL && port->is_input ? port : NULL;
}

static void fill(Bytes* bytes, Step step, uint32_t n_frames)
{
   const double level = pow(10.0, (next_byte(bytes) - 200.0) / 20.0);
   uint32_t noise = next_byte(bytes);
   float raw[16] = {0};
   if (step == RUN_RAW) {
      next_raw(bytes, raw, sizeof raw);
   }
   for (uint32_t i = 0; i < n_frames; ++i) {
      for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
         noise = noise * 1664525U + 1013904223U;
         audio_in[c][i] = step == RUN_RAW     ? raw[(i + c) % 16]
                          : step == RUN_NOISE ? (float)(level * ((double)noise / 2147483648.0 - 1.0))
                          : step == RUN_TONE ? (float)(level * sin(0.001 * (1 + (noise >> 31)) * i * (1 + c)))
                                             : 0.0F;
      }
   }
}

static void run(BmInstance* instance, uint32_t n_frames)
{
   const BmPlugin* plugin = bm_instance_plugin(instance);
   const float* in[MAX_CHANNELS];
   float* out[MAX_CHANNELS];
   for (uint32_t c = 0; c < MAX_CHANNELS; ++c) {
      in[c] = audio_in[c];
      out[c] = audio_out[c];
   }
   bm_instance_run(instance, in, out, n_frames);
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      for (uint32_t i = 0; i < n_frames; ++i) {
         if (!isfinite((double)audio_out[c][i])) {
            fuzz_fail("%s: channel %u gives %g", plugin->uri, c, (double)audio_out[c][i]);
         }
      }
   }
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      const BmPort* port = &plugin->ports[i];
      const float value = bm_instance_get(instance, i);
      if (port->kind == BM_PORT_CONTROL && !port->is_input && !(value >= port->min && value <= port->max)) {
         fuzz_fail("%s: %s tells %g, outside %g to %g", plugin->uri, port->symbol, (double)value,
                   (double)port->min, (double)port->max);
      }
   }
}

static void take_step(Bytes* bytes, BmInstance* instance, uint32_t* n_total)
{
   const BmPlugin* plugin = bm_instance_plugin(instance);
   const Step step = next_byte(bytes) % N_STEPS;
   BmError error = {0};
   switch (step) {
   case SET:
   case SET_RAW: {
      const BmPort* port = some_control(bytes, plugin);
      float value = 0.0F;
      if (step == SET_RAW) {
         next_raw(bytes, &value, sizeof value);
      } else if (port) {
         value = port->min + (port->max - port->min) * (float)next_byte(bytes) / 255.0F;
      }
      if (port) {
         bm_instance_set(instance, port->index, value);
      }
      break;
   }
   case RESTART:
      bm_instance_restart(instance);
      break;
   case PRESET:
      if (plugin->n_presets) {
         bm_instance_load_preset(instance, plugin->presets[next_below(bytes, plugin->n_presets)].uri, &error);
      }
      break;
   case STATE: {
      char* settings = bm_instance_save(instance);
      if (!bm_instance_load_text(instance, settings, &error)) {
         fuzz_fail("%s: its own settings are refused: %s", plugin->uri, error.text);
      }
      free(settings);
      break;
   }
   default: {
      const uint32_t n_frames = next_below(bytes, MAX_FRAMES + 1);
      fill(bytes, step, n_frames);
      run(instance, n_frames);
      *n_total += n_frames;
      break;
   }
   }
}

int LLVMFuzzerTestOneInput(const uint8_t* data, size_t size)
{
   Bytes bytes = {data, size, 0};
   BmError error = {0};
   const BmPlugin* plugin = fuzz_plugins[next_byte(&bytes) % fuzz_n_plugins];
   BmInstance* instance = bm_instance_new(fuzz_host, plugin, RATE_HZ, MAX_FRAMES, &error);
   if (!instance) {
      fuzz_fail("%s: %s", plugin->uri, error.text);
   }
   for (uint32_t n_total = 0; bytes_are_left(&bytes) && n_total < MAX_TOTAL_FRAMES;) {
      take_step(&bytes, instance, &n_total);
   }
   bm_instance_free(instance);
   return 0;
}
