/* SPDX-License-Identifier: ISC */
/*
   Files that come whole or not at all: written under a temporary name in the same folder (".name.part"),
   renamed at the end. An older file of the name stays as it is until then, whatever happens; what a killed
   render left behind is taken over by the next.
*/
#ifndef BM_HARNESS_OUTPUT_H
#define BM_HARNESS_OUTPUT_H

#include "error.h"

#include <stdbool.h>

typedef struct BmOutput BmOutput;

/** Open for writing and reading. @return NULL with the error set (also if another render writes the same
 * file). */
BmOutput* bm_output_open(const char* path, BmError* error);

/** The descriptor to write to; it stays the output's. */
int bm_output_fd(const BmOutput* output);

/** Bring what was written to disk. False with the error set. */
bool bm_output_sync(BmOutput* output, BmError* error);

/** Give the file its name. False with the error set. */
bool bm_output_publish(BmOutput* output, BmError* error);

/** Close; a file that was not published is removed. NULL is allowed. Leaves errno as it is. */
void bm_output_close(BmOutput* output);

/** Make a folder and those above it; one that is there is fine. False with the error set. */
bool bm_make_folder(const char* path, BmError* error);

#endif
