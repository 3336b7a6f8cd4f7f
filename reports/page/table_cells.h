/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Cells of the tables that are written: comma-separated, a point as decimal sign. */
#ifndef BRIDLE_REPORTS_PAGE_TABLE_CELLS_H
#define BRIDLE_REPORTS_PAGE_TABLE_CELLS_H

#include <stdio.h>

/* A comma and the number with ten digits behind it; the comma alone where it is not finite. */
void table_number(FILE *f, double value);
/* In double quotes, those within it twice; no comma. */
void table_text(FILE *f, const char *text);

#endif
