/* SPDX-License-Identifier: ISC */
#include "turtle_text.h"

#include "text.h"

#include <lv2/core/lv2.h>
#include <lv2/presets/presets.h>

#include <ctype.h>
#include <stdlib.h>
#include <string.h>

/* Blank terms can go in a circle, or share parts of parts. */
#define MAX_DEPTH 12u
#define MAX_BYTES 100000u

static const struct {
   const char* prefix;
   const char* ns;
} prefixes[] = {
   {"bm", "urn:bookmatch:vocabulary#"},
   {"lv2", LV2_CORE_PREFIX},
   {"pset", LV2_PRESETS_PREFIX},
   {"rdfs", BM_RDFS_NS},
};

typedef struct {
   BmText text;
   const BmTurtle* turtle;
   bool is_too_long;
} Writer;

static void add_term(Writer* writer, const BmTerm* term, uint32_t depth);

static void add_char(BmText* text, char c)
{
   const char string[] = {c, '\0'};
   bm_text_add(text, string);
}

static bool is_plain_name(const char* name)
{
   const char* at = name;
   while (isalnum((unsigned char)*at) || *at == '_') {
      ++at;
   }
   return isalpha((unsigned char)name[0]) && !*at;
}

static void add_uri(Writer* writer, const char* uri)
{
   for (size_t n = 0; n < sizeof(prefixes) / sizeof(prefixes[0]); ++n) {
      const size_t size = strlen(prefixes[n].ns);
      if (!strncmp(uri, prefixes[n].ns, size) && is_plain_name(uri + size)) {
         bm_text_addf(&writer->text, "%s:%s", prefixes[n].prefix, uri + size);
         return;
      }
   }
   const char* base = bm_turtle_base(writer->turtle);
   const size_t document = strlen(base);
   const char* slash = strrchr(base, '/');
   const size_t folder = slash ? (size_t)(slash + 1 - base) : 0;
   if (!strncmp(uri, base, document) && (!uri[document] || uri[document] == '#')) {
      uri += document;
   } else if (folder && !strncmp(uri, base, folder) && uri[folder]) {
      uri += folder;
      bm_text_add(&writer->text, strcspn(uri, ":") < strcspn(uri, "/") ? "<./" : "<");
      bm_text_addf(&writer->text, "%s>", uri);
      return;
   }
   add_char(&writer->text, '<');
   for (; *uri; ++uri) {
      if ((unsigned char)*uri <= ' ' || strchr("<>\"{}|^`\\", *uri)) {
         bm_text_addf(&writer->text, "\\u%04X", (unsigned)(unsigned char)*uri);
      } else {
         add_char(&writer->text, *uri);
      }
   }
   add_char(&writer->text, '>');
}

/* Whether the literal means the same without quotation marks. */
static bool is_bare(const BmTerm* term)
{
   const char* text = term->text;
   const char* digits = "0123456789";
   if (!strcmp(term->datatype, BM_XSD_NS "boolean")) {
      return !strcmp(text, "true") || !strcmp(text, "false");
   }
   text += text[0] == '-' || text[0] == '+';
   const size_t whole = strspn(text, digits);
   if (!strcmp(term->datatype, BM_XSD_NS "integer")) {
      return whole && !text[whole];
   }
   const size_t part = text[whole] == '.' ? strspn(text + whole + 1, digits) : 0;
   return !strcmp(term->datatype, BM_XSD_NS "decimal") && part && !text[whole + 1 + part];
}

static void add_literal(Writer* writer, const BmTerm* term)
{
   if (is_bare(term)) {
      bm_text_add(&writer->text, term->text);
      return;
   }
   add_char(&writer->text, '"');
   for (const char* at = term->text; *at; ++at) {
      if (*at == '"' || *at == '\\') {
         add_char(&writer->text, '\\');
         add_char(&writer->text, *at);
      } else if ((unsigned char)*at < ' ') {
         bm_text_addf(&writer->text, "\\u%04X", (unsigned)(unsigned char)*at);
      } else {
         add_char(&writer->text, *at);
      }
   }
   add_char(&writer->text, '"');
   if (term->language[0]) {
      bm_text_addf(&writer->text, "@%s", term->language);
   } else if (term->datatype[0]) {
      bm_text_add(&writer->text, "^^");
      add_uri(writer, term->datatype);
   }
}

