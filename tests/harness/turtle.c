/* SPDX-License-Identifier: ISC */
#include "turtle.h"

#include <serd/serd.h>

#include <ctype.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/stat.h>

struct BmTurtle {
   char* path;
   char* base;     /* file URI of the document */
   BmTerm** terms; /* [n_terms], in order of mention */
   uint32_t n_terms;
   uint32_t* table; /* [n_slots] open hash of term index + 1 */
   uint32_t n_slots;
   BmStatement** statements;
   uint32_t n_statements;
   const BmTerm** subjects; /* [n_subjects], in order of their first statement */
   uint32_t n_subjects;
   SerdEnv* env;
   FILE* file;
   uint32_t line; /* of the last byte that serd took */
   bool last_was_newline;
   BmError* error;
};

static uint64_t hash_text(const char* text, uint64_t hash)
{
   /* FNV-1a, 64 bits (Fowler, Noll, Vo). */
   for (; *text; ++text) {
      hash = (hash ^ (uint8_t)*text) * 1099511628211ULL;
   }
   return hash;
}

static uint64_t hash_term(BmTermKind kind, const char* text, const char* datatype, const char* language)
{
   return hash_text(language, hash_text(datatype, hash_text(text, 14695981039346656037ULL + (uint64_t)kind)));
}

static void grow_table(BmTurtle* turtle)
{
   turtle->n_slots = turtle->n_slots ? turtle->n_slots * 2 : 256;
   free(turtle->table);
   turtle->table = bm_calloc(turtle->n_slots, sizeof(uint32_t));
   for (uint32_t n = 0; n < turtle->n_terms; ++n) {
      const BmTerm* term = turtle->terms[n];
      uint64_t slot = hash_term(term->kind, term->text, term->datatype, term->language);
      while (turtle->table[slot & (turtle->n_slots - 1)]) {
         ++slot;
      }
      turtle->table[slot & (turtle->n_slots - 1)] = n + 1;
   }
}

/* The one term that is this; made when it is first mentioned. */
static BmTerm* intern(BmTurtle* turtle, BmTermKind kind, const char* text, const char* datatype,
                      const char* language)
{
   if (turtle->n_terms * 2 >= turtle->n_slots) {
      grow_table(turtle);
   }
   uint64_t slot = hash_term(kind, text, datatype, language);
   for (;; ++slot) {
      const uint32_t entry = turtle->table[slot & (turtle->n_slots - 1)];
      if (!entry) {
         break;
      }
      BmTerm* term = turtle->terms[entry - 1];
      if (term->kind == kind && !strcmp(term->text, text) && !strcmp(term->datatype, datatype) &&
          !strcmp(term->language, language)) {
         return term;
      }
   }
   BmTerm* term = bm_calloc(1, sizeof(BmTerm));
   term->kind = kind;
   term->text = bm_copy(text);
   term->datatype = bm_copy(datatype);
   term->language = bm_copy(language);
   term->line = turtle->line;
   term->index = turtle->n_terms;
   turtle->terms = bm_realloc(turtle->terms, turtle->n_terms + 1u, sizeof(BmTerm*));
   turtle->terms[turtle->n_terms++] = term;
   turtle->table[slot & (turtle->n_slots - 1)] = turtle->n_terms;
   return term;
}

/* serd calls this for each byte (page size 1), which is how the line of a statement is known. */
static size_t read_byte(void* buffer, size_t size, size_t count, void* stream)
{
   BmTurtle* turtle = stream;
   const size_t n_read = fread(buffer, size, count, turtle->file);
   if (turtle->last_was_newline) {
      ++turtle->line;
   }
   turtle->last_was_newline = n_read && *(const char*)buffer == '\n';
   return n_read;
}

static int read_error(void* stream)
{
   return ferror(((BmTurtle*)stream)->file);
}

/* Absolute text of a term; the caller frees it. */
static char* expand(BmTurtle* turtle, const SerdNode* term)
{
   if (term->type == SERD_URI || term->type == SERD_CURIE) {
      SerdNode absolute = serd_env_expand_node(turtle->env, term);
      char* text = bm_copy(absolute.buf ? (const char*)absolute.buf : NULL);
      serd_node_free(&absolute);
      return text;
   }
   return bm_copy((const char*)term->buf);
}

/* Each % begins an escape (RFC 3986, 2.1). serd reads past the end of a file URI that ends within one; %% is
   how it writes the sign in a base. */
