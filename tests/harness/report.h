/* SPDX-License-Identifier: ISC */
#ifndef BM_HARNESS_REPORT_H
#define BM_HARNESS_REPORT_H

#include "measure.h"
#include "plot.h"
#include "response.h"

#include <stdbool.h>
#include <stdint.h>

/*
   The report: one HTML file a session, all in it but the audio, which lies beside it and is linked by
   relative paths (a two-hour stem has no place inside a page). No network.

   Every word handed in is plain UTF-8, from anywhere; the writer escapes it. Pointers are borrowed until the
   writer returns. The page depends on nothing but what is handed in, so the same session gives the same
   bytes.
*/

/** A line of the heading: "Sample rate", "48 kHz". */
typedef struct {
   const char* label;
   const char* value;
} BmReportFact;

/** One control of an insert. */
typedef struct {
   const char* symbol; /**< as in the session file */
   const char* name;   /**< as the plugin names it */
   double value;
   const char* value_label; /**< of the scale point it stands on; NULL if it has none */
   const char* unit;        /**< "dB", "Hz"; NULL if it has none */
   bool is_changed;         /**< differs from the plugin's default; these are shown first */
   bool is_automated;
} BmReportSetting;

typedef struct {
   const char* name; /**< the plugin's */
   const char* uri;
   bool is_bypassed;
   uint32_t latency_frames;
   const BmReportSetting* settings;
   uint32_t n_settings;
   const BmResponse* response; /**< its own curve with these settings; NULL where a curve would say little */
   const BmPlot* figures;      /**< more about this insert: static curve, attack and release, decay */
   uint32_t n_figures;
   const BmMeasurement* came; /**< what was given to it, and what it gave; both NULL: not measured */
   const BmMeasurement* left;
} BmReportInsert;

/** Breakpoints of one control, drawn over the waveform. */
typedef struct {
   const char* label; /**< insert and control */
   const char* unit;  /**< NULL if it has none */
   double min;        /**< the control's range: the waveform's bottom and top */
   double max;
   bool is_log;
   bool is_held; /**< steps instead of ramps */
   const double* time_s;
   const double* value;
   uint32_t n_points;
} BmReportAutomation;

/** A trace over time that only the renderer knows: gain reduction of a compressor, in dB (0 or below). */
typedef struct {
   const char* label;
   const char* unit;
   const double* time_s;
   const double* value;
   uint32_t n_points;
} BmReportTrace;

/** One signal of the session with what came in and what went out: a track, a bus, the mix. */
typedef struct {
   const char* name;
   const char* kind; /**< "Track", "Bus", "Stem" */
   const char* note; /**< a sentence from the session; NULL if none */
   const BmAnalysis* before;
   const BmAnalysis* after;
   const char* before_audio; /**< path of the file relative to the page; NULL: no player */
   const char* after_audio;
   const BmReportInsert* inserts;
   uint32_t n_inserts;
   const BmReportAutomation* automation;
   uint32_t n_automation;
   const BmReportTrace* traces;
   uint32_t n_traces;
   const BmPlot* figures; /**< more about this signal: goniometer, mid and side */
   uint32_t n_figures;
} BmReportSignal;

typedef struct {
   const char* title;
   const char* summary; /**< what the session is about; NULL if none */
   const BmReportFact* facts;
   uint32_t n_facts;
   const BmReportSignal* signals;
   uint32_t n_signals;
} BmReport;

/** Write the page to `path`; an older one stays until the new one is whole. False, and errno, if it cannot.
 */
bool bm_report_write(const BmReport* report, const char* path);

/** The most players that a card of the index has. */
#define BM_INDEX_MAX_PLAYERS 5u

typedef struct {
   const char* label;
   const char* audio; /**< path relative to the index */
   const char* words; /**< what it measures, in a line; NULL if that is not known */
   double integrated_lufs;
   bool is_before;
} BmReportIndexPlayer;

/** One session on the index page. */
typedef struct {
   const char* title;
   const char* summary;                /**< NULL if none */
   const char* chain;                  /**< the plugins it uses; NULL if none */
   const char* page;                   /**< path of its report relative to the index */
   const char* audition;               /**< path of the page to choose by ear; NULL if none */
   const BmReportIndexPlayer* players; /**< [n_players] held at equal loudness */
   uint32_t n_players;
   const BmAnalysis* before; /**< of which the outline is drawn; NULL if none */
   const BmAnalysis* after;
} BmReportIndexEntry;

/** Write the page that leads to many reports. False, and errno, if it cannot. */
bool bm_report_write_index(const char* title, const char* summary, const BmReportIndexEntry* entries,
                           uint32_t n_entries, const char* path);

/** Write a page of pictures alone, with `words` above them. False, and errno, if it cannot. */
bool bm_report_write_figures(const char* title, const char* words, const BmPlot* plots, uint32_t n_plots,
                             const char* path);

#endif
