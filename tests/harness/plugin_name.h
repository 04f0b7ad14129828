/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_PLUGIN_NAME_H
#define BM_HARNESS_PLUGIN_NAME_H

#include "error.h"
#include "host.h"

/** What a plugin is called where its form and, among our own, the family say nothing: "Room Reverb" for
   "Bookmatch Room Reverb (stereo)"; the whole name of any other. Freed by the caller. */
char* bm_short_plugin_name(const char* name);

/**
   Find a plugin by what a user types: its URI; or, for our own, "fundamental-eq#stereo" or "fundamental-eq",
   which is the mono form where there is one.

   @return NULL with the error set.
*/
const BmPlugin* bm_find_named_plugin(BmHost* host, const char* name, BmError* error);

#endif
