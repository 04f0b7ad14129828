/* SPDX-License-Identifier: ISC */
#include "error.h"

#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Longer names are compared by their first characters only. */
#define BM_NEAREST_MAX 128u

static bool is_control(char c)
{
   return (unsigned char)c < 0x20u || c == 0x7F;
}

void bm_make_one_line(char* text)
{
   for (char* c = text; *c; ++c) {
      *c = is_control(*c) ? '?' : *c;
   }
}

bool bm_is_one_line(const char* text)
{
   while (*text && !is_control(*text)) {
      ++text;
   }
   return !*text;
}

bool bm_fail(BmError* error, const char* format, ...)
{
   if (!error->is_set) {
      error->is_set = true;
      va_list args;
      va_start(args, format);
      vsnprintf(error->text, sizeof(error->text), format, args);
      va_end(args);
      bm_make_one_line(error->text);
   }
   return false;
}

bool bm_fail_at(BmError* error, const char* file, uint32_t line, const char* format, ...)
{
   if (!error->is_set) {
      error->is_set = true;
      const int written = line ? snprintf(error->text, sizeof(error->text), "%s:%u: ", file, line)
                               : snprintf(error->text, sizeof(error->text), "%s: ", file);
      const size_t used = written < 0 ? 0 : (size_t)written;
      if (used < sizeof(error->text)) {
         va_list args;
         va_start(args, format);
         vsnprintf(error->text + used, sizeof(error->text) - used, format, args);
         va_end(args);
      }
      bm_make_one_line(error->text);
   }
   return false;
}

/* Levenshtein's edit distance, of the first BM_NEAREST_MAX characters. */
static uint32_t edit_distance(const char* a, const char* b)
{
   uint32_t row[BM_NEAREST_MAX + 1];
   const uint32_t a_size = (uint32_t)strnlen(a, BM_NEAREST_MAX);
   const uint32_t b_size = (uint32_t)strnlen(b, BM_NEAREST_MAX);
   for (uint32_t j = 0; j <= b_size; ++j) {
      row[j] = j;
   }
   for (uint32_t i = 1; i <= a_size; ++i) {
      uint32_t diagonal = row[0];
      row[0] = i;
      for (uint32_t j = 1; j <= b_size; ++j) {
         const uint32_t replaced = diagonal + (a[i - 1] != b[j - 1]);
         const uint32_t removed = (row[j] < row[j - 1] ? row[j] : row[j - 1]) + 1;
         diagonal = row[j];
         row[j] = replaced < removed ? replaced : removed;
      }
   }
   return row[b_size];
}

const char* bm_nearest(const char* wanted, const char* const* names, uint32_t n_names)
{
   const char* best = NULL;
   uint32_t best_distance = (uint32_t)strnlen(wanted, BM_NEAREST_MAX) / 3 + 2;
   for (uint32_t n = 0; n < n_names; ++n) {
      const uint32_t distance = names[n] ? edit_distance(wanted, names[n]) : best_distance;
      if (distance < best_distance) {
         best_distance = distance;
         best = names[n];
      }
   }
   return best;
}

static void* checked(void* block)
{
   if (!block) {
      fputs("bookmatch: out of memory\n", stderr);
      exit(1);
   }
   return block;
}

void* bm_calloc(uint64_t count, uint64_t size)
{
   return checked(calloc(count ? count : 1, size ? size : 1));
}

void* bm_realloc(void* block, uint64_t count, uint64_t size)
{
   if (size && count > UINT64_MAX / size) {
      return checked(NULL);
   }
   const uint64_t n_bytes = count * size;
   return checked(realloc(block, n_bytes ? n_bytes : 1));
}

char* bm_copy(const char* text)
{
   return text ? checked(strdup(text)) : NULL;
}

char* bm_print(const char* format, ...)
{
   va_list args;
   va_start(args, format);
   va_list again;
   va_copy(again, args);
   const int size = vsnprintf(NULL, 0, format, args);
   va_end(args);
   char* text = bm_calloc(size < 0 ? 1 : (uint64_t)size + 1, 1);
   if (size >= 0) {
      vsnprintf(text, (size_t)size + 1, format, again);
   }
   va_end(again);
   return text;
}
