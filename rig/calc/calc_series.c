/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calc/calc_series.h"

#include <stdlib.h>

void series_free(struct calc_series *s)
{
	csv_free(&s->table);
	free(s->y);
}

enum rc series_read(const char *path, const char *column, struct calc_series *ret, struct mistakes *m, struct err *err)
{
	struct calc_series s = { 0 };
	size_t at = 0;
	enum rc rc = csv_read(path, &s.table, m, err);

	if (rc)
		return rc;
	if (column && (rc = csv_need(&s.table, column, &at, err)))
		goto out;
	s.n = s.table.n_rows;
	s.name = s.table.column[at].name;
	s.unit = s.table.column[at].unit;
	s.y = calloc(s.n, sizeof *s.y);
	rc = s.y ? csv_numbers(&s.table, at, NULL, s.y, m, err) : err_set(err, RC_NOMEM, 0, "%s: out of memory", path);
out:
	if (rc)
		series_free(&s);
	else
		*ret = s;
	return rc;
}
