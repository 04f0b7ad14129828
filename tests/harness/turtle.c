/* SPDX-License-Identifier: ISC */
#include "turtle.h"

#include <serd/serd.h>

#include <errno.h>
#include <limits.h>
#include <locale.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct BmTurtle {
   char* path;
   char* base;     /* file URI of the document */
   BmNode** nodes; /* [n_nodes], in order of mention */
   uint32_t n_nodes;
   uint32_t* table; /* [n_slots] open hash of node index + 1 */
   uint32_t n_slots;
   BmStatement** statements;
   uint32_t n_statements;
   const BmNode** predicates; /* unused slots are never read */
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

static uint64_t hash_node(BmNodeKind kind, const char* text, const char* datatype, const char* language)
{
   return hash_text(language, hash_text(datatype, hash_text(text, 14695981039346656037ULL + (uint64_t)kind)));
}

static void grow_table(BmTurtle* turtle)
{
   turtle->n_slots = turtle->n_slots ? turtle->n_slots * 2 : 256;
   free(turtle->table);
   turtle->table = bm_calloc(turtle->n_slots, sizeof(uint32_t));
   for (uint32_t n = 0; n < turtle->n_nodes; ++n) {
      const BmNode* node = turtle->nodes[n];
      uint64_t slot = hash_node(node->kind, node->text, node->datatype, node->language);
      while (turtle->table[slot & (turtle->n_slots - 1)]) {
         ++slot;
      }
      turtle->table[slot & (turtle->n_slots - 1)] = n + 1;
   }
}

