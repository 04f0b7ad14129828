/* SPDX-License-Identifier: ISC */
/* What a render tells about itself: it listens while the session is rendered, measures the stems, and writes
 * the page. */
#ifndef BM_HARNESS_SESSION_REPORT_H
#define BM_HARNESS_SESSION_REPORT_H

#include "error.h"
#include "host.h"
#include "measure.h"
#include "progress.h"
#include "render.h"
#include "report.h"
#include "session.h"
#include "stems.h"

#include <signal.h>
#include <stdbool.h>
#include <stdint.h>

/** Tracks and buses that have a place of their own in the report, beside the stems. */
#define BM_REPORT_MAX_NODES 24u

typedef struct BmSessionReport BmSessionReport;

/**
   Choose what to listen to and begin; before the render runs.

   A track or bus with inserts has its own place, unless it is itself a stem; the first BM_REPORT_MAX_NODES of
   them. Borrows all three until bm_session_report_free().
*/
BmSessionReport* bm_session_report_new(BmHost* host, const BmSession* session, BmRender* render,
                                       BmError* error);
void bm_session_report_free(BmSessionReport* report);

/** Hear one side of a tap as BmRenderSink gives it. */
void bm_session_report_hear(BmSessionReport* report, uint32_t tap, bool is_after,
                            const float* const* channels, uint32_t n_frames);

/** Hear a place inside as BmRenderSink gives it: what comes to each insert and what leaves it, where that
 * says more than before and after do. */
void bm_session_report_hear_inside(BmSessionReport* report, const BmInsideBlock* block);

/** What bm_session_report_write() is told beside the report itself. */
typedef struct {
   const BmStems* stems; /**< published */
   const char* path;     /**< of the page, beside the stems */
   const char* recall;   /**< the command that tells whether the session still sounds like this */
   BmProgress* progress; /**< told of each stem that is measured */
   /** When it becomes true, writing fails as interrupted. */
   const volatile sig_atomic_t* stop;
} BmReportTask;

/** Measure the stems and write the page. False with the error set. */
bool bm_session_report_write(BmSessionReport* report, const BmReportTask* task, BmError* error);

/** What was measured of a stem, before and after; after bm_session_report_write(). */
const BmMeasurement* bm_session_report_figures(const BmSessionReport* report, uint32_t stem, bool before);

/** What was told of the stems, and of each track and bus with a place of its own; none before
   bm_session_report_write(). Borrowed until bm_session_report_free(). */
const BmReportSignal* bm_session_report_signals(const BmSessionReport* report, uint32_t* n_signals);

#endif
