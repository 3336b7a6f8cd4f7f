/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One column of a table, for the topics of `bridle calc` that take readings in the order of time. */
#ifndef BRIDLE_CALC_CALC_SERIES_H
#define BRIDLE_CALC_CALC_SERIES_H

#include "calib/number/err.h"
#include "profile/csv.h"

struct calc_series {
	struct csv table;
	double *y;
	size_t n;
	const char *name, *unit; /* of the column; borrowed from table */
};

/* column NULL: the first. ret is the caller's (series_free) on success only. Errors as csv_read's. */
enum rc series_read(const char *path, const char *column, struct calc_series *ret, struct mistakes *m,
		    struct err *err) MUST_CHECK;
void series_free(struct calc_series *s);

#endif
