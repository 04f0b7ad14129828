/* SPDX-License-Identifier: ISC */
/*
   A Turtle file as a small graph that remembers in which line each statement stands, so that an error about
   what a statement means can point to it. Parsing is serd's.
*/
#ifndef BM_HARNESS_TURTLE_H
#define BM_HARNESS_TURTLE_H

#include "error.h"

#include <stdbool.h>
#include <stdint.h>

typedef enum { BM_TERM_URI, BM_TERM_BLANK, BM_TERM_LITERAL } BmTermKind;

typedef struct BmStatement BmStatement;

/** A URI, blank term or literal. */
typedef struct BmTerm {
   BmTermKind kind;
   char* text;               /**< absolute URI, blank name, or the literal's characters */
   const char* datatype;     /**< URI; "" for none */
   char* language;           /**< "" for none */
   uint32_t line;            /**< of its first statement as a subject, else of its first mention */
   uint32_t index;           /**< among all terms of the file */
   const BmStatement* first; /**< its statements as a subject, in the order of the file; NULL: none */
   BmStatement* last;
} BmTerm;

struct BmStatement {
   const BmTerm* subject;
   const char* predicate; /**< absolute URI */
   const BmTerm* object;
   uint32_t line;
   const BmStatement* next; /**< of the same subject */
};

typedef struct BmTurtle BmTurtle;

/** Read the file. @return NULL with an error that names file and line; else free with bm_turtle_free(). */
BmTurtle* bm_turtle_read(const char* path, BmError* error);
void bm_turtle_free(BmTurtle* turtle);

/** The path as it was given, for error lines. */
const char* bm_turtle_path(const BmTurtle* turtle);

/** The file URI of the document: what relative URIs count from. */
const char* bm_turtle_base(const BmTurtle* turtle);

/** Subject number `n` in order of first mention; NULL past the end. */
const BmTerm* bm_turtle_subject(const BmTurtle* turtle, uint32_t n);

/** The first statement of `subject` with this predicate, or NULL. */
const BmStatement* bm_turtle_get(const BmTerm* subject, const char* predicate);

/** The next statement after `statement` with the same subject and predicate, or NULL. */
const BmStatement* bm_turtle_next(const BmStatement* statement);

/** Say whether `subject` is an rdf:type of `class_uri`. */
bool bm_turtle_is_a(const BmTerm* subject, const char* class_uri);

/** Read a number from a literal (integer, decimal, double, boolean as 0 or 1). False if it is none. */
bool bm_term_number(const BmTerm* term, double* number);

/**
   Turn a literal or file URI into a path: relative literals count from the folder of the Turtle file, as
   relative URIs do. The caller frees it; NULL for another scheme.
*/
char* bm_turtle_file(const BmTurtle* turtle, const BmTerm* term);

/** Write `subject` and the blank terms it reaches as Turtle text. The caller frees it. */
char* bm_turtle_write(const BmTurtle* turtle, const BmTerm* subject);

#define BM_RDF_NS "http://www.w3.org/1999/02/22-rdf-syntax-ns#"
#define BM_RDFS_NS "http://www.w3.org/2000/01/rdf-schema#"
#define BM_XSD_NS "http://www.w3.org/2001/XMLSchema#"

#endif
