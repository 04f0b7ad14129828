/* SPDX-License-Identifier: ISC */
/* A plugin as something to measure. Reached by lilv; only its run() is on the clock. */
#ifndef BM_BENCH_PLUGIN_SUBJECT_H
#define BM_BENCH_PLUGIN_SUBJECT_H

#include "host.h"
#include "passage.h"
#include "stopwatch.h"

#include <stdbool.h>
#include <stddef.h>

/**
   A plugin that has settled in a state. Buffers are connected once, as by a host that keeps its own.

   @return NULL with the error set: the plugin refuses the rate, or its workload names a port it has not.
*/
BmSubject* bm_plugin_subject_new(const BmPlugin* plugin, double rate_hz, BmState state, BmError* error);

/** What an instance takes: milliseconds of processor time to instantiate (median of a few) and heap bytes.
 * False with the error set. */
bool bm_plugin_footprint(const BmPlugin* plugin, BmStopwatch watch, double rate_hz, double* instantiate_ms,
                         size_t* bytes, BmError* error);

/** NAME in urn:bookmatch:NAME#form, [BM_PLUGIN_NAME_SIZE]. False: not a plugin of this bundle. */
#define BM_PLUGIN_NAME_SIZE 64
bool bm_plugin_name(const BmPlugin* plugin, char* name);

/** The form in urn:bookmatch:NAME#form: "mono", "stereo". */
const char* bm_plugin_form(const BmPlugin* plugin);

#endif
