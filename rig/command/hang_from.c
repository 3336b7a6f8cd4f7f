/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hang_from.h"

#include "profile/csv.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

static void mistake(struct mistakes *m, const struct csv *table, size_t row, size_t column, const char *expected)
{
	if (!m)
		return;
	if (m->n >= sizeof m->line / sizeof m->line[0]) {
		m->more++;
		return;
	}
	snprintf(m->line[m->n++], sizeof m->line[0], "%s:%u: %s: found \"%.60s\", expected %s", table->name,
		 table->line[row], table->column[column].name, csv_cell(table, row, column), expected);
}

static bool direction_of(const char *word, enum cellcal_direction *ret)
{
	static const char *const up[] = { "up", "rising", "+", "+1", "1", "loading" };
	static const char *const down[] = { "down", "falling", "-", "-1", "unloading" };

	for (size_t i = 0; i < sizeof up / sizeof up[0]; i++)
		if (strcasecmp(word, up[i]) == 0)
			return *ret = CELLCAL_UP, true;
	for (size_t i = 0; i < sizeof down / sizeof down[0]; i++)
		if (strcasecmp(word, down[i]) == 0)
			return *ret = CELLCAL_DOWN, true;
	return false;
}

/* A whole number from 1 up, or the value that stands for a missing column. */
static enum rc read_counts(const struct csv *table, const char *name, int missing, int *ret, struct mistakes *m)
{
	int column = csv_find(table, name);
	enum rc rc = RC_OK;

	for (size_t i = 0; i < table->n_rows; i++) {
		double value = missing;
		ret[i] = missing;
		if (column < 0)
			continue;
		if (csv_number(table, i, (size_t)column, &value, NULL) != RC_OK || !(value >= 1 && value <= 1000) ||
		    fabs(value - floor(value)) > 0) {
			mistake(m, table, i, (size_t)column, "a whole number from 1 to 1000");
			rc = RC_ARG;
			continue;
		}
		ret[i] = (int)value;
	}
	return rc;
}

static enum rc read_directions(const struct csv *table, struct cellcal_reading *reading, struct mistakes *m)
{
	int column = csv_find(table, "direction");
	enum rc rc = RC_OK;

	for (size_t i = 0; i < table->n_rows; i++) {
		reading[i].direction = CELLCAL_UP;
		if (column < 0 || direction_of(csv_cell(table, i, (size_t)column), &reading[i].direction))
			continue;
		mistake(m, table, i, (size_t)column, "up or down");
		rc = RC_ARG;
	}
	return rc;
}

static enum rc read_series(const struct csv *table, struct cellcal_reading *reading, struct mistakes *m,
			   struct err *err)
{
	int *number = calloc(table->n_rows, sizeof *number);

	if (!number)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = read_counts(table, "series", 1, number, m);
	for (size_t i = 0; i < table->n_rows; i++)
		reading[i].series = number[i];
	enum rc rc_mount = read_counts(table, "mounting", 1, number, m);
	for (size_t i = 0; i < table->n_rows; i++)
		reading[i].position = number[i];
	free(number);
	return rc ? rc : rc_mount;
}

static enum rc check_not_negative(const struct csv *table, size_t column, const double *value, const char *expected,
				  struct mistakes *m)
{
	enum rc rc = RC_OK;

	for (size_t i = 0; i < table->n_rows; i++)
		if (!(value[i] >= 0)) {
			mistake(m, table, i, column, expected);
			rc = RC_ARG;
		}
	return rc;
}

/* Torques as they stand, or masses on the arm. */
static enum rc read_loads(const struct csv *table, const struct hang_place *place, struct hang_table *ret,
			  struct mistakes *m, struct err *err)
{
	int torque = csv_find(table, "torque"), mass = csv_find(table, "mass");
	double *value = calloc(table->n_rows, sizeof *value);
	struct cellcal_load *load = calloc(table->n_rows, sizeof *load);
	enum rc rc;

	if (!value || !load)
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	else if (torque < 0 && mass < 0)
		rc = err_set(err, RC_ARG, 0,
			     "%s: no column \"torque (N.m)\" and no column \"mass (kg)\"; expected one of them",
			     table->name);
	else if (torque >= 0 && mass >= 0)
		rc = err_set(err, RC_ARG, 0, "%s: both a torque and a mass column; expected one of them", table->name);
	else if (torque >= 0)
		rc = csv_numbers(table, (size_t)torque, "N.m", value, m, err);
	else if (!place)
		rc = err_set(err, RC_ARG, 0,
			     "%s: masses need an arm and gravity: give --arm and --gravity, or --bench with a rig.ini",
			     table->name);
	else
		rc = csv_numbers(table, (size_t)mass, "kg", value, m, err);
	if (rc == RC_OK && torque < 0)
		rc = check_not_negative(table, (size_t)mass, value, "a mass of 0 kg or more", m);
	if (rc == RC_OK && torque < 0)
		rc = hang_masses_make(place, value, table->n_rows, load, ret->source, &ret->n_sources, err);
	for (size_t i = 0; rc == RC_OK && i < table->n_rows; i++) {
		ret->reading[i].load = load[i];
		if (torque >= 0)
			ret->reading[i].load.torque_Nm = value[i];
		else if (value[i] > 0)
			ret->Nm_per_kg = load[i].torque_Nm / value[i];
	}
	free(load);
	free(value);
	return rc;
}

