/* SPDX-License-Identifier: ISC */
#ifndef BM_TEST_PAGE_TABLE_H
#define BM_TEST_PAGE_TABLE_H

#include <stdbool.h>

/** Whether two texts are the same but for figures that differ by no more than `tolerance`. */
bool page_is_same(const char* a, const char* b, double tolerance);

/**
   Put `table` between the lines "<!-- measured -->" and "<!-- /measured -->" of a page, or see that it stands
   there within `tolerance`. False, and a line on stderr, if it does not or there are no such lines.
*/
bool page_settle(const char* path, const char* table, double tolerance, bool is_write);

#endif
