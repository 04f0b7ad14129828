/* SPDX-License-Identifier: ISC */
#include "page_table.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define OPENING "<!-- measured -->\n"
#define CLOSING "<!-- /measured -->"
#define MAX_PAGE (256 * 1024)
#define REMEDY "run: meson compile -C <build> manual"

/* Where a figure begins: "-1.2", "+0.3", "12". */
static bool is_figure(const char* at)
{
   return isdigit((unsigned char)*at) || ((*at == '-' || *at == '+') && isdigit((unsigned char)at[1]));
}

bool page_is_same(const char* a, const char* b, double tolerance)
{
   while (*a && *b) {
      if (is_figure(a) && is_figure(b)) {
         char* after_a;
         char* after_b;
         if (!(fabs(strtod(a, &after_a) - strtod(b, &after_b)) <= tolerance)) {
            return false;
         }
         a = after_a;
         b = after_b;
      } else if (*a++ != *b++) {
         return false;
      }
   }
   return *a == *b;
}

bool page_settle(const char* path, const char* table, double tolerance, bool is_write)
{
   static char page[MAX_PAGE];
   FILE* file = fopen(path, "rb");
   page[file ? fread(page, 1, sizeof page - 1, file) : 0] = '\0';
   if (file) {
      fclose(file);
   }
   char* from = strstr(page, OPENING);
   char* to = from ? strstr(from, CLOSING) : NULL;
   if (!to) {
      fprintf(stderr, "%s: the lines %.17s and %s should stand round its table of presets\n", path, OPENING,
              CLOSING);
      return false;
   }
   from += strlen(OPENING);
   *to = '\0';
   char* wanted = malloc(strlen(table) + 3);
   if (!wanted) {
      return false;
   }
   sprintf(wanted, "\n%s\n", table);
   const bool is_same = page_is_same(from, wanted, tolerance);
   bool ok = is_same;
   if (!is_same && is_write) {
      *to = CLOSING[0];
      file = fopen(path, "wb");
      ok = file && fprintf(file, "%.*s%s%s", (int)(from - page), page, wanted, to) > 0;
      ok = file && fclose(file) == 0 && ok;
   } else if (!is_same) {
      fprintf(stderr, "%s: its table of presets would be, or " REMEDY ":\n%s", path, table);
   }
   free(wanted);
   return ok;
}
