/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_TURTLE_TEXT_H
#define BM_HARNESS_TURTLE_TEXT_H

#include "turtle.h"

#include <stdint.h>

/**
   Write inserts as a person would, to be pasted into a session: "bm:inserts ( ... )", with the prefixes of
   SESSION.md, names of files as the session has them.

   @param items  [n_items] inserts, each with all that it reaches through blank terms.
   @return NULL if it would be too long to read; else the caller frees it.
*/
char* bm_turtle_text(const BmTurtle* turtle, const BmTerm* const* items, uint32_t n_items);

#endif
