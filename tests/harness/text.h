/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_TEXT_H
#define BM_HARNESS_TEXT_H

#include <stdbool.h>
#include <stddef.h>

/**
   A string that grows, for pages, pictures and JSON. Start from `{0}`; all text is UTF-8.

   Memory that runs out, or a write that fails, sets `failed`; later calls then do nothing, so a writer checks
   once, at the end.
*/
typedef struct {
   char* chars; /* zero-terminated once something was added; NULL before */
   size_t length;
   size_t capacity;
   bool failed;
} BmText;

void bm_text_free(BmText* self);

/** Add `string` as it is. */
void bm_text_add(BmText* self, const char* string);

/** Add formatted text as it is. Not for words from outside: those go through the escapes below. */
void bm_text_addf(BmText* self, const char* format, ...) __attribute__((format(printf, 2, 3)));

/** Add `string` as HTML or SVG text, fit for attributes in double quotes too; control characters and bytes
   that are not UTF-8 become U+FFFD. NULL adds nothing. */
void bm_text_add_html(BmText* self, const char* string);

/** Add `path` as the relative part of a URL: each byte but letters, digits, and `-._~/` percent-encoded, and
    `./` before it where its first part could be read as a scheme. */
void bm_text_add_url(BmText* self, const char* path);

/** Add `string` as a JSON string, quotes included; NULL adds null. */
void bm_text_add_json_string(BmText* self, const char* string);

/** Add a number as JSON, with `decimals` digits after the point; what is not finite becomes null. */
void bm_text_add_json_number(BmText* self, double value, int decimals);

/** Write the text to `path` as output.h does, so that the old file stays until the new one is whole. False
 * (and errno) if it cannot, or if the text had failed. */
bool bm_text_save(const BmText* self, const char* path);

#endif
