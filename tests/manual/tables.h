/* SPDX-License-Identifier: ISC */
/* What a page of the manual says that the bundle says already: the same text for the same bundle. */
#ifndef BM_MANUAL_TABLES_H
#define BM_MANUAL_TABLES_H

#include "bundle.h"
#include "text.h"

/** Add a plugin's controls by group, what it tells, its presets and its latency, as Markdown. */
bool bm_manual_add_controls(BmText* text, BmHost* host, const BmManualBundle* bundle,
                            const BmManualPlugin* plugin, BmError* error);

/** Add one line a plugin, with links from the folder that holds theirs. */
void bm_manual_add_index(BmText* text, const BmManualBundle* bundle);

#endif
