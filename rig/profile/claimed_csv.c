/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/claimed_csv.h"

#include "profile/csv.h"

#include <stddef.h>

static const struct {
	const char *name, *unit, *gap_unit;
	size_t offset;
	double most;
	bool needed;
} columns[] = {
	{ "torque", "N.m", " N.m", offsetof(struct claimed_curve, torque_Nm), 1e5, true },
	{ "speed", "rpm", " rpm", offsetof(struct claimed_curve, speed_rpm), 1e5, true },
	{ "efficiency", "1", "", offsetof(struct claimed_curve, efficiency), 1, false },
	{ "current", "A", " A", offsetof(struct claimed_curve, current_A), 1e4, false },
};

static enum rc check_range(const struct csv *t, size_t k, const double *value, struct err *err)
{
	for (size_t i = 0; i < t->n_rows; i++)
		if (!(value[i] >= 0 && value[i] <= columns[k].most))
			return err_set(err, RC_ARG, 0, "%s:%u: %s is %g%s, expected 0 to %g", t->name, t->line[i],
				       columns[k].name, value[i], columns[k].gap_unit, columns[k].most);
	return RC_OK;
}

/* ret false where the table has no such column. */
static enum rc read_column(const struct csv *t, size_t k, struct claimed_curve *curve, bool *ret, struct mistakes *m,
			   struct err *err)
{
	double *value = (double *)(void *)((char *)curve + columns[k].offset);
	int at = csv_find(t, columns[k].name);
	size_t column;

	*ret = at >= 0;
	if (at < 0)
		return columns[k].needed ? csv_need(t, columns[k].name, &column, err) : RC_OK;
	enum rc rc = csv_numbers(t, (size_t)at, columns[k].unit, value, m, err);
	return rc != RC_OK ? rc : check_range(t, k, value, err);
}

static enum rc read_table(const struct csv *t, struct claimed_curve *curve, struct mistakes *m, struct err *err)
{
	bool there[sizeof columns / sizeof columns[0]];
	enum rc rc = RC_OK;

	if (t->n_rows < 2 || t->n_rows > CLAIMED_POINTS)
		return err_set(err, RC_ARG, 0, "%s: %zu row%s, expected the 2 to %d points of a curve", t->name,
			       t->n_rows, t->n_rows == 1 ? "" : "s", CLAIMED_POINTS);
	for (size_t k = 0; rc == RC_OK && k < sizeof columns / sizeof columns[0]; k++)
		rc = read_column(t, k, curve, &there[k], m, err);
	for (size_t i = 1; rc == RC_OK && i < t->n_rows; i++)
		if (!(curve->torque_Nm[i] > curve->torque_Nm[i - 1]))
			return err_set(err, RC_ARG, 0, "%s:%u: torque %g N.m after %g N.m; expected it to rise",
				       t->name, t->line[i], curve->torque_Nm[i], curve->torque_Nm[i - 1]);
	if (rc != RC_OK)
		return rc;
	curve->n = t->n_rows;
	curve->has_efficiency = there[2];
	curve->has_current = there[3];
	return RC_OK;
}

enum rc claimed_csv_read(const char *path, struct claimed_curve *ret, struct mistakes *m, struct err *err)
{
	struct claimed_curve curve = { 0 };
	struct csv table = { 0 };
	enum rc rc = csv_read(path, &table, m, err);

	if (rc == RC_OK)
		rc = read_table(&table, &curve, m, err);
	csv_free(&table);
	if (rc == RC_OK)
		*ret = curve;
	return rc;
}
