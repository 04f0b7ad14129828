/* SPDX-License-Identifier: ISC */
/*
   The LV2 side that all plugins share.

   A plugin is one file that defines `bm_plugin`: how its ports become parameters, and which verbs of
   common-dsp do the work. The shell does the rest, in this order for every frame:

      in -> [no NaN] -> input gain -> process -> mix with the delayed input -> loudness match
         -> output gain -> cross-fade with the delayed input (enabled) -> out

   and serves levels, latency, denormal mode, state, logging, the slicing of time, and the comparison of
   remembered settings: what is compared gets ready unheard in a second processor, and cross-fades with what
   sounds, each with the gain that its own match has found.
*/
#ifndef BM_PLUGINS_SHELL_H
#define BM_PLUGINS_SHELL_H

#include "base/frame.h"
#include "base/status.h"
#include "ports.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/** Frames that `process` is given at most. */
#define BM_SLICE_FRAMES 256

/** A number a plugin learns by itself and a session should bring back (LV2 state). */
typedef struct {
   const char* uri;
   double minimum; /**< a stored value outside minimum to maximum is refused */
   double maximum;
   double (*get)(const void* self);
   void (*set)(void* self, double value);
} BmMemory;

/** Room for a line that says why a file cannot be read. */
#define BM_COMPLAINT_BYTES 512

/**
   A file that a plugin reads, whose path a session keeps (LV2 state, atom:Path). Read when the plugin is made
   and when a session is restored, never in run: a host does neither while it runs the plugin.
*/
typedef struct {
   const char* uri;
   /** Take up the file at `path`, NULL for the plugin's own. False with a line in `complaint`
       [BM_COMPLAINT_BYTES], and a stand-in in its place. */
   bool (*load)(void* self, const char* path, char* complaint);
   /** The path last asked for, "" for the plugin's own. */
   const char* (*path)(const void* self);
} BmFile;

/** What a plugin file says. Verbs as in common-dsp; `self` is the plugin's own struct, zeroed before init. A
   plugin that compares has two, and no file. */
typedef struct {
   const BmPorts* ports;
   /** Size of `self` at a rate. */
   size_t (*bytes)(double sample_rate_hz);
   BmStatus (*init)(void* self, double sample_rate_hz, const BmForm* form);
   /** Controls by the generated index, inside their ranges; called when one has changed. */
   void (*set)(void* self, const float* controls);
   /** Up to BM_SLICE_FRAMES; `in` and `out` are different buffers. */
   void (*process)(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames);
   void (*reset)(void* self);
   /** Constant after init. NULL: none. */
   uint32_t (*latency_frames)(const void* self);
   /** How much the processor raises a take that stands `level_lin` over nominal level, -18 dBFS, so far as
       that is known: the loudness match takes it out at once and listens for the rest. NULL: 1. */
   double (*nominal_gain_lin)(const float* controls, double level_lin);
   /** How long after a `set` until it begins to be heard: what it chose may have to get ready. NULL: at once.
    */
   uint32_t (*settling_frames)(const void* self);
   /** True while the processor only delays: once that has gone on for latency_frames, what comes out is what
       went in, to the bit, and nothing older is remembered. The shell then passes the input through by
      itself, and gives the processor the last latency_frames before it changes a setting. NULL: never. */
   bool (*is_through)(const void* self);
   /** Write the plugin's own output ports, by the generated index. NULL: none. */
   void (*report)(const void* self, float* controls);
   const BmMemory* memories;
   uint32_t n_memories;
   const BmFile* file; /* NULL: none */
   /** Give back what init or the file took. NULL: nothing. */
   void (*release)(void* self);
   /** Further LV2 interfaces by URI. NULL: none. */
   const void* (*extension_data)(const char* uri);
} BmPlugin;

extern const BmPlugin bm_plugin;

/**
   Define `bytes`, `init`, `process` and `reset` for a processor of fixed size that stands alone in a plugin:
   they forward to the verbs bm_<name>_...
*/
#define BM_FIXED_VERBS(Type, name)                                                                           \
   static size_t bytes(double sample_rate_hz)                                                                \
   {                                                                                                         \
      (void)sample_rate_hz;                                                                                  \
      return sizeof(Type);                                                                                   \
   }                                                                                                         \
   static BmStatus init(void* self, double sample_rate_hz, const BmForm* form)                               \
   {                                                                                                         \
      (void)form;                                                                                            \
      return bm_##name##_init(self, sample_rate_hz);                                                         \
   }                                                                                                         \
   static void process(void* self, const BmFrame* in, BmFrame* out, uint32_t n_frames)                       \
   {                                                                                                         \
      bm_##name##_process(self, in, out, n_frames);                                                          \
   }                                                                                                         \
   static void reset(void* self)                                                                             \
   {                                                                                                         \
      bm_##name##_reset(self);                                                                               \
   }

/**
   Define `set`, `latency_frames`, `nominal_gain_lin` or `report`, where they only forward: to bm_<name>_...
   with the parameters that bm_<plugin>_params() reads from the ports, or to bm_<plugin>_report().
*/
#define BM_SET_VERB(Type, name, plugin)                                                                      \
   static void set(void* self, const float* port)                                                            \
   {                                                                                                         \
      const Type##Params params = bm_##plugin##_params(port);                                                \
      bm_##name##_set(self, &params);                                                                        \
   }
#define BM_LATENCY_VERB(name)                                                                                \
   static uint32_t latency_frames(const void* self)                                                          \
   {                                                                                                         \
      return bm_##name##_latency_frames(self);                                                               \
   }
#define BM_NOMINAL_GAIN_VERB(Type, name)                                                                     \
   static double nominal_gain_lin(const float* port, double level_lin)                                       \
   {                                                                                                         \
      const Type##Params params = bm_##name##_params(port);                                                  \
      return bm_##name##_nominal_gain_lin(&params, level_lin);                                               \
   }
#define BM_REPORT_VERB(plugin)                                                                               \
   static void report(const void* self, float* port)                                                         \
   {                                                                                                         \
      bm_##plugin##_report(self, port);                                                                      \
   }

#endif
