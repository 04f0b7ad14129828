/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_PLUGIN_NAME_H
#define BM_HARNESS_PLUGIN_NAME_H

#include "error.h"
#include "host.h"

/**
   Find a plugin by what a user types: its URI; or, for our own, "fundamental-eq#stereo" or "fundamental-eq",
   which is the mono form where there is one.

   @return NULL with the error set.
*/
const BmPlugin* bm_find_named_plugin(BmHost* host, const char* name, BmError* error);

#endif
