/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Tables that people type: comma-separated values with headings "name (unit)".
 *
 * The first line that is neither empty nor a comment holds the headings; a line that begins with # is a comment. Fields
 * may be quoted ("" inside stands for "), and quoted ones may go over lines. Line ends are LF or CRLF; a byte order
 * mark is skipped. When the line of headings has no comma outside quotes, semicolons or else tabs separate. Blanks
 * around a cell are no part of it. Numbers have a decimal point. */
#ifndef BRIDLE_PROFILE_CSV_H
#define BRIDLE_PROFILE_CSV_H

#include "calib/number/err.h"
#include "profile/mistakes.h"

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

/* Bytes of the largest file that is read: more would only fill the memory. A pipe or a device may have no end. */
#define CSV_MOST (256 << 20)

struct csv_column {
	const char *name, *unit; /* unit "" when none stands there */
};

struct csv {
	char *name; /* of the file, for messages */
	char separator;
	size_t n_columns, n_rows;
	struct csv_column *column;
	uint32_t *cell; /* n_rows * n_columns, row after row: where in text; "" when empty */
	unsigned *line; /* of each row */
	char *text;     /* the file; names and units point into it */
	size_t room;    /* cells allocated */
};

/* Read a table. Mistakes of its shape (a row with too few or too many cells, a quote left open, two columns of one
 * name) are all collected; m may be NULL. ret: given to the caller on success only, end it with csv_free. RC_ARG
 * mistakes; no headings; no rows; more than CSV_MOST bytes; RC_IO cannot be read; RC_NOMEM. */
enum rc csv_read(const char *path, struct csv *ret, struct mistakes *m, struct err *err) MUST_CHECK;
void csv_free(struct csv *table); /* of zeros is fine */

/* Index of the column of that name (case counts), or -1. */
int csv_find(const struct csv *table, const char *name);
/* The same, and a sentence that lists the columns there are when it is missing. */
enum rc csv_need(const struct csv *table, const char *name, size_t *ret, struct err *err) MUST_CHECK;

const char *csv_cell(const struct csv *table, size_t row, size_t column);

/* One cell as a finite number, as it stands. RC_ARG with file, line and column. */
enum rc csv_number(const struct csv *table, size_t row, size_t column, double *ret, struct err *err) MUST_CHECK;

/* A whole column as finite numbers into ret (n_rows of them), turned from the column's unit into the given one ("N.m",
 * "rpm"; offsets of temperatures counted). unit NULL: as they stand. A heading without a unit is a mistake then, unless
 * unit is "1". Every wrong cell is a mistake of its own. m may be NULL. RC_ARG. */
enum rc csv_numbers(const struct csv *table, size_t column, const char *unit, double *ret, struct mistakes *m,
		    struct err *err) MUST_CHECK;
/* The same where a cell may be empty: NaN. */
enum rc csv_numbers_where(const struct csv *table, size_t column, const char *unit, double *ret, struct mistakes *m,
			  struct err *err) MUST_CHECK;

#endif
