/* SPDX-License-Identifier: ISC */
/* What inserts cost: what left each against what came to it, as figures, and in words for whoever does not
 * read figures. */
#ifndef BM_HARNESS_INSERT_COST_H
#define BM_HARNESS_INSERT_COST_H

#include "measure.h"
#include "report.h"
#include "text.h"

#include <stdint.h>

/** How many changes an insert is weighed by. */
#define BM_N_INSERT_COSTS 6

typedef struct {
   const char* key;   /**< of the descriptor in measure.h whose change it is */
   const char* label; /**< for the report */
   const char* brief; /**< for a terminal */
   const char* unit;
   int decimals;
} BmInsertCost;

/** The `which`th, below BM_N_INSERT_COSTS. */
BmInsertCost bm_insert_cost(uint32_t which);

/** What `left` has more of than `came`; NaN where one of them is not finite. */
double bm_insert_cost_change(const BmMeasurement* came, const BmMeasurement* left, uint32_t which);

/** What an insert did, "1.4 LU louder, attack 0.8 dB softer"; to be freed. Changes that few would hear are
   left out: under 0.5 dB or LU, 1 dB of crest factor, 3 dB under the lowest note (common practice, no
   source). */
char* bm_insert_cost_words(const BmMeasurement* came, const BmMeasurement* left);

/** What of an insert's work asks for another look, as sentences that go on from its name, or NULL; to be
   freed: energy brought back under the lowest note, 1 LU louder or more, 1 LU lost in mono or more. Of a bus
   that only sends feed the level is no matter. */
char* bm_insert_cost_warning(const BmReportSignal* signal, uint32_t insert);

/** Whether the costs of `signals[which]` were told with an earlier one: two stems may come from one bus. */
bool bm_insert_costs_are_told(const BmReportSignal* signals, uint32_t which);

/** Add what every insert of `signals` cost, a table to be read in a terminal, and the warnings; nothing if no
   insert was measured. */
void bm_insert_costs_add_table(BmText* text, const BmReportSignal* signals, uint32_t n_signals);

/** Add the same as a JSON array of objects. */
void bm_insert_costs_add_json(BmText* text, const BmReportSignal* signals, uint32_t n_signals);

#endif
