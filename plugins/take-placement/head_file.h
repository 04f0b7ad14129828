/* SPDX-License-Identifier: ISC */
#ifndef BM_HEAD_FILE_H
#define BM_HEAD_FILE_H

#include "stereo/head_responses.h"

/** Head responses read from a file at one rate, shared by all plugins in the process that ask for the same.
 */
typedef struct BmHeadFile BmHeadFile;

/**
   Read head responses (AES69, impulse responses for two ears), or find them read already.

   Not for the real-time thread: takes a third of a second the first time.

   @param fault what is wrong with the file, in words, where the return is NULL.
*/
const BmHeadFile* bm_head_file_open(const char* path, double rate_hz, const char** fault);

/** Let go. NULL is allowed. What nobody holds stays until something else is read. */
void bm_head_file_close(const BmHeadFile* self);

const BmHeadResponses* bm_head_file_responses(const BmHeadFile* self);

#endif
