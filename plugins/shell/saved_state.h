/* SPDX-License-Identifier: ISC */
#ifndef BM_PLUGINS_SAVED_STATE_H
#define BM_PLUGINS_SAVED_STATE_H

#include "ports.h"
#include "shell/comparison.h"
#include "snapshot.h"

#include <lv2/core/lv2.h>
#include <lv2/log/logger.h>
#include <lv2/state/state.h>
#include <lv2/urid/urid.h>

#include <stdbool.h>

/** What a session keeps of a plugin beside its controls (LV2 state): memories, remembered settings, a file's
    path. */
typedef struct {
   const BmForm* form;
   LV2_URID_Map* map; /* NULL: the host has none, and nothing is kept */
   LV2_Log_Logger* logger;
   double* unlearned;  /* [n_memories] of a plugin that was just made */
   BmSnapshot to_save; /* the memories, then of each remembered setting whether it is one and its controls */
} BmSavedState;

/** Whether this plugin has anything to keep. */
bool bm_saved_state_is_needed(void);

/** Set up for a plugin that was just made; reads its file. `logger` stays the caller's. False: no memory. */
bool bm_saved_state_init(BmSavedState* self, const BmForm* form, LV2_URID_Map* map, LV2_Log_Logger* logger,
                         BmComparison* plugin);
void bm_saved_state_free(BmSavedState* self);

/** Keep what is to be saved, since save() may be called while run() is. Real-time: yes. */
void bm_saved_state_update(BmSavedState* self, BmComparison* plugin);

/** LV2 state's save() and restore(), for the plugin that is `plugin`. A state is taken whole or not at all.
 */
LV2_State_Status bm_saved_state_save(BmSavedState* self, const BmComparison* plugin,
                                     LV2_State_Store_Function store_value, LV2_State_Handle handle,
                                     const LV2_Feature* const* features);
LV2_State_Status bm_saved_state_restore(BmSavedState* self, BmComparison* plugin,
                                        LV2_State_Retrieve_Function retrieve, LV2_State_Handle handle,
                                        const LV2_Feature* const* features);

#endif
