/* SPDX-License-Identifier: ISC */
/*
   A session: what is to be rendered, read from one Turtle file and checked, so that a render can only fail by
   what it cannot foresee. The language is described in SESSION.md.
*/
#ifndef BM_HARNESS_SESSION_H
#define BM_HARNESS_SESSION_H

#include "audio_file.h"
#include "error.h"
#include "host.h"

#include <stdbool.h>
#include <stdint.h>

/** How the way from one breakpoint to the next is filled. */
typedef enum {
   BM_SEGMENT_LINEAR,
   BM_SEGMENT_HELD,      /**< the value stays until the next breakpoint */
   BM_SEGMENT_GEOMETRIC, /**< equal ratios in equal times; both values above 0 */
} BmSegment;

typedef struct {
   double time_s;
   double value;
   BmSegment to_next;
} BmBreakpoint;

/** A control over time: the first value before the first breakpoint, the last value after the last. */
typedef struct {
   BmBreakpoint*
      points; /**< [n_points], by time; of two at one time the later in the file counts from there on */
   uint32_t n_points; /**< 0: not automated */
} BmAutomation;

/** A control of an insert that the session sets, automates, or both. */
typedef struct {
   const BmPort* port;
   bool is_set;
   float value;
   BmAutomation automation;
} BmSetting;

typedef struct {
   const BmPlugin* plugin;
   char* label;         /**< the plugin's name if the session gives none */
   char* preset;        /**< URI of an installed preset, applied before the settings; NULL: none */
   char* preset_file;   /**< the same as a file; NULL: none */
   char* state;         /**< Turtle of state properties, applied after the preset; NULL: none */
   BmSetting* settings; /**< [n_settings] */
   uint32_t n_settings;
   bool is_bypassed;
   uint32_t n_in;  /**< channels that arrive: 1 or 2 */
   uint32_t n_out; /**< channels that leave */
   uint32_t line;
} BmInsert;

/** The most alternatives that a session can offer. */
#define BM_MAX_ALTERNATIVES 9u

/** One of the choices that a session leaves open: what stands at its places differs, all else is the same. */
typedef struct {
   char* label;
   char* note;    /**< "" if the session gives none */
   bool is_empty; /**< no insert at any of its places */
   uint32_t line;
} BmAlternative;

/** The inserts of a node with one alternative chosen. */
typedef struct {
   BmInsert* inserts; /**< [n_inserts] */
   uint32_t n_inserts;
   uint32_t n_out; /**< channels after the fader */
   /** The inserts as Turtle, "bm:inserts ( ... )", with the prefixes of SESSION.md; NULL where nothing
    * varies, or where it would be too long to read. */
   char* turtle;
} BmChain;

/** From one track or bus into another bus. */
typedef struct {
   uint32_t to;  /**< index of the bus in BmSession.nodes */
   bool is_send; /**< false: the output, at 0 dB */
   bool is_pre_fader;
   double gain_db;
   BmAutomation gain;
   uint32_t line;
} BmRoute;

/** A track or a bus: what comes in, through inserts, fader and pan, out on its routes. */
typedef struct {
   char* id;    /**< its URI's fragment */
   char* label; /**< `id` if the session gives none */
   char* note;  /**< "" if the session gives none */
   bool is_track;
   char* take;                              /**< path; NULL for a bus */
   uint32_t take_channels[BM_MAX_CHANNELS]; /**< [n_take_channels] from 1; of the file */
   uint32_t n_take_channels;
   uint64_t take_frames; /**< at the session's rate */
   int64_t offset_frames;
   bool is_inverted;
   BmChain* chains; /**< [n_chains] one for each alternative, or one alone where nothing varies */
   uint32_t n_chains;
   const BmInsert* inserts; /**< [n_inserts] of the chain that is chosen */
   uint32_t n_inserts;
   double gain_db;
   BmAutomation gain;
   bool has_pan; /**< else a mono signal stays mono as far as it may */
   double pan;   /**< -1 left, 1 right */
   BmAutomation pan_automation;
   bool is_muted;
   uint32_t n_in;   /**< channels before the inserts */
   uint32_t n_out;  /**< channels after the fader */
   BmRoute* routes; /**< [n_routes] */
   uint32_t n_routes;
   bool is_used; /**< leads to a stem */
   uint32_t line;
} BmNode;

typedef struct {
   char* label;
   char* file; /**< name of the file in the output folder */
   BmSampleFormat format;
   uint32_t from; /**< index of the track or bus in BmSession.nodes */
   uint32_t line;
} BmStem;

typedef struct {
   char* path;  /**< as given */
   char* name;  /**< file name without its ending */
   char* title; /**< `name` if the session gives none */
   char* note;  /**< "" if the session gives none */
   double rate_hz;
   double max_tail_s; /**< how long to wait for silence after the last take */
   BmNode* nodes;     /**< [n_nodes], each after all that feed it */
   uint32_t n_nodes;
   BmStem* stems; /**< [n_stems], in the order of the file */
   uint32_t n_stems;
   BmAlternative*
      alternatives; /**< [n_alternatives] in the order of their first place; none: nothing varies */
   uint32_t n_alternatives;
   uint32_t choice;         /**< the one that the session names, or the first */
   uint32_t alternative;    /**< that is chosen; `choice` after reading */
   uint64_t content_frames; /**< until the last take ends */
   char** warnings;         /**< [n_warnings] lines about what is legal and yet surely not meant */
   uint32_t n_warnings;
} BmSession;

/**
   Read and check.

   @param takes_folder  where takes with a relative name are; NULL: they count from the session's own folder.
   @return NULL with an error that names file and line; else free with bm_session_free().
*/
BmSession* bm_session_read(BmHost* host, const char* path, const char* takes_folder, BmError* error);
void bm_session_free(BmSession* session);

/** Choose an alternative; not while the session is rendered. */
void bm_session_choose(BmSession* session, uint32_t alternative);

/** The longest tail a session may ask for, and the one it gets if it asks for none. */
#define BM_MAX_TAIL_S 600.0
#define BM_DEFAULT_TAIL_S 10.0

/** Every word that a session may use, for the test that the manual explains each. NULL past the end. */
const char* bm_session_word(uint32_t n);

#endif