static bool is_escaped(const char* uri)
{
   for (; *uri; ++uri) {
      if (*uri == '%') {
         const bool is_sign = uri[1] == '%';
         if (!is_sign && !(isxdigit((unsigned char)uri[1]) && isxdigit((unsigned char)uri[2]))) {
            return false;
         }
         uri += is_sign ? 1 : 2;
      }
   }
   return true;
}

static BmTerm* to_term(BmTurtle* turtle, const SerdNode* term, const SerdNode* datatype,
                       const SerdNode* language)
{
   char* text = expand(turtle, term);
   if (!text) {
      bm_fail_at(turtle->error, turtle->path, turtle->line, "the prefix of %s is not declared", term->buf);
      return NULL;
   }
   if (term->type != SERD_LITERAL && !is_escaped(text)) {
      bm_fail_at(turtle->error, turtle->path, turtle->line,
                 "<%s> is no URI: %% needs two hexadecimal digits behind it, and the sign itself is %%25",
                 term->buf);
      free(text);
      return NULL;
   }
   char* type = datatype && datatype->buf ? expand(turtle, datatype) : bm_copy("");
   const BmTermKind kind = term->type == SERD_LITERAL ? BM_TERM_LITERAL
                           : term->type == SERD_BLANK ? BM_TERM_BLANK
                                                      : BM_TERM_URI;
   BmTerm* interned = NULL;
   if (!type) {
      bm_fail_at(turtle->error, turtle->path, turtle->line, "the prefix of %s is not declared",
                 datatype->buf);
   } else {
      interned =
         intern(turtle, kind, text, type, language && language->buf ? (const char*)language->buf : "");
   }
   free(type);
   free(text);
   return interned;
}

/* What has a colon before any slash needs a scheme there (RFC 3986, 3.1 and 4.2): serd takes the rest as a
   relative reference, and lilv, which reads the file after us, leaks it. */
static bool check_uri(BmTurtle* turtle, const SerdNode* term)
{
   const char* text = term && term->type == SERD_URI && term->buf ? (const char*)term->buf : "";
   return text[strcspn(text, ":/?#")] != ':' || serd_uri_string_has_scheme(term->buf) ||
          bm_fail_at(turtle->error, turtle->path, turtle->line,
                     "<%s> is no URI: a scheme has only letters, digits, + - and . before its colon", text);
}

static SerdStatus on_base(void* handle, const SerdNode* uri)
{
   if (!check_uri(handle, uri)) {
      return SERD_ERR_BAD_ARG;
   }
   return serd_env_set_base_uri(((BmTurtle*)handle)->env, uri);
}

static SerdStatus on_prefix(void* handle, const SerdNode* name, const SerdNode* uri)
{
   if (!check_uri(handle, uri)) {
      return SERD_ERR_BAD_ARG;
   }
   return serd_env_set_prefix(((BmTurtle*)handle)->env, name, uri);
}

static SerdStatus on_statement(void* handle, SerdStatementFlags flags, const SerdNode* graph,
                               const SerdNode* subject, const SerdNode* predicate, const SerdNode* object,
                               const SerdNode* datatype, const SerdNode* language)
{
   (void)flags;
   (void)graph;
   BmTurtle* turtle = handle;
   if (!check_uri(turtle, subject) || !check_uri(turtle, predicate) || !check_uri(turtle, object) ||
       !check_uri(turtle, datatype)) {
      return SERD_FAILURE;
   }
   BmTerm* s = to_term(turtle, subject, NULL, NULL);
   BmTerm* p = s ? to_term(turtle, predicate, NULL, NULL) : NULL;
   BmTerm* o = p ? to_term(turtle, object, datatype, language) : NULL;
   if (!o) {
      return SERD_FAILURE;
   }
   BmStatement* statement = bm_calloc(1, sizeof(BmStatement));
   *statement = (BmStatement){s, p->text, o, turtle->line, NULL};
   turtle->statements = bm_realloc(turtle->statements, turtle->n_statements + 1u, sizeof(BmStatement*));
   turtle->statements[turtle->n_statements++] = statement;
   if (s->last) {
      s->last->next = statement;
   } else {
      s->first = statement;
      s->line = turtle->line;
      turtle->subjects = bm_realloc(turtle->subjects, turtle->n_subjects + 1u, sizeof(BmTerm*));
      turtle->subjects[turtle->n_subjects++] = s;
   }
   s->last = statement;
   return SERD_SUCCESS;
}

