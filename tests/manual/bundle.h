/* SPDX-License-Identifier: ISC */
/* Our plugins among those that are installed, their forms together. */
#ifndef BM_MANUAL_BUNDLE_H
#define BM_MANUAL_BUNDLE_H

#include "host.h"

#include <stdbool.h>
#include <stdint.h>

#define BM_MANUAL_MAX_FORMS 4

/** A plugin of the bundle with all its forms, as one page of the manual describes it. */
typedef struct {
   char name[64];                               /**< "room-reverb" */
   char title[64];                              /**< "Room Reverb" */
   const BmPlugin* forms[BM_MANUAL_MAX_FORMS];  /**< [n_forms], by URI */
   const char* form_names[BM_MANUAL_MAX_FORMS]; /**< "mono-to-stereo" */
   uint32_t n_forms;
} BmManualPlugin;

typedef struct {
   BmManualPlugin* plugins; /**< [n_plugins], by name */
   uint32_t n_plugins;
} BmManualBundle;

/** Find them. False with the error set if there is none. bm_manual_bundle_free() ends it. */
bool bm_manual_bundle_read(BmHost* host, BmManualBundle* bundle, BmError* error);

void bm_manual_bundle_free(BmManualBundle* bundle);

/** A port by its symbol, or NULL. */
const BmPort* bm_manual_port(const BmPlugin* plugin, const char* symbol);

#endif
