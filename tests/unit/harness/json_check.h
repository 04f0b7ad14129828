/* SPDX-License-Identifier: ISC */
/* A strict reader of JSON (RFC 8259) for tests: says whether a text is one value and nothing else. */
#ifndef BM_TEST_JSON_CHECK_H
#define BM_TEST_JSON_CHECK_H

#include <ctype.h>
#include <stdbool.h>
#include <string.h>

static inline const char* json_space(const char* c)
{
   return c + strspn(c, " \t\n\r");
}

static inline const char* json_string(const char* c)
{
   if (*c++ != '"') {
      return NULL;
   }
   while (*c != '"') {
      if ((unsigned char)*c < 0x20) {
         return NULL;
      }
      if (*c == '\\') {
         ++c;
         if (*c == 'u') {
            for (int n = 0; n < 4; ++n) {
               if (!isxdigit((unsigned char)*++c)) {
                  return NULL;
               }
            }
         } else if (!*c || !strchr("\"\\/bfnrt", *c)) {
            return NULL;
         }
      }
      ++c;
   }
   return c + 1;
}

static inline const char* json_number(const char* c)
{
   c += *c == '-';
   const size_t n_whole = strspn(c, "0123456789");
   if (!n_whole || (n_whole > 1 && *c == '0')) {
      return NULL;
   }
   c += n_whole;
   if (*c == '.') {
      const size_t n_digits = strspn(++c, "0123456789");
      if (!n_digits) {
         return NULL;
      }
      c += n_digits;
   }
   if (*c == 'e' || *c == 'E') {
      ++c;
      c += *c == '-' || *c == '+';
      const size_t n_digits = strspn(c, "0123456789");
      return n_digits ? c + n_digits : NULL;
   }
   return c;
}

/** What follows the value at `c`, or NULL if there is none. */
static inline const char* json_value(const char* c)
{
   c = json_space(c);
   if (*c == '"') {
      return json_string(c);
   }
   if (*c == '[' || *c == '{') {
      const bool is_object = *c == '{';
      const char end = is_object ? '}' : ']';
      c = json_space(c + 1);
      if (*c == end) {
         return c + 1;
      }
      while (c) {
         if (is_object) {
            c = json_string(json_space(c));
            c = c ? json_space(c) : NULL;
            if (!c || *c++ != ':') {
               return NULL;
            }
         }
         c = json_value(c);
         c = c ? json_space(c) : NULL;
         if (c && *c == end) {
            return c + 1;
         }
         if (c && *c++ != ',') {
            return NULL;
         }
      }
      return NULL;
   }
   static const char* const words[] = {"true", "false", "null"};
   for (int n = 0; n < 3; ++n) {
      if (strncmp(c, words[n], strlen(words[n])) == 0) {
         return c + strlen(words[n]);
      }
   }
   return json_number(c);
}

static inline bool is_json(const char* text)
{
   const char* const end = json_value(text);
   return end && !*json_space(end);
}

#endif
