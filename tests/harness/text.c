/* SPDX-License-Identifier: ISC */
#include "text.h"

#include "output.h"

#include <errno.h>
#include <math.h>
#include <stdarg.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static bool make_room(BmText* self, size_t n_more)
{
   if (self->failed) {
      return false;
   }
   const size_t needed = self->length + n_more + 1;
   if (needed > self->capacity) {
      size_t capacity = self->capacity ? self->capacity : 256;
      while (capacity < needed) {
         capacity *= 2;
      }
      char* const chars = realloc(self->chars, capacity);
      if (!chars) {
         self->failed = true;
         return false;
      }
      self->chars = chars;
      self->capacity = capacity;
   }
   return true;
}

static void add_bytes(BmText* self, const char* bytes, size_t n_bytes)
{
   if (make_room(self, n_bytes)) {
      memcpy(self->chars + self->length, bytes, n_bytes);
      self->length += n_bytes;
      self->chars[self->length] = '\0';
   }
}

/* Length of the well-formed UTF-8 sequence at `s` (RFC 3629, table in section 4), or 0. */
static size_t utf8_length(const unsigned char* s)
{
   if (s[0] < 0x80) {
      return 1;
   }
   size_t n_bytes = 0;
   unsigned char second_min = 0x80;
   unsigned char second_max = 0xBF;
   if (s[0] >= 0xC2 && s[0] <= 0xDF) {
      n_bytes = 2;
   } else if ((s[0] & 0xF0) == 0xE0) {
      n_bytes = 3;
      second_min = s[0] == 0xE0 ? 0xA0 : 0x80;
      second_max = s[0] == 0xED ? 0x9F : 0xBF;
   } else if (s[0] >= 0xF0 && s[0] <= 0xF4) {
      n_bytes = 4;
      second_min = s[0] == 0xF0 ? 0x90 : 0x80;
      second_max = s[0] == 0xF4 ? 0x8F : 0xBF;
   }
   if (!n_bytes || s[1] < second_min || s[1] > second_max) {
      return 0;
   }
   for (size_t i = 2; i < n_bytes; ++i) {
      if ((s[i] & 0xC0) != 0x80) {
         return 0;
      }
   }
   return n_bytes;
}

void bm_text_free(BmText* self)
{
   free(self->chars);
   *self = (BmText){0};
}

void bm_text_add(BmText* self, const char* string)
{
   add_bytes(self, string, strlen(string));
}

void bm_text_addf(BmText* self, const char* format, ...)
{
   va_list arguments;
   va_start(arguments, format);
   va_list again;
   va_copy(again, arguments);
   const int length = vsnprintf(NULL, 0, format, arguments);
   va_end(arguments);
   if (length < 0) {
      self->failed = true;
   } else if (make_room(self, (size_t)length)) {
      vsnprintf(self->chars + self->length, (size_t)length + 1, format, again);
      self->length += (size_t)length;
   }
   va_end(again);
}

void bm_text_add_html(BmText* self, const char* string)
{
   const unsigned char* s = (const unsigned char*)(string ? string : "");
   while (*s) {
      const size_t n_bytes = utf8_length(s);
      switch (*s) {
      case '&':
         bm_text_add(self, "&amp;");
         break;
      case '<':
         bm_text_add(self, "&lt;");
         break;
      case '>':
         bm_text_add(self, "&gt;");
         break;
      case '"':
         bm_text_add(self, "&quot;");
         break;
      case '\'':
         bm_text_add(self, "&#39;");
         break;
      default:
         if (!n_bytes || *s == 0x7F || (*s < 0x20 && *s != '\n' && *s != '\t')) {
            bm_text_add(self, "\xEF\xBF\xBD");
         } else {
            add_bytes(self, (const char*)s, n_bytes);
         }
      }
      s += n_bytes ? n_bytes : 1;
   }
}

void bm_text_add_url(BmText* self, const char* path)
{
   const char* const colon = strchr(path, ':');
   if (colon && !memchr(path, '/', (size_t)(colon - path))) {
      bm_text_add(self, "./");
   }
   for (const char* c = path; *c; ++c) {
      const bool is_plain = (*c >= 'a' && *c <= 'z') || (*c >= 'A' && *c <= 'Z') ||
                            (*c >= '0' && *c <= '9') || strchr("-._~/", *c);
      if (is_plain) {
         add_bytes(self, c, 1);
      } else {
         bm_text_addf(self, "%%%02X", (unsigned)(unsigned char)*c);
      }
   }
}

void bm_text_add_json_string(BmText* self, const char* string)
{
   if (!string) {
      bm_text_add(self, "null");
      return;
   }
   bm_text_add(self, "\"");
   const unsigned char* s = (const unsigned char*)string;
   while (*s) {
      const size_t n_bytes = utf8_length(s);
      if (*s == '"' || *s == '\\') {
         bm_text_addf(self, "\\%c", *s);
      } else if (*s < 0x20 || *s == 0x7F) {
         bm_text_addf(self, "\\u%04x", *s);
      } else if (!n_bytes) {
         bm_text_add(self, "\\ufffd");
      } else {
         add_bytes(self, (const char*)s, n_bytes);
      }
      s += n_bytes ? n_bytes : 1;
   }
   bm_text_add(self, "\"");
}

void bm_text_add_json_number(BmText* self, double value, int decimals)
{
   if (isfinite(value)) {
      bm_text_addf(self, "%.*f", decimals, value);
   } else {
      bm_text_add(self, "null");
   }
}

static bool write_all(int fd, const char* bytes, size_t n_bytes)
{
   while (n_bytes) {
      const ssize_t n = write(fd, bytes, n_bytes);
      if (n < 0 && errno != EINTR) {
         return false;
      }
      bytes += n < 0 ? 0 : n;
      n_bytes -= n < 0 ? 0 : (size_t)n;
   }
   return true;
}

bool bm_text_save(const BmText* self, const char* path)
{
   if (self->failed) {
      errno = ENOMEM;
      return false;
   }
   BmError error = {0}; /* the caller says it in words of its own */
   BmOutput* output = bm_output_open(path, &error);
   const bool is_whole = output && write_all(bm_output_fd(output), self->chars, self->length) &&
                         bm_output_sync(output, &error) && bm_output_publish(output, &error);
   bm_output_close(output);
   return is_whole;
}
