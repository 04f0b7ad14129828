/* SPDX-License-Identifier: ISC */
/* What the headers that ttl/generate.py derives are made of. */
#ifndef BM_PLUGINS_PORTS_H
#define BM_PLUGINS_PORTS_H

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

typedef enum { BM_PORT_CONTINUOUS, BM_PORT_INTEGER, BM_PORT_TOGGLED } BmPortKind;

/** One control port as ttl/ describes it. */
typedef struct {
   const char* symbol;
   BmPortKind kind;
   bool is_output;
   bool is_trigger; /**< an event, not a setting */
   float minimum;
   float initial; /**< its default */
   float maximum;
   const float* points; /**< the only values it may take, rising, or NULL */
   uint32_t n_points;
} BmPort;

/** One form of a plugin: its URI, how many audio ports it has and how many of the controls, the first so
   many. Audio ports follow the controls, inputs first. */
typedef struct {
   const char* uri;
   uint32_t n_inputs;
   uint32_t n_outputs;
   uint32_t n_controls;
} BmForm;

/** All ports of a plugin, and the index of each that the shell itself serves (-1: the plugin has none). */
typedef struct {
   const char* uri;
   const BmPort* controls;
   uint32_t n_controls;
   const BmForm* forms;
   uint32_t n_forms;
   int enabled;
   int input_gain;
   int output_gain;
   int input_level;
   int output_level;
   int latency;
   int match;
   int mix;
   int quality;
   int rendering;
   int compare;
   int remember_a;
   int remember_b;
   int characters; /**< which part is heard: its choices are compared too */
} BmPorts;

/** The value a port takes for what a host wrote: inside its range, on a scale point; NaN gives the default.
 */
float bm_port_clamp(const BmPort* port, float value);

#endif
