/* SPDX-License-Identifier: ISC */
/* What the tests share that hold for every plugin of the bundle. None is listed by hand: a plugin that is
   added is tested. Include after unit_test.h. */
#ifndef BM_EVERY_H
#define BM_EVERY_H

#include "cases.h"
#include "hosted.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define MAX_CHANNELS 4

enum { RATE_HZ = HOSTED_RATE_HZ, MAX_BLOCK = HOSTED_MAX_BLOCK };

#define N_FRAMES bm_test_count(24000, 12000) /* whole periods of the controls that jump */

typedef struct {
   float* channels[MAX_CHANNELS];
   uint32_t n_frames;
} Audio;

static inline Audio audio_new(uint32_t n_frames)
{
   Audio audio = {.n_frames = n_frames};
   for (int c = 0; c < MAX_CHANNELS; ++c) {
      audio.channels[c] = calloc(n_frames, sizeof(float));
      assert_non_null(audio.channels[c]);
   }
   return audio;
}

static inline void audio_free(Audio* audio)
{
   for (int c = 0; c < MAX_CHANNELS; ++c) {
      free(audio->channels[c]);
   }
}

/* Plucks with a little noise, different in each channel: something for every detector to hear. */
static inline Audio plucks(uint32_t n_frames)
{
   enum { PERIOD = RATE_HZ / 4 };
   static float pluck[MAX_CHANNELS][PERIOD];
   if (pluck[0][1] == 0.0F) {
      for (int c = 0; c < MAX_CHANNELS; ++c) {
         for (int i = 0; i < PERIOD; ++i) {
            const double t = (double)i / RATE_HZ;
            double x = 0.0;
            for (int h = 1; h <= 6; ++h) {
               x += sin(2.0 * 3.14159265358979 * 110.0 * (1.0 + 0.003 * c) * h * t) / h * exp(-t * (3.0 + h));
            }
            pluck[c][i] = (float)(0.25 * x);
         }
      }
   }
   Audio audio = audio_new(n_frames);
   uint64_t seed = 20261125;
   for (uint32_t i = 0; i < n_frames; ++i) {
      for (int c = 0; c < MAX_CHANNELS; ++c) {
         audio.channels[c][i] = pluck[c][i % PERIOD] + (float)(0.002 * bm_test_random(&seed));
      }
   }
   return audio;
}

static inline const float* const* inputs(const Audio* audio, uint32_t start, const float** pointers)
{
   for (int c = 0; c < MAX_CHANNELS; ++c) {
      pointers[c] = audio->channels[c] + start;
   }
   return pointers;
}

static inline float* const* outputs(const Audio* audio, uint32_t start, float** pointers)
{
   for (int c = 0; c < MAX_CHANNELS; ++c) {
      pointers[c] = audio->channels[c] + start;
   }
   return pointers;
}

static inline void run(BmInstance* instance, const Audio* in, const Audio* out, uint32_t start,
                       uint32_t n_frames)
{
   const float* in_pointers[MAX_CHANNELS];
   float* out_pointers[MAX_CHANNELS];
   bm_instance_run(instance, inputs(in, start, in_pointers), outputs(out, start, out_pointers), n_frames);
}

static inline const BmPort* control_input(const BmPlugin* plugin, uint32_t index)
{
   const BmPort* port = &plugin->ports[index];
   return port->kind == BM_PORT_CONTROL && port->is_input ? port : NULL;
}

/* A value a host's panel could send; each end of the range once in twelve times. */
static inline float random_value(const BmPort* port, uint64_t* seed)
{
   const double share = fmax(0.0, fmin(1.0, 0.5 + 0.6 * bm_test_random(seed)));
   if (port->n_points) {
      const uint32_t index = (uint32_t)(share * port->n_points);
      return port->points[index < port->n_points ? index : port->n_points - 1].value;
   }
   if (port->is_toggled) {
      return share > 0.5 ? 1.0F : 0.0F;
   }
   if (port->is_logarithmic) {
      return fminf(port->max, port->min * powf(port->max / port->min, (float)share));
   }
   return port->min + (float)share * (port->max - port->min);
}

static inline void set_all(BmInstance* instance, uint64_t* seed)
{
   const BmPlugin* plugin = bm_instance_plugin(instance);
   for (uint32_t i = 0; i < plugin->n_ports; ++i) {
      const BmPort* port = control_input(plugin, i);
      if (port && !port->is_enabled) {
         bm_instance_set(instance, i, random_value(port, seed));
      }
   }
}

/* The next control input, round and round; not the bypass. */
static inline uint32_t next_control(const BmPlugin* plugin, uint32_t index)
{
   do {
      index = (index + 1) % plugin->n_ports;
   } while (!control_input(plugin, index) || plugin->ports[index].is_enabled);
   return index;
}

/* An instance of each plugin: as long as they live, what a plugin reads once for all of its own need not be
   read again. */
typedef struct {
   BmInstance** instances;
   uint32_t n;
} Keepers;

static inline Keepers keepers_new(double rate_hz)
{
   Keepers kept = {calloc(bm_host_n_plugins(hosted_host), sizeof(BmInstance*)), 0};
   for (uint32_t i = 0; i < bm_host_n_plugins(hosted_host); ++i) {
      const BmPlugin* plugin = bm_host_plugin(hosted_host, i);
      BmError error = {0};
      if (!strncmp(plugin->uri, "urn:bookmatch:", 14)) {
         kept.instances[kept.n++] = bm_instance_new(hosted_host, plugin, rate_hz, MAX_BLOCK, &error);
      }
   }
   return kept;
}

static inline void keepers_free(Keepers* kept)
{
   for (uint32_t i = 0; i < kept->n; ++i) {
      bm_instance_free(kept->instances[i]);
   }
   free(kept->instances);
}

/* Run to the end of `in` from `start`, a block at a time. */
static inline void run_on(BmInstance* instance, const Audio* in, const Audio* out, uint32_t start,
                          uint32_t block_frames)
{
   while (start < in->n_frames) {
      const uint32_t n = in->n_frames - start < block_frames ? in->n_frames - start : block_frames;
      run(instance, in, out, start, n);
      start += n;
   }
}

static inline void assert_same(const BmPlugin* plugin, const Audio* a, const Audio* b, uint32_t from,
                               const char* what)
{
   for (uint32_t c = 0; c < plugin->n_audio_out; ++c) {
      for (uint32_t i = from; i < a->n_frames; ++i) {
         if (memcmp(&a->channels[c][i], &b->channels[c][i], sizeof(float)) != 0) {
            fail_msg("%s: %s: channel %u, frame %u: %.9g, not %.9g", plugin->uri, what, c, i,
                     (double)a->channels[c][i], (double)b->channels[c][i]);
         }
      }
   }
}

#endif
