/* SPDX-License-Identifier: ISC */
/* How the bench says what went wrong: one line that names what, where and what would be right. */
#ifndef BM_HARNESS_ERROR_H
#define BM_HARNESS_ERROR_H

#include <stdarg.h>
#include <stdbool.h>
#include <stdint.h>

/** One error line: control characters in what it quotes are shown as `?`. Start from `BmError error = {0}`;
 * the first error set is kept, later ones are dropped. */
typedef struct {
   bool is_set;
   char text[1024];
} BmError;

/** Set the error to a printf-formatted line. Always returns false, so that a caller can return it. */
bool bm_fail(BmError* error, const char* format, ...) __attribute__((format(printf, 2, 3)));

/**
   Set the error to "file:line: what", or "file: what" where `line` is 0.

   Always returns false.
*/
bool bm_fail_at(BmError* error, const char* file, uint32_t line, const char* format, ...)
   __attribute__((format(printf, 4, 5)));

/**
   Find the name nearest to `wanted`, for "did you mean".

   @param names  [n_names]; NULL entries are skipped.
   @return an entry of `names`, or NULL if none is near enough to have been meant (edit distance above a
   third).
*/
const char* bm_nearest(const char* wanted, const char* const* names, uint32_t n_names);

/** Zeroed memory for `count` things of `size` bytes. Never NULL: says "out of memory" and exits 1. */
void* bm_calloc(uint64_t count, uint64_t size);

/** Resize as realloc does, new bytes not zeroed. Never NULL: says "out of memory" and exits 1. */
void* bm_realloc(void* block, uint64_t count, uint64_t size);

/** Put `?` for each control character in `text`, so that it is one line and cannot steer a terminal. */
void bm_make_one_line(char* text);

/** Whether `text` has no control character. */
bool bm_is_one_line(const char* text);

/** Copy a string; NULL stays NULL. The caller frees it. */
char* bm_copy(const char* text);

/** A printf-formatted string of any length. The caller frees it. */
char* bm_print(const char* format, ...) __attribute__((format(printf, 1, 2)));

#endif
