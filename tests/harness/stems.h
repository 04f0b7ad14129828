/* SPDX-License-Identifier: ISC */
/* The files of a render: each stem, and for the report what it was before the inserts. All of them or none.
 */
#ifndef BM_HARNESS_STEMS_H
#define BM_HARNESS_STEMS_H

#include "error.h"
#include "render.h"
#include "session.h"

#include <stdbool.h>
#include <stdint.h>

/** Whether `path` is one of the session's takes; the error then says so. */
bool bm_would_overwrite_take(const BmSession* session, const char* path, BmError* error);

typedef struct BmStems BmStems;

/**
   Begin the files in `folder`, which is made if it is missing.

   @param with_before  also write "name.before.wav" beside each "name.wav".
   @return NULL with the error set (no room, no right, a stem would overwrite one of the takes).
*/
BmStems* bm_stems_open(const BmSession* session, const char* folder, uint64_t max_frames, bool with_before,
                       BmError* error);

/** Write the next frames; the taps as BmRenderSink gives them. False with the error set. */
bool bm_stems_hear(BmStems* stems, const BmTapBlock* taps, uint32_t n_frames, BmError* error);

/** Complete all files on disk, then give them their names. False with the error set: none has got its name.
 */
bool bm_stems_publish(BmStems* stems, BmError* error);

/** Path of a stem's file, or of its before. */
const char* bm_stems_path(const BmStems* stems, uint32_t stem, bool before);

/** How many samples of a stem were clipped at full scale. */
uint64_t bm_stems_n_clipped(const BmStems* stems, uint32_t stem);

/** Whether not one sample of a stem was other than 0. */
bool bm_stems_is_silent(const BmStems* stems, uint32_t stem);

/** How many frames each file has. */
uint64_t bm_stems_n_frames(const BmStems* stems);

/** Close; what was not published is removed. NULL is allowed. */
void bm_stems_close(BmStems* stems);

#endif
