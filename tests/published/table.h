/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Data of published examples for the tests beside this file: read or fail. */
#ifndef BRIDLE_TESTS_PUBLISHED_TABLE_H
#define BRIDLE_TESTS_PUBLISHED_TABLE_H

#include "calib/number/number.h"
#include "profile/csv.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static inline struct csv table_open(const char *name)
{
	char path[400];
	struct csv table;
	struct err err = { 0 };

	snprintf(path, sizeof path, "%s/tests/published/data/%s", SOURCE_ROOT, name);
	if (csv_read(path, &table, NULL, &err))
		fail_msg("%s", err.what);
	return table;
}

/* A column by name; malloc'ed, the caller's. */
static inline double *table_column(const struct csv *table, const char *name)
{
	size_t at;
	struct err err = { 0 };
	double *x = malloc(table->n_rows * sizeof *x);

	assert_non_null(x);
	if (csv_need(table, name, &at, &err) || csv_numbers(table, at, NULL, x, NULL, &err))
		fail_msg("%s", err.what);
	return x;
}

/* Cell of the row in which column a holds va and column b holds vb, as a number; NaN when there is none. */
static inline double table_lookup(const struct csv *table, const char *va, const char *vb, const char *column)
{
	size_t at;
	double value = NAN;

	assert_int_equal(csv_need(table, column, &at, NULL), RC_OK);
	for (size_t i = 0; i < table->n_rows; i++)
		if (strcmp(csv_cell(table, i, 0), va) == 0 && strcmp(csv_cell(table, i, 1), vb) == 0 &&
		    number_parse(csv_cell(table, i, at), &value, NULL))
			value = NAN;
	return value;
}

/* Digits that agree with a certified value: the base-ten logarithm of the relative error (of the absolute one for
 * a certified zero), at most 15. */
static inline double table_digits(double got, double certified)
{
	double error = fabs(got - certified) / (fabs(certified) > 0 ? fabs(certified) : 1);

	if (isnan(error))
		return 0;
	return error > 0 ? fmin(15, fmax(0, -log10(error))) : 15;
}

#endif
