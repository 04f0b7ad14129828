/* SPDX-License-Identifier: ISC */
/* What a test of a page or a picture asks of its markup. */
#ifndef BM_TEST_PAGE_CHECK_H
#define BM_TEST_PAGE_CHECK_H

#include "unit_test.h"

#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

/** A whole file and a zero behind it, to be freed; NULL where none lies there. */
static inline char* read_bytes(const char* path, size_t* size)
{
   FILE* file = fopen(path, "rb");
   *size = 0;
   if (!file) {
      return NULL;
   }
   fseek(file, 0, SEEK_END);
   *size = (size_t)ftell(file);
   rewind(file);
   char* bytes = malloc(*size + 1);
   assert_int_equal(fread(bytes, 1, *size, file), *size);
   bytes[*size] = '\0';
   fclose(file);
   return bytes;
}

/** The text of a file that must be there, to be freed. */
static inline char* read_page(const char* path)
{
   size_t size;
   char* page = read_bytes(path, &size);
   if (!page) {
      fail_msg("%s is not there", path);
   }
   return page;
}

static inline uint32_t count_of(const char* page, const char* what)
{
   uint32_t count = 0;
   for (const char* c = strstr(page, what); c; c = strstr(c + 1, what)) {
      ++count;
   }
   return count;
}

/** Fail unless every element that opens closes, in order, every attribute is quoted, and no text holds a bare
    mark. Void elements by the HTML standard; a slash before the end closes, as in SVG. */
static inline void check_markup(const char* page)
{
   static const char* const voids[] = {"meta", "link", "img", "br", "hr", "input", "!DOCTYPE"};
   char open[64][24];
   uint32_t n_open = 0;
   const char* c = page;
   while (*c) {
      if (*c == '>') {
         fail_msg("a bare > at: %.60s", c);
      }
      if (*c == '&' && !strchr("alqg#", c[1])) {
         fail_msg("a bare & at: %.60s", c);
      }
      if (*c++ != '<') {
         continue;
      }
      const bool is_end = *c == '/';
      c += is_end;
      const size_t n_name = strcspn(c, " \t\n/>");
      if (n_name == 0 || n_name >= sizeof open[0]) {
         fail_msg("a bare < at: %.60s", c - 1);
      }
      char name[24];
      snprintf(name, sizeof name, "%.*s", (int)n_name, c);
      c += n_name;
      bool is_closed = false;
      while (*c && *c != '>') {
         if (*c == '"') {
            if (c[-1] != '=') {
               fail_msg("an attribute without = at: %.60s", c);
            }
            c = strchr(c + 1, '"');
            assert_non_null(c);
            if (!strchr(" />\n", c[1])) {
               fail_msg("no space behind an attribute at: %.60s", c);
            }
         } else if (*c == '<') {
            fail_msg("a tag within a tag at: %.60s", c);
         }
         is_closed = *c == '/';
         ++c;
      }
      c += *c == '>';
      for (uint32_t n = 0; n < sizeof voids / sizeof *voids; ++n) {
         is_closed = is_closed || strcmp(name, voids[n]) == 0;
      }
      if (is_end) {
         if (n_open == 0 || strcmp(open[n_open - 1], name) != 0) {
            fail_msg("</%s> closes <%s> at: %.60s", name, n_open ? open[n_open - 1] : "nothing", c);
         }
         --n_open;
      } else if (!is_closed) {
         assert_true(n_open < 64);
         strcpy(open[n_open++], name);
         if (strcmp(name, "style") == 0 || strcmp(name, "script") == 0) {
            /* Raw text up to its own end. */
            char end[32];
            snprintf(end, sizeof end, "</%s>", name);
            c = strstr(c, end);
            assert_non_null(c);
         }
      }
   }
   if (n_open) {
      fail_msg("<%s> stays open", open[n_open - 1]);
   }
}

/** Fail if the page would fetch anything from elsewhere, or shows a number that is none. */
static inline void check_page_is_whole(const char* page)
{
   static const char* const forbidden[] = {"http:",   "https:", "src=\"//", "href=\"//", "url(",
                                           "@import", "<link",  "<iframe",  "<object",   "<embed",
                                           "fetch(",  "nan",    "XMLHttp"};
   for (uint32_t n = 0; n < sizeof forbidden / sizeof *forbidden; ++n) {
      const char* const found = strstr(page, forbidden[n]);
      if (found) {
         fail_msg("the page holds %s: %.60s", forbidden[n], found);
      }
   }
   const char* c = page;
   while ((c = strstr(c, "id=\""))) {
      const char* const end = strchr(c + 4, '"');
      char id[128];
      snprintf(id, sizeof id, " %.*s\"", (int)(end - c), c);
      if (c[-1] == ' ' && count_of(page, id) != 1) {
         fail_msg("the id is not alone:%s", id);
      }
      c = end;
   }
}

#endif
