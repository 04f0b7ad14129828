/* SPDX-License-Identifier: ISC */
/* The pictures that every signal of a report may have. Each adds one or more figures to the page, or none if
   there is nothing to see; `n_columns` is how finely it is drawn. */
#ifndef BM_HARNESS_PICTURES_H
#define BM_HARNESS_PICTURES_H

#include "report.h"

#include <stdint.h>

/** Peaks over time with the automation on top. Before grows up from the middle and after grows down, as the
   two halves of a bookmatched plate. */
void bm_picture_waveform(BmText* page, const BmReportSignal* signal, uint32_t n_columns);

/** Long-term spectra, and how they changed beside the inserts' own curve. */
void bm_picture_spectra(BmText* page, const BmReportSignal* signal, uint32_t n_columns);

/** Momentary and short-term loudness over time. */
void bm_picture_loudness(BmText* page, const BmReportSignal* signal, uint32_t n_columns);

/** The traces that the renderer kept: gain reduction and the like. */
void bm_picture_traces(BmText* page, const BmReportSignal* signal, uint32_t n_columns);

/** Momentary loudness after minus before, where that moves. */
void bm_picture_gain_change(BmText* page, const BmReportSignal* signal, uint32_t n_columns);

/** Correlation of left and right over time, where they differ. */
void bm_picture_correlation(BmText* page, const BmReportSignal* signal, uint32_t n_columns);

/** The lowest sounding note over time, where one was found. */
void bm_picture_lowest_note(BmText* page, const BmReportSignal* signal, uint32_t n_columns);

#endif