static void add_list(Writer* writer, const BmTerm* list, uint32_t depth)
{
   bm_text_add(&writer->text, "(");
   while (!writer->is_too_long && strcmp(list->text, BM_RDF_NS "nil") != 0) {
      const BmStatement* first = bm_turtle_get(list, BM_RDF_NS "first");
      const BmStatement* rest = bm_turtle_get(list, BM_RDF_NS "rest");
      if (!first || !rest) {
         writer->is_too_long = true;
         return;
      }
      add_char(&writer->text, ' ');
      add_term(writer, first->object, depth + 1);
      list = rest->object;
   }
   bm_text_add(&writer->text, " )");
}

static bool was_told(const BmTerm* subject, const BmStatement* statement)
{
   return bm_turtle_get(subject, statement->predicate) != statement;
}

/* Go to a new line under `column`, or only to the next word where `column` is 0. */
static void go_on(Writer* writer, uint32_t column)
{
   bm_text_addf(&writer->text, column ? "\n%*s" : " ", (int)column, "");
}

/* All that is said of a term, in square brackets; one statement a line from `column` on, or all in one line
   where that is 0. */
static void add_description(Writer* writer, const BmTerm* subject, uint32_t column, uint32_t depth)
{
   bm_text_add(&writer->text, subject->first ? "[ " : "[");
   for (const BmStatement* s = subject->first; s && !writer->is_too_long; s = s->next) {
      if (was_told(subject, s)) {
         continue;
      }
      if (s != subject->first) {
         bm_text_add(&writer->text, " ;");
         go_on(writer, column ? column + 2 : 0);
      }
      if (!strcmp(s->predicate, BM_RDF_NS "type")) {
         add_char(&writer->text, 'a');
      } else {
         add_uri(writer, s->predicate);
      }
      const bool are_many = column && bm_turtle_next(s);
      for (const BmStatement* each = s; each; each = bm_turtle_next(each)) {
         bm_text_add(&writer->text, each == s ? "" : " ,");
         go_on(writer, are_many ? column + 5 : 0);
         add_term(writer, each->object, depth + 1);
      }
   }
   bm_text_add(&writer->text, " ]");
}

static void add_term(Writer* writer, const BmTerm* term, uint32_t depth)
{
   if (depth > MAX_DEPTH || writer->text.length > MAX_BYTES) {
      writer->is_too_long = true;
   } else if (term->kind == BM_TERM_LITERAL) {
      add_literal(writer, term);
   } else if (!strcmp(term->text, BM_RDF_NS "nil") || bm_turtle_get(term, BM_RDF_NS "first")) {
      add_list(writer, term, depth);
   } else if (term->kind == BM_TERM_BLANK) {
      add_description(writer, term, 0, depth);
   } else {
      add_uri(writer, term->text);
   }
}

char* bm_turtle_text(const BmTurtle* turtle, const BmTerm* const* items, uint32_t n_items)
{
   Writer writer = {.turtle = turtle};
   bm_text_add(&writer.text, "bm:inserts (");
   for (uint32_t n = 0; n < n_items; ++n) {
      go_on(&writer, 3);
      add_description(&writer, items[n], 3, 0);
   }
   bm_text_add(&writer.text, n_items ? "\n)" : ")");
   if (writer.is_too_long || writer.text.failed) {
      bm_text_free(&writer.text);
      return NULL;
   }
   char* text = bm_copy(writer.text.chars);
   bm_text_free(&writer.text);
   return text;
}