static SerdStatus on_error(void* handle, const SerdError* serd_error)
{
   BmTurtle* turtle = handle;
   char text[256];
   /* serd's formats are its own; the arguments belong to them. */
#pragma GCC diagnostic push
#pragma GCC diagnostic ignored "-Wformat-nonliteral"
   vsnprintf(text, sizeof(text), serd_error->fmt, *serd_error->args);
#pragma GCC diagnostic pop
   text[strcspn(text, "\n")] = '\0';
   bm_fail_at(
      turtle->error, turtle->path, serd_error->line ? serd_error->line : turtle->line, "not Turtle: %s%s",
      text, strstr(text, "escape %20") ? "; a file name with spaces goes into quotes: \"my take.wav\"" : "");
   return SERD_SUCCESS;
}

/* Say of a folder or of audio what it is, before the parser says what of Turtle it misses. */
static bool check_text(FILE* file, const char* path, BmError* error)
{
   struct stat status;
   if (fstat(fileno(file), &status)) {
      return bm_fail(error, "%s: %s", path, strerror(errno));
   }
   if (S_ISDIR(status.st_mode)) {
      return bm_fail(error, "%s: is a folder, not a Turtle file", path);
   }
   if (!S_ISREG(status.st_mode)) {
      return true; /* what comes through a pipe cannot be read twice */
   }
   char head[512];
   const size_t size = fread(head, 1, sizeof(head), file);
   rewind(file);
   return !memchr(head, '\0', size) || bm_fail(error, "%s: is no text; a Turtle file is wanted here", path);
}

BmTurtle* bm_turtle_read(const char* path, BmError* error)
{
   FILE* file = fopen(path, "rb");
   char* absolute = file ? realpath(path, NULL) : NULL;
   if (!absolute) {
      bm_fail(error, "%s: %s", path, strerror(errno));
      if (file) {
         fclose(file);
      }
      return NULL;
   }
   if (!check_text(file, path, error)) {
      free(absolute);
      fclose(file);
      return NULL;
   }
   BmTurtle* turtle = bm_calloc(1, sizeof(BmTurtle));
   turtle->path = bm_copy(path);
   turtle->file = file;
   turtle->line = 1;
   turtle->error = error;
   SerdNode base = serd_node_new_file_uri((const uint8_t*)absolute, NULL, NULL, true);
   turtle->base = bm_copy((const char*)base.buf);
   turtle->env = serd_env_new(&base);
   serd_node_free(&base);
   free(absolute);

   SerdReader* reader = serd_reader_new(SERD_TURTLE, turtle, NULL, on_base, on_prefix, on_statement, NULL);
   serd_reader_set_strict(reader, true);
   serd_reader_set_error_sink(reader, on_error, turtle);
   const SerdStatus status =
      serd_reader_read_source(reader, read_byte, read_error, turtle, (const uint8_t*)path, 1);
   /* To serd a file of nothing at all is a failure; what is wrong with it the reader knows better. */
   if (status != SERD_SUCCESS && status != SERD_FAILURE && !error->is_set) {
      if (ferror(file)) {
         bm_fail(error, "%s: %s", path, strerror(errno));
      } else {
         bm_fail_at(error, path, turtle->line, "not Turtle: %s", (const char*)serd_strerror(status));
      }
   }
   serd_reader_free(reader);
   fclose(file);
   turtle->file = NULL;
   if (error->is_set) {
      bm_turtle_free(turtle);
      return NULL;
   }
   return turtle;
}

void bm_turtle_free(BmTurtle* turtle)
{
   if (!turtle) {
      return;
   }
   for (uint32_t n = 0; n < turtle->n_terms; ++n) {
      free(turtle->terms[n]->text);
      free((char*)turtle->terms[n]->datatype);
      free(turtle->terms[n]->language);
      free(turtle->terms[n]);
   }
   for (uint32_t n = 0; n < turtle->n_statements; ++n) {
      free(turtle->statements[n]);
   }
   serd_env_free(turtle->env);
   free(turtle->terms);
   free(turtle->statements);
   free(turtle->subjects);
   free(turtle->table);
   free(turtle->base);
   free(turtle->path);
   free(turtle);
}

const char* bm_turtle_path(const BmTurtle* turtle)
{
   return turtle->path;
}

const char* bm_turtle_base(const BmTurtle* turtle)
{
   return turtle->base;
}

const BmTerm* bm_turtle_subject(const BmTurtle* turtle, uint32_t n)
{
   return n < turtle->n_subjects ? turtle->subjects[n] : NULL;
}

const BmStatement* bm_turtle_get(const BmTerm* subject, const char* predicate)
{
   const BmStatement* statement = subject->first;
   while (statement && strcmp(statement->predicate, predicate)) {
      statement = statement->next;
   }
   return statement;
}

