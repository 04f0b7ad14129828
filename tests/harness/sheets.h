/* SPDX-License-Identifier: ISC */
/* The style sheets and the script of the pages; the build makes their text from the files of these names. */
#ifndef BM_HARNESS_SHEETS_H
#define BM_HARNESS_SHEETS_H

extern const char bm_sheet_audition_css[];
extern const char bm_sheet_audition_js[];
extern const char bm_sheet_plot_css[];
extern const char bm_sheet_report_css[];
extern const char bm_sheet_report_js[];

#endif
