/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/offline.h"

#include "calc/calc_option.h"
#include "calib/number/uncertain.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static void name_unused(struct offline *o)
{
	for (size_t i = 0; i < o->table.n_columns; i++) {
		bool used = false;
		size_t n = strlen(o->unused);
		for (size_t k = 0; k < o->n_columns; k++)
			used = used || strcmp(o->table.column[i].name, o->column[k].name) == 0;
		if (!used)
			snprintf(o->unused + n, sizeof o->unused - n, "%s%.40s", n ? ", " : "",
				 o->table.column[i].name);
	}
}

enum rc offline_read(const char *from, const struct offline_column *columns, size_t n, struct offline *ret,
		     struct mistakes *m, struct err *err)
{
	*ret = (struct offline){ .n_columns = n };
	if (!from)
		return err_set(err, RC_ARG, 0, "--from is missing; give the table of readings, --from FILE.csv");
	enum rc rc = csv_read(from, &ret->table, m, err);
	ret->n = ret->table.n_rows;
	for (size_t i = 0; !rc && i < n; i++) {
		struct offline_column *c = &ret->column[i];
		*c = columns[i];
		c->value = NULL;
		size_t at;
		if (csv_find(&ret->table, c->name) < 0 && !c->needed)
			continue;
		if ((rc = csv_need(&ret->table, c->name, &at, err)))
			break;
		c->value = calloc(ret->n, sizeof *c->value);
		rc = !c->value ? err_set(err, RC_NOMEM, 0, "%s: out of memory", from)
		     : c->gaps ? csv_numbers_where(&ret->table, at, c->unit, c->value, m, err)
			       : csv_numbers(&ret->table, at, c->unit, c->value, m, err);
	}
	if (!rc)
		name_unused(ret);
	return rc;
}

void offline_free(struct offline *o)
{
	for (size_t i = 0; i < o->n_columns; i++)
		free(o->column[i].value);
	csv_free(&o->table);
}

int offline_run(const struct cli *cli, const char *from, const struct offline_work *work, void *state)
{
	struct offline o = { .n_columns = 0 };
	struct mistakes m = { 0 };
	struct err err = { 0 };
	enum rc rc = offline_read(from, work->columns, work->n_columns, &o, &m, &err);
	int status = 0;

	if (!rc)
		rc = work->find(&o, state, &err);
	if (rc)
		status = cli_fail(cli, &err, NULL, &m);
	else if (cli->json)
		status = cli_print_json(work->json(state));
	else
		work->text(state);
	if (!status && !cli->json && *o.unused)
		printf("Columns not used: %s.\n", o.unused);
	offline_free(&o);
	return status;
}

double *offline_column(const struct offline *o, const char *name)
{
	for (size_t i = 0; i < o->n_columns; i++)
		if (strcmp(o->column[i].name, name) == 0)
			return o->column[i].value;
	return NULL;
}

double *offline_take(struct offline *o, const char *name)
{
	for (size_t i = 0; i < o->n_columns; i++)
		if (strcmp(o->column[i].name, name) == 0) {
			double *value = o->column[i].value;
			o->column[i].value = NULL;
			return value;
		}
	return NULL;
}

static enum rc take_option(const struct offline_option *o, struct err *err)
{
	struct quantity q;
	enum rc rc = calc_option(o->name, o->text, o->unit, true, &q, err);

	if (!rc && o->positive && !(q.value > 0))
		return err_set(err, RC_ARG, 0, "--%s: found %g, expected a positive number", o->name, q.value);
	if (!rc)
		*o->ret = q.value;
	return rc;
}

enum rc offline_options(const struct offline_option *options, size_t n, struct err *err)
{
	enum rc rc = RC_OK;

	for (size_t i = 0; !rc && i < n; i++)
		if (options[i].text)
			rc = take_option(&options[i], err);
	return rc;
}

enum rc offline_list(const char *name, const char *text, const char *unit, double *ret, size_t size, size_t *ret_n,
		     struct err *err)
{
	enum rc rc = RC_OK;

	*ret_n = 0;
	for (const char *at = text; !rc && at; at = strchr(at, ',') ? strchr(at, ',') + 1 : NULL) {
		char one[80];
		snprintf(one, sizeof one, "%.*s", (int)strcspn(at, ","), at);
		if (*ret_n == size)
			return err_set(err, RC_ARG, 0, "--%s: more than %zu numbers", name, size);
		rc = take_option(&(struct offline_option){ name, one, unit, &ret[(*ret_n)++], false }, err);
	}
	return rc;
}

void offline_line(const char *label, double value, double u, double dof, const char *unit)
{
	char text[200];
	double k = dof >= 1 ? unc_coverage_factor(dof, 0.95) : 1.96;

	if (!isfinite(value))
		snprintf(text, sizeof text, "not known");
	else if (u > 1e-12 * fabs(value) && isfinite(u)) /* less is rounding */
		quantity_format(text, sizeof text, value, u, k, 0.95, unit);
	else
		snprintf(text, sizeof text, "%.5g %s", value, unit);
	printf("  %-26s %s\n", label, text);
}