const BmStatement* bm_turtle_next(const BmStatement* statement)
{
   const BmStatement* next = statement->next;
   while (next && strcmp(next->predicate, statement->predicate)) {
      next = next->next;
   }
   return next;
}

bool bm_turtle_is_a(const BmTerm* subject, const char* class_uri)
{
   for (const BmStatement* type = bm_turtle_get(subject, BM_RDF_NS "type"); type;
        type = bm_turtle_next(type)) {
      if (type->object->kind == BM_TERM_URI && !strcmp(type->object->text, class_uri)) {
         return true;
      }
   }
   return false;
}

bool bm_term_number(const BmTerm* term, double* number)
{
   if (term->kind != BM_TERM_LITERAL) {
      return false;
   }
   if (!strcmp(term->datatype, BM_XSD_NS "boolean")) {
      *number = !strcmp(term->text, "true") || !strcmp(term->text, "1") ? 1.0 : 0.0;
      return true;
   }
   static const char* const types[] = {BM_XSD_NS "integer", BM_XSD_NS "decimal", BM_XSD_NS "double",
                                       BM_XSD_NS "float",   BM_XSD_NS "int",     BM_XSD_NS "long"};
   for (size_t n = 0; n < sizeof(types) / sizeof(types[0]); ++n) {
      if (!strcmp(term->datatype, types[n])) {
         char* end = NULL;
         *number = strtod(term->text, &end);
         return end != term->text && !*end;
      }
   }
   return false;
}

char* bm_turtle_file(const BmTurtle* turtle, const BmTerm* term)
{
   if (term->kind == BM_TERM_URI) {
      if (strncmp(term->text, "file:", strlen("file:")) != 0) {
         return NULL;
      }
      uint8_t* path = serd_file_uri_parse((const uint8_t*)term->text, NULL);
      char* copy = bm_copy((const char*)path);
      serd_free(path);
      return copy;
   }
   if (term->kind == BM_TERM_BLANK) {
      return NULL;
   }
   if (term->text[0] == '/') {
      return bm_copy(term->text);
   }
   uint8_t* document = serd_file_uri_parse((const uint8_t*)turtle->base, NULL);
   char* slash = strrchr((char*)document, '/');
   char* path = bm_print("%.*s%s", slash ? (int)(slash + 1 - (char*)document) : 0, document, term->text);
   serd_free(document);
   return path;
}

static SerdNode serd_term(const BmTerm* term)
{
   const SerdType type = term->kind == BM_TERM_URI     ? SERD_URI
                         : term->kind == BM_TERM_BLANK ? SERD_BLANK
                                                       : SERD_LITERAL;
   return serd_node_from_string(type, (const uint8_t*)term->text);
}

/* Each subject once, even where blank nodes describe each other in a circle. */
static void write_subject(SerdWriter* writer, const BmTerm* subject, bool* is_written)
{
   is_written[subject->index] = true;
   const SerdNode s = serd_term(subject);
   for (const BmStatement* statement = subject->first; statement; statement = statement->next) {
      const BmTerm* object = statement->object;
      const SerdNode p = serd_node_from_string(SERD_URI, (const uint8_t*)statement->predicate);
      const SerdNode o = serd_term(object);
      const SerdNode type = serd_node_from_string(SERD_URI, (const uint8_t*)object->datatype);
      const SerdNode language = serd_node_from_string(SERD_LITERAL, (const uint8_t*)object->language);
      serd_writer_write_statement(writer, 0, NULL, &s, &p, &o, object->datatype[0] ? &type : NULL,
                                  object->language[0] ? &language : NULL);
   }
   for (const BmStatement* statement = subject->first; statement; statement = statement->next) {
      if (statement->object->kind == BM_TERM_BLANK && !is_written[statement->object->index]) {
         write_subject(writer, statement->object, is_written);
      }
   }
}

char* bm_turtle_write(const BmTurtle* turtle, const BmTerm* subject)
{
   SerdChunk chunk = {NULL, 0};
   SerdWriter* writer =
      serd_writer_new(SERD_NTRIPLES, (SerdStyle)0, turtle->env, NULL, serd_chunk_sink, &chunk);
   bool* is_written = bm_calloc(turtle->n_terms, sizeof(bool));
   write_subject(writer, subject, is_written);
   free(is_written);
   serd_writer_finish(writer);
   serd_writer_free(writer);
   uint8_t* text = serd_chunk_sink_finish(&chunk);
   char* copy = bm_copy((const char*)text);
   serd_free(text);
   return copy;
}
