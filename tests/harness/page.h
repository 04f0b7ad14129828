/* SPDX-License-Identifier: ISC */
/* What all pages of the bench share: head, style, foot, and the caution for ears. */
#ifndef BM_HARNESS_PAGE_H
#define BM_HARNESS_PAGE_H

#include "text.h"

/** Shown wherever a page makes sound. */
extern const char bm_hearing_caution[];

/** Begin a page up to its heading; `more_style` comes after the house's style. NULL: none. The header stays
 * open. */
void bm_page_begin(BmText* page, const char* title, const char* more_style);

/** Add a paragraph of plain words; none for NULL or "". */
void bm_page_add_paragraph(BmText* page, const char* class_name, const char* words);

/** Close the page with `script`; a page that holds a player gets the caution. */
void bm_page_end(BmText* page, const char* script);

#endif
