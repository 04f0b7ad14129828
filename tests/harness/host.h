/* SPDX-License-Identifier: ISC */
/*
   The bench as an LV2 host: everything above the LV2 line reaches a plugin through this file, by lilv, as any
   host would. Plugins are found where lilv looks (LV2_PATH, or the standard folders).
*/
#ifndef BM_HARNESS_HOST_H
#define BM_HARNESS_HOST_H

#include "error.h"

#include <stdbool.h>
#include <stdint.h>

typedef enum {
   BM_PORT_AUDIO,
   BM_PORT_CONTROL,
   BM_PORT_CV,
   BM_PORT_ATOM,
   BM_PORT_OTHER /**< a kind the bench does not know; connected to nothing, so it must be optional */
} BmPortKind;

typedef struct {
   float value;
   const char* label;
} BmScalePoint;

/** A port as its Turtle describes it. Strings live as long as the host; those that are not given are "". */
typedef struct {
   uint32_t index;
   const char* symbol;
   const char* name;
   const char* unit;  /**< symbol of the unit, "dB", "Hz"; "" where there is none */
   const char* help;  /**< rdfs:comment */
   const char* group; /**< name of the port group */
   BmPortKind kind;
   bool is_input;
   bool is_toggled;
   bool is_integer;
   bool is_enumeration;
   bool is_logarithmic;
   bool is_trigger;     /**< the value is an event and returns to the default by itself */
   bool is_optional;    /**< lv2:connectionOptional */
   bool is_sidechain;   /**< listens only: not part of the signal path */
   bool scales_by_rate; /**< lv2:sampleRate: min, max, def are fractions of the sample rate */
   bool has_min;
   bool has_max;
   bool is_latency;       /**< tells the plugin's latency in frames */
   bool is_enabled;       /**< designated lv2:enabled: 0 bypasses */
   bool is_free_wheeling; /**< designated lv2:freeWheeling: 1 tells that nobody waits for the sound */
   float min;
   float max;
   float def;
   const BmScalePoint* points; /**< [n_points], rising */
   uint32_t n_points;
} BmPort;

typedef struct {
   const char* uri;
   const char* label;
   const char* help; /**< rdfs:comment */
} BmPreset;

/** A plugin as its Turtle describes it. Lives as long as the host. */
typedef struct {
   const char* uri;
   const char* name;
   const char* class_name; /**< "Equaliser", "Compressor"; "Plugin" if it says no more */
   const char* bundle;     /**< path of its folder */
   uint32_t minor_version; /**< lv2:minorVersion and lv2:microVersion; 0 where there is none */
   uint32_t micro_version;
   const char* help;    /**< rdfs:comment or doap:description */
   const BmPort* ports; /**< [n_ports], by index */
   uint32_t n_ports;
   const uint32_t* audio_in; /**< [n_audio_in] indices of the main inputs; side-chains are not counted */
   uint32_t n_audio_in;
   const uint32_t* audio_out; /**< [n_audio_out] */
   uint32_t n_audio_out;
   const BmPort* latency;   /**< NULL if it reports none */
   const BmPort* enabled;   /**< NULL if it has no bypass of its own */
   const BmPreset* presets; /**< [n_presets], by URI */
   uint32_t n_presets;
   const void* lilv; /**< the LilvPlugin, for tests that ask lilv more */
} BmPlugin;

typedef struct BmHost BmHost;
typedef struct BmInstance BmInstance;

/** Load every bundle that lilv finds. @return NULL with the error set, or a host that bm_host_free() ends. */
BmHost* bm_host_new(BmError* error);

/** End the host; every instance must have been freed before. NULL is allowed. */
void bm_host_free(BmHost* host);

/** How many plugins are installed. */
uint32_t bm_host_n_plugins(const BmHost* host);

/** Plugin number `n`, sorted by URI. Its ports are read on first use. */
const BmPlugin* bm_host_plugin(BmHost* host, uint32_t n);

#define BM_OWN_URI "urn:bookmatch:"

/** What a user whose plugin is not there may look at: the path, if it leads to none of ours; else the list.
 */
const char* bm_host_hint(const BmHost* host);

/**
   Find a plugin by its URI.

   @return NULL with the error set; the error suggests the nearest URI installed.
*/
const BmPlugin* bm_host_find(BmHost* host, const char* uri, BmError* error);

/** Find a port by its symbol. @return NULL with the error set; the error suggests the nearest symbol. */
const BmPort* bm_plugin_port(const BmPlugin* plugin, const char* symbol, BmError* error);

/** Check a value against a control port's range at `rate_hz`. Sets an error that states the range. */
bool bm_port_check(const BmPort* port, double value, double rate_hz, BmError* error);

/** Where a plugin's log lines go; one line each, no newline. The default writes warnings and errors to
 * stderr. */
typedef void (*BmLogSink)(void* user, const char* plugin_uri, const char* line);
void bm_host_set_log(BmHost* host, BmLogSink sink, void* user);

/**
   Instantiate and activate a plugin, every control at its default, its latency known.

   @param max_frames  the most frames the plugin is given in one run; bm_instance_run() slices longer calls.
   @return NULL with the error set (a required feature that the bench lacks, a rate the plugin refuses).
*/
BmInstance* bm_instance_new(BmHost* host, const BmPlugin* plugin, double rate_hz, uint32_t max_frames,
                            BmError* error);

/** Deactivate and free. NULL is allowed. */
void bm_instance_free(BmInstance* instance);

const BmPlugin* bm_instance_plugin(const BmInstance* instance);

/** Set a control input as it is from the next run on; the value is not checked, as a host's is not. */
void bm_instance_set(BmInstance* instance, uint32_t port, float value);

/** The value of a control port: as set for an input, as of the last run for an output. */
float bm_instance_get(const BmInstance* instance, uint32_t port);

/**
   Process `n_frames` (0 is allowed).

   @param in   [n_audio_in][n_frames]; an entry may be NULL: silence.
   @param out  [n_audio_out][n_frames]; may not overlap `in`.
*/
void bm_instance_run(BmInstance* instance, const float* const* in, float* const* out, uint32_t n_frames);

/** Connect an audio port, side-chains included, to a buffer of its own for every later run. NULL: silence
 * again. */
void bm_instance_connect(BmInstance* instance, uint32_t port, float* buffer);

/**
   The latency in frames with the controls as they are now.

   Asked of a second instance that runs on silence, so that this one's history stays untouched.
*/
uint32_t bm_instance_latency(BmInstance* instance, BmError* error);

/** Deactivate and activate: as a host does to clear a plugin's history. Controls are kept. */
void bm_instance_restart(BmInstance* instance);

/** Apply an installed preset (controls and state). False with the error set. */
bool bm_instance_load_preset(BmInstance* instance, const char* uri, BmError* error);

/** Apply settings in a preset file as an LV2 host saves it: the first pset:Preset in it. False with the error
 * set. */
bool bm_instance_load_file(BmInstance* instance, const char* path, BmError* error);

/** Apply settings written as Turtle, as bm_instance_save() writes them. False with the error set. */
bool bm_instance_load_text(BmInstance* instance, const char* turtle, BmError* error);

/** The controls and the state as a preset file, whole in itself, that any LV2 host can load. The caller frees
 * it. */
char* bm_instance_save(BmInstance* instance);

#endif
