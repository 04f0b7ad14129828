/* SPDX-License-Identifier: ISC */
/* A plugin under test, run as a host runs it, and what it did to a stereo take. Include after unit_test.h. */
#ifndef BM_HOSTED_H
#define BM_HOSTED_H

#include "host.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#define HOSTED_RATE_HZ 48000
#define HOSTED_MAX_BLOCK 8192
#define HOSTED_MS (HOSTED_RATE_HZ / 1000)

static BmHost* hosted_host;

/** Find what is installed, for main(). False: it has been said why. */
static inline bool hosted_open(void)
{
   BmError error = {0};
   hosted_host = bm_host_new(&error);
   if (!hosted_host) {
      fprintf(stderr, "%s\n", error.text);
   }
   return hosted_host;
}

/** The same, and make a folder after its template. */
static inline bool hosted_open_with(char* folder)
{
   if (!hosted_open()) {
      return false;
   }
   if (!mkdtemp(folder)) {
      perror(folder);
      bm_host_free(hosted_host);
      return false;
   }
   return true;
}

typedef struct {
   float* channel[2];
   uint32_t n_frames;
} HostedTake;

static inline HostedTake hosted_take_new(uint32_t n_frames)
{
   HostedTake take = {.n_frames = n_frames};
   for (int c = 0; c < 2; ++c) {
      take.channel[c] = calloc(n_frames, sizeof(float));
      assert_non_null(take.channel[c]);
   }
   return take;
}

static inline void hosted_take_free(HostedTake* take)
{
   free(take->channel[0]);
   free(take->channel[1]);
}

static inline HostedTake hosted_take_scaled(const HostedTake* take, double gain)
{
   HostedTake scaled = hosted_take_new(take->n_frames);
   for (int c = 0; c < 2; ++c) {
      for (uint32_t i = 0; i < take->n_frames; ++i) {
         scaled.channel[c][i] = (float)(gain * (double)take->channel[c][i]);
      }
   }
   return scaled;
}

/** Check each plugin of the bundle; there must be one. */
static inline void hosted_for_every_plugin(void (*check)(const BmPlugin* plugin))
{
   static const char own[] = "urn:bookmatch:";
   uint32_t n_checked = 0;
   for (uint32_t i = 0; i < bm_host_n_plugins(hosted_host); ++i) {
      const BmPlugin* plugin = bm_host_plugin(hosted_host, i);
      if (!strncmp(plugin->uri, own, strlen(own))) {
         check(plugin);
         ++n_checked;
      }
   }
   assert_true(n_checked > 0);
}

static inline BmInstance* hosted_instance(const BmPlugin* plugin, double rate_hz)
{
   BmError error = {0};
   BmInstance* instance = bm_instance_new(hosted_host, plugin, rate_hz, HOSTED_MAX_BLOCK, &error);
   if (!instance) {
      fail_msg("%s: %s", plugin->uri, error.text);
   }
   return instance;
}

static inline BmInstance* hosted_new(const char* uri, double rate_hz)
{
   BmError error = {0};
   const BmPlugin* plugin = bm_host_find(hosted_host, uri, &error);
   if (!plugin) {
      fail_msg("%s", error.text);
   }
   return hosted_instance(plugin, rate_hz);
}

static inline uint32_t hosted_port(const BmInstance* instance, const char* symbol)
{
   BmError error = {0};
   const BmPort* found = bm_plugin_port(bm_instance_plugin(instance), symbol, &error);
   if (!found) {
      fail_msg("%s", error.text);
   }
   return found->index;
}

static inline void hosted_set(BmInstance* instance, const char* symbol, double value)
{
   bm_instance_set(instance, hosted_port(instance, symbol), (float)value);
}

static inline double hosted_get(const BmInstance* instance, const char* symbol)
{
   return (double)bm_instance_get(instance, hosted_port(instance, symbol));
}

/** Apply "symbol value symbol value ...", a text as in a table of settings. */
static inline void hosted_set_all(BmInstance* instance, const char* settings)
{
   char symbol[64];
   double value;
   int used;
   while (sscanf(settings, " %63s %lf%n", symbol, &value, &used) == 2) {
      hosted_set(instance, symbol, value);
      settings += used;
   }
}

/**
   Run a stereo take, a millisecond at a time, and take the latency out.

   @param meter     symbol of an output port to read after every millisecond, or NULL.
   @param trace_db  [n_frames / HOSTED_MS] its values, aligned with the output; or NULL.
*/
static inline HostedTake hosted_run(BmInstance* instance, const HostedTake* in, const char* meter,
                                    double* trace_db)
{
   HostedTake out = hosted_take_new(in->n_frames);
   const uint32_t meter_port = meter ? hosted_port(instance, meter) : 0;
   float silence[2][HOSTED_MS] = {{0}};
   float scratch[2][HOSTED_MS];
   uint32_t latency = 0;
   for (uint32_t at = 0; at < in->n_frames + latency; at += HOSTED_MS) {
      const bool inside = at + HOSTED_MS <= in->n_frames;
      const float* from[2] = {inside ? in->channel[0] + at : silence[0],
                              inside ? in->channel[1] + at : silence[1]};
      float* to[2] = {scratch[0], scratch[1]};
      bm_instance_run(instance, from, to, HOSTED_MS);
      latency = (uint32_t)hosted_get(instance, "latency");
      if (meter && trace_db && at / HOSTED_MS < in->n_frames / HOSTED_MS) {
         trace_db[at / HOSTED_MS] = (double)bm_instance_get(instance, meter_port);
      }
      for (int c = 0; c < 2; ++c) {
         for (uint32_t i = 0; i < HOSTED_MS; ++i) {
            if (at + i >= latency && at + i - latency < out.n_frames) {
               out.channel[c][at + i - latency] = scratch[c][i];
            }
         }
      }
   }
   return out;
}

#endif