/* One number says how well the torques are known; it is taken for common to all of them, as that of a lever is. */
static enum rc read_torque_u(const struct csv *table, struct hang_table *ret, struct mistakes *m, struct err *err)
{
	int column = csv_find(table, "u_torque");
	enum rc rc = RC_OK;

	if (column < 0)
		return RC_OK;
	if (csv_find(table, "torque") < 0)
		return err_set(err, RC_ARG, 0, "%s: a column \"u_torque (N.m)\" goes with a column \"torque (N.m)\"",
			       table->name);
	double *u = calloc(table->n_rows, sizeof *u);
	if (!u)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	rc = csv_numbers(table, (size_t)column, "N.m", u, m, err);
	if (rc == RC_OK)
		rc = check_not_negative(table, (size_t)column, u, "a standard uncertainty of 0 N.m or more", m);
	for (size_t i = 0; rc == RC_OK && i < table->n_rows; i++)
		ret->reading[i].load.shift_Nm[0] = u[i];
	ret->source[0] = (struct cellcal_source){ "reference torque", INFINITY, DIST_NORMAL };
	ret->n_sources = 1;
	free(u);
	return rc;
}

static enum rc read_indications(const struct csv *table, struct hang_table *ret, struct mistakes *m, struct err *err)
{
	size_t column;
	enum rc rc = csv_need(table, "indication", &column, err);

	if (rc != RC_OK)
		return rc;
	double *value = calloc(table->n_rows, sizeof *value);
	if (!value)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	rc = csv_numbers(table, column, NULL, value, m, err);
	for (size_t i = 0; rc == RC_OK && i < table->n_rows; i++)
		ret->reading[i].indication = value[i];
	snprintf(ret->unit, sizeof ret->unit, "%s", table->column[column].unit);
	free(value);
	return rc;
}

static enum rc known_columns(const struct csv *table, struct err *err)
{
	static const char *const known[] = { "series",   "mounting", "direction", "torque",
					     "u_torque", "mass",     "indication" };

	for (size_t i = 0; i < table->n_columns; i++) {
		bool found = false;
		for (size_t k = 0; k < sizeof known / sizeof known[0]; k++)
			found = found || strcmp(table->column[i].name, known[k]) == 0;
		if (!found)
			return err_set(err, RC_ARG, 0,
				       "%s: column \"%s\" is not known; expected series, mounting, direction, torque "
				       "(N.m) and u_torque (N.m), or mass (kg), indication",
				       table->name, table->column[i].name);
	}
	return RC_OK;
}

/* A stage that failed without a line in the list gets one, so that every mistake of the table shows. */
static enum rc listed(enum rc rc, size_t before, const struct err *stage, struct mistakes *m)
{
	if (rc == RC_OK || m->n + m->more > before || !stage->what[0])
		return rc;
	if (m->n < sizeof m->line / sizeof m->line[0])
		snprintf(m->line[m->n++], sizeof m->line[0], "%.299s", stage->what);
	else
		m->more++;
	return rc;
}

static size_t count(const struct mistakes *m)
{
	return m->n + m->more;
}

static enum rc read_columns(const struct csv *table, const struct hang_place *place, struct hang_table *ret,
			    struct mistakes *m, struct err *err)
{
	struct err e[6] = { 0 };
	size_t before = count(m);
	enum rc rc[6];

	rc[0] = listed(known_columns(table, &e[0]), before, &e[0], m);
	before = count(m);
	rc[1] = listed(read_indications(table, ret, m, &e[1]), before, &e[1], m);
	before = count(m);
	rc[2] = listed(read_loads(table, place, ret, m, &e[2]), before, &e[2], m);
	before = count(m);
	rc[3] = listed(read_series(table, ret->reading, m, &e[3]), before, &e[3], m);
	rc[4] = read_directions(table, ret->reading, m);
	before = count(m);
	rc[5] = rc[2] ? RC_OK : listed(read_torque_u(table, ret, m, &e[5]), before, &e[5], m);
	for (size_t i = 0; i < 6; i++) {
		if (rc[i] == RC_OK)
			continue;
		if (count(m) == 1)
			return err_set(err, rc[i], 0, "%s", m->line[0]);
		if (count(m) > 1)
			return err_set(err, rc[i], 0, "%s: %zu mistakes", table->name, count(m));
		return err_set(err, rc[i], 0, "%s", e[i].what);
	}
	return RC_OK;
}

enum rc hang_table_read(const char *path, const struct hang_place *place, struct hang_table *ret, struct mistakes *m,
			struct err *err)
{
	struct csv table = { 0 };
	struct mistakes none = { 0 };
	if (!m)
		m = &none;
	enum rc rc = csv_read(path, &table, m, err);

	if (rc != RC_OK)
		return rc;
	*ret = (struct hang_table){ .Nm_per_kg = NAN,
				    .n = table.n_rows,
				    .reading = calloc(table.n_rows, sizeof *ret->reading) };
	if (!ret->reading)
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	else
		rc = read_columns(&table, place, ret, m, err);
	csv_free(&table);
	if (rc != RC_OK)
		hang_table_free(ret);
	return rc;
}

void hang_table_free(struct hang_table *table)
{
	free(table->reading);
	*table = (struct hang_table){ 0 };
}
