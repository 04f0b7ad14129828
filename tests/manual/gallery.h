/* SPDX-License-Identifier: ISC */
/* The pictures of the manual: which, with which settings, and what stands under each. */
#ifndef BM_MANUAL_GALLERY_H
#define BM_MANUAL_GALLERY_H

#include "bundle.h"
#include "text.h"

/**
   Measure a plugin as hosted and write its pictures as SVG files into `folder`; add what shows them, as
   Markdown.

   The bytes are the same for each run on a machine; another compiler or CPU may differ in last digits.
*/
bool bm_manual_draw_pictures(BmText* text, BmHost* host, const BmManualPlugin* plugin, const char* folder,
                             BmError* error);

/** The files that the page of a plugin shows, one a call from `*position` = 0 on: "bands.svg"; NULL: no more.
 */
const char* bm_manual_next_picture(const BmManualPlugin* plugin, uint32_t* position);

#endif