/* The one node that is this; made when it is first mentioned. */
static BmNode* intern(BmTurtle* turtle, BmNodeKind kind, const char* text, const char* datatype,
                      const char* language)
{
   if (turtle->n_nodes * 2 >= turtle->n_slots) {
      grow_table(turtle);
   }
   uint64_t slot = hash_node(kind, text, datatype, language);
   for (;; ++slot) {
      const uint32_t entry = turtle->table[slot & (turtle->n_slots - 1)];
      if (!entry) {
         break;
      }
      BmNode* node = turtle->nodes[entry - 1];
      if (node->kind == kind && !strcmp(node->text, text) && !strcmp(node->datatype, datatype) &&
          !strcmp(node->language, language)) {
         return node;
      }
   }
   BmNode* node = bm_calloc(1, sizeof(BmNode));
   node->kind = kind;
   node->text = bm_copy(text);
   node->datatype = bm_copy(datatype);
   node->language = bm_copy(language);
   node->line = turtle->line;
   turtle->nodes = bm_realloc(turtle->nodes, turtle->n_nodes + 1u, sizeof(BmNode*));
   turtle->nodes[turtle->n_nodes++] = node;
   turtle->table[slot & (turtle->n_slots - 1)] = turtle->n_nodes;
   return node;
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

/* Absolute text of a node; the caller frees it. */
static char* expand(BmTurtle* turtle, const SerdNode* node)
{
   if (node->type == SERD_URI || node->type == SERD_CURIE) {
      SerdNode absolute = serd_env_expand_node(turtle->env, node);
      char* text = bm_copy(absolute.buf ? (const char*)absolute.buf : NULL);
      serd_node_free(&absolute);
      return text;
   }
   return bm_copy((const char*)node->buf);
}

static BmNode* to_node(BmTurtle* turtle, const SerdNode* node, const SerdNode* datatype,
                       const SerdNode* language)
{
   char* text = expand(turtle, node);
   if (!text) {
      bm_fail_at(turtle->error, turtle->path, turtle->line, "the prefix of %s is not declared", node->buf);
      return NULL;
   }
   char* type = datatype && datatype->buf ? expand(turtle, datatype) : bm_copy("");
   const BmNodeKind kind = node->type == SERD_LITERAL ? BM_NODE_LITERAL
                           : node->type == SERD_BLANK ? BM_NODE_BLANK
                                                      : BM_NODE_URI;
   BmNode* interned = NULL;
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

static SerdStatus on_base(void* handle, const SerdNode* uri)
{
   return serd_env_set_base_uri(((BmTurtle*)handle)->env, uri);
}

static SerdStatus on_prefix(void* handle, const SerdNode* name, const SerdNode* uri)
{
   return serd_env_set_prefix(((BmTurtle*)handle)->env, name, uri);
}

static SerdStatus on_statement(void* handle, SerdStatementFlags flags, const SerdNode* graph,
                               const SerdNode* subject, const SerdNode* predicate, const SerdNode* object,
                               const SerdNode* datatype, const SerdNode* language)
{
   (void)flags;
   (void)graph;
   BmTurtle* turtle = handle;
   BmNode* s = to_node(turtle, subject, NULL, NULL);
   BmNode* p = s ? to_node(turtle, predicate, NULL, NULL) : NULL;
   BmNode* o = p ? to_node(turtle, object, datatype, language) : NULL;
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
   bm_fail_at(turtle->error, turtle->path, serd_error->line ? serd_error->line : turtle->line,
              "not Turtle: %s", text);
   return SERD_SUCCESS;
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
   if (status != SERD_SUCCESS && !error->is_set) {
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
   for (uint32_t n = 0; n < turtle->n_nodes; ++n) {
      free(turtle->nodes[n]->text);
      free((char*)turtle->nodes[n]->datatype);
      free(turtle->nodes[n]->language);
      free(turtle->nodes[n]);
   }
   for (uint32_t n = 0; n < turtle->n_statements; ++n) {
      free(turtle->statements[n]);
   }
   serd_env_free(turtle->env);
   free(turtle->nodes);
   free(turtle->statements);
   free(turtle->table);
   free(turtle->base);
   free(turtle->path);
   free(turtle);
}

const char* bm_turtle_path(const BmTurtle* turtle)
{
   return turtle->path;
}

const BmNode* bm_turtle_subject(const BmTurtle* turtle, uint32_t n)
{
   for (uint32_t i = 0; i < turtle->n_nodes; ++i) {
      if (turtle->nodes[i]->first && !n--) {
         return turtle->nodes[i];
      }
   }
   return NULL;
}

const BmStatement* bm_turtle_get(const BmNode* subject, const char* predicate)
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

bool bm_turtle_is_a(const BmNode* subject, const char* class_uri)
{
   for (const BmStatement* type = bm_turtle_get(subject, BM_RDF_NS "type"); type;
        type = bm_turtle_next(type)) {
      if (type->object->kind == BM_NODE_URI && !strcmp(type->object->text, class_uri)) {
         return true;
      }
   }
   return false;
}

bool bm_node_number(const BmNode* node, double* number)
{
   if (node->kind != BM_NODE_LITERAL) {
      return false;
   }
   if (!strcmp(node->datatype, BM_XSD_NS "boolean")) {
      *number = !strcmp(node->text, "true") || !strcmp(node->text, "1") ? 1.0 : 0.0;
      return true;
   }
   static const char* const types[] = {BM_XSD_NS "integer", BM_XSD_NS "decimal", BM_XSD_NS "double",
                                       BM_XSD_NS "float",   BM_XSD_NS "int",     BM_XSD_NS "long"};
   for (size_t n = 0; n < sizeof(types) / sizeof(types[0]); ++n) {
      if (!strcmp(node->datatype, types[n])) {
         char* end = NULL;
         *number = strtod(node->text, &end);
         return end != node->text && !*end;
      }
   }
   return false;
}

char* bm_turtle_file(const BmTurtle* turtle, const BmNode* node)
{
   if (node->kind == BM_NODE_URI) {
      uint8_t* path = serd_file_uri_parse((const uint8_t*)node->text, NULL);
      char* copy = bm_copy((const char*)path);
      serd_free(path);
      return copy;
   }
   if (node->kind == BM_NODE_BLANK) {
      return NULL;
   }
   if (node->text[0] == '/') {
      return bm_copy(node->text);
   }
   uint8_t* document = serd_file_uri_parse((const uint8_t*)turtle->base, NULL);
   char* slash = strrchr((char*)document, '/');
   char* path = bm_print("%.*s%s", slash ? (int)(slash + 1 - (char*)document) : 0, document, node->text);
   serd_free(document);
   return path;
}

static SerdNode serd_node(const BmNode* node)
{
   const SerdType type = node->kind == BM_NODE_URI     ? SERD_URI
                         : node->kind == BM_NODE_BLANK ? SERD_BLANK
                                                       : SERD_LITERAL;
   return serd_node_from_string(type, (const uint8_t*)node->text);
}

static void write_subject(SerdWriter* writer, const BmNode* subject, uint32_t depth)
{
   const SerdNode s = serd_node(subject);
   for (const BmStatement* statement = subject->first; statement; statement = statement->next) {
      const SerdNode p = serd_node_from_string(SERD_URI, (const uint8_t*)statement->predicate);
      const SerdNode o = serd_node(statement->object);
      const SerdNode type = serd_node_from_string(SERD_URI, (const uint8_t*)statement->object->datatype);
      const SerdNode language =
         serd_node_from_string(SERD_LITERAL, (const uint8_t*)statement->object->language);
      serd_writer_write_statement(writer, 0, NULL, &s, &p, &o, statement->object->datatype[0] ? &type : NULL,
                                  statement->object->language[0] ? &language : NULL);
   }
   /* A blank node can be named in its own description; a host's preset is never deep. */
   for (const BmStatement* statement = subject->first; statement && depth < 32; statement = statement->next) {
      if (statement->object->kind == BM_NODE_BLANK) {
         write_subject(writer, statement->object, depth + 1);
      }
   }
}

char* bm_turtle_write(const BmTurtle* turtle, const BmNode* subject)
{
   SerdChunk chunk = {NULL, 0};
   SerdWriter* writer =
      serd_writer_new(SERD_NTRIPLES, (SerdStyle)0, turtle->env, NULL, serd_chunk_sink, &chunk);
   write_subject(writer, subject, 0);
   serd_writer_finish(writer);
   serd_writer_free(writer);
   uint8_t* text = serd_chunk_sink_finish(&chunk);
   char* copy = bm_copy((const char*)text);
   serd_free(text);
   return copy;
}
