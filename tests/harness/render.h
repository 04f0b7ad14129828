/* SPDX-License-Identifier: ISC */
/*
   A session at work: takes through inserts and buses to stems, block by block, in memory that does not grow
   with the length. What comes out depends on the session, the takes and the plugins alone.
*/
#ifndef BM_HARNESS_RENDER_H
#define BM_HARNESS_RENDER_H

#include "error.h"
#include "host.h"
#include "session.h"

#include <signal.h>
#include <stdbool.h>
#include <stdint.h>

/** After the takes, every stem has to stay below this for this long. */
#define BM_TAIL_QUIET_LIN 1e-5f /* -100 dBFS */
#define BM_TAIL_QUIET_S 1.0

/** More points than this have pairs made one. */
#define BM_TRACE_MAX_POINTS 2048u

/** An output control of an insert over time, about 50 points a second on short sessions. */
typedef struct {
   const BmPort* port;
   double point_s; /**< time from one point to the next; point 0 stands at 0 */
   float* min;     /**< [n_points] */
   float* max;
   float* mean;
   uint32_t n_points;
} BmTrace;

/** What an insert was and did in a render. */
typedef struct {
   const float* values; /**< [n_ports] of control inputs as the render begins */
   uint32_t latency_frames;
   const BmTrace* traces; /**< [n_traces] */
   uint32_t n_traces;
} BmInsertRecord;

/** The next frames at the output of one node: as many channels as it has there. */
typedef struct {
   const float* before[BM_MAX_CHANNELS]; /**< without inserts and sends */
   const float* after[BM_MAX_CHANNELS];
} BmTapBlock;

/** The next frames at one place inside a node, as they pass: later than the session by the latency up to
 * there. */
typedef struct {
   uint32_t node;  /**< index in the session */
   uint32_t place; /**< 0: what arrives at the inserts, n: out of insert n, n_inserts + 1: out of the fader */
   const float* channels[BM_MAX_CHANNELS];
   uint32_t n_channels;
   uint32_t n_frames;
   uint32_t late_frames;
} BmInsideBlock;

typedef struct {
   void* user;
   /** Hear the next frames of all taps, the stems first; all are aligned. False, with the error set, ends the
    * render. */
   bool (*hear)(void* user, const BmTapBlock* taps, uint32_t n_frames, BmError* error);
   /** Hear the next frames of one tap, before or after its inserts, ahead of `hear`. Called for different
      ones from different threads at a time; NULL: not. */
   void (*hear_tap)(void* user, uint32_t tap, bool is_after, const float* const* channels, uint32_t n_frames);
   /** Hear a place inside, of each node that leads to a stem and each insert that is not bypassed; NULL: not.
    * Called for different nodes from different threads at a time. */
   void (*hear_inside)(void* user, const BmInsideBlock* block);
   /** Called about 50 times a second of audio; NULL: not. `total` still grows while a tail rings. */
   void (*progress)(void* user, uint64_t done_frames, uint64_t total_frames);
   /** Nobody listens to what is before: it is left silent. */
   bool without_before;
   /** When it becomes true the render fails as interrupted. NULL: never. */
   const volatile sig_atomic_t* stop;
   /** Tracks and buses that do not feed each other run side by side on so many; 0: on all processors. The
       bytes are the same. `hear` and `progress` are called by the caller's thread only. */
   uint32_t n_threads;
} BmRenderSink;

/** Where the time of a run went: processor seconds, added up over the threads. */
typedef struct {
   const char* what;   /**< a plugin's URI, or what else is done, in words */
   uint32_t n_inserts; /**< of that plugin; 0 for the rest */
   double seconds;
} BmRenderCost;

typedef struct BmRender BmRender;

/** Start an insert's plugin as a render does: preset, state, settings, first breakpoints. @return NULL with
   the error set. */
BmInstance* bm_insert_start(BmHost* host, const BmInsert* insert, double rate_hz, uint32_t max_frames,
                            BmError* error);

/** Open the takes and start the plugins. Borrows host and session. @return NULL with the error set. */
BmRender* bm_render_new(BmHost* host, const BmSession* session, BmError* error);
void bm_render_free(BmRender* render);

/** Tap another node that leads to a stem; before the run only. Its place is after the stems, in the order of
 * calls. */
void bm_render_listen(BmRender* render, uint32_t node);

/** Render once, from beginning to end. False with the error set. */
bool bm_render_run(BmRender* render, const BmRenderSink* sink, BmError* error);

/** The most frames that a stem can have. */
uint64_t bm_render_max_frames(const BmRender* render);

/** An insert of a node that leads to a stem and is not bypassed; NULL for others. Traces are there after the
 * run. */
const BmInsertRecord* bm_render_insert(const BmRender* render, uint32_t node, uint32_t insert);

/**
   What the run has cost, dearest first.

   @param n_costs set to how many there are.
   @return freed by the caller; the words live as long as the render.
*/
BmRenderCost* bm_render_costs(const BmRender* render, uint32_t* n_costs);

/** How many threads the run had. */
uint32_t bm_render_n_threads(const BmRender* render);

/** How many frames the sound that arrives at a node's inserts is later than the session. */
uint32_t bm_render_lateness(const BmRender* render, uint32_t node);

/** Lines about what went other than a user would expect; NULL past the end. */
const char* bm_render_warning(const BmRender* render, uint32_t n);

#endif
