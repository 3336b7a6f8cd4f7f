/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/torque_table.h"

#include "profile/csv.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

static const struct {
	const char *name;
	size_t offset;
	double factor;
	bool is_int;
} fields[] = {
	{ "class", offsetof(struct torque_class, value), 1, false },
	{ "repeatability", offsetof(struct torque_class, repeatability_frac), 0.01, false },
	{ "reproducibility", offsetof(struct torque_class, reproducibility_frac), 0.01, false },
	{ "fit", offsetof(struct torque_class, fit_frac), 0.01, false },
	{ "zero", offsetof(struct torque_class, zero_frac), 0.01, false },
	{ "reversibility", offsetof(struct torque_class, reversibility_frac), 0.01, false },
	{ "resolutions", offsetof(struct torque_class, least_resolutions), 1, false },
	{ "reference", offsetof(struct torque_class, reference_frac), 0.01, false },
	{ "positions", offsetof(struct torque_class, least_positions), 1, true },
	{ "steps", offsetof(struct torque_class, least_steps), 1, true },
};
#define FIELDS (sizeof fields / sizeof fields[0])

static enum rc read_field(const struct csv *t, size_t row, size_t field, size_t column, struct torque_class *c,
			  struct err *err)
{
	char *at = (char *)c + fields[field].offset;
	double value = NAN;

	if (*csv_cell(t, row, column) || field == 0 || fields[field].is_int) {
		enum rc rc = csv_number(t, row, column, &value, err);
		if (rc)
			return rc;
		if (!(value >= 0 && value <= 1e6))
			return err_set(err, RC_ARG, 0, "%s:%u: \"%s\" is %g, expected 0 to 1e6", t->name, t->line[row],
				       fields[field].name, value);
	}
	if (fields[field].is_int)
		*(int *)(void *)at = (int)value;
	else
		*(double *)(void *)at = value * fields[field].factor;
	return RC_OK;
}

static enum rc read_rows(const struct csv *t, const char *name, struct torque_table *ret, struct err *err)
{
	size_t column[FIELDS], table_column;
	enum rc rc = csv_need(t, "table", &table_column, err);

	for (size_t f = 0; !rc && f < FIELDS; f++)
		rc = csv_need(t, fields[f].name, &column[f], err);
	for (size_t i = 0; !rc && i < t->n_rows; i++) {
		if (strcmp(csv_cell(t, i, table_column), name) != 0)
			continue;
		if (ret->n == TORQUECAL_CLASSES)
			return err_set(err, RC_ARG, 0, "%s:%u: more than %d classes of \"%s\"", t->name, t->line[i],
				       TORQUECAL_CLASSES, name);
		for (size_t f = 0; !rc && f < FIELDS; f++)
			rc = read_field(t, i, f, column[f], &ret->row[ret->n], err);
		snprintf(ret->row[ret->n].label, sizeof ret->row[0].label, "%s", csv_cell(t, i, column[0]));
		if (!rc && ret->n && !(ret->row[ret->n].value > ret->row[ret->n - 1].value))
			return err_set(err, RC_ARG, 0, "%s:%u: class %g after %g; expected the classes in rising order",
				       t->name, t->line[i], ret->row[ret->n].value, ret->row[ret->n - 1].value);
		ret->n++;
	}
	if (!rc && ret->n == 0)
		return err_set(err, RC_ARG, 0, "%s: no rows with \"%s\" in the column \"table\"", t->name, name);
	return rc;
}

enum rc torque_table_read(const char *path, const char *name, struct torque_table *ret, struct mistakes *m,
			  struct err *err)
{
	struct torque_table table = { .n = 0 };
	struct csv csv;
	enum rc rc = csv_read(path, &csv, m, err);

	if (rc)
		return rc;
	const char *slash = strrchr(path, '/');
	snprintf(table.name, sizeof table.name, "%.20s of %.38s", name, slash ? slash + 1 : path);
	rc = read_rows(&csv, name, &table, err);
	csv_free(&csv);
	if (!rc)
		*ret = table;
	return rc;
}
