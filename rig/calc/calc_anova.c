/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calc/calc.h"

#include "calib/fit/stats.h"
#include "terminal/cli.h"
#include "profile/csv.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct groups {
	struct csv table;
	double *y;
	size_t *group, n, n_groups;
	const char **name; /* n_groups of them, borrowed from table */
	double *mean, *count;
};

static void groups_free(struct groups *g)
{
	csv_free(&g->table);
	free(g->y);
	free(g->group);
	free(g->name);
	free(g->mean);
	free(g->count);
}

static enum rc room_for(struct groups *g, size_t values, size_t groups, struct err *err)
{
	g->y = calloc(values, sizeof *g->y);
	g->group = calloc(values, sizeof *g->group);
	g->name = calloc(groups, sizeof *g->name);
	g->mean = calloc(groups, sizeof *g->mean);
	g->count = calloc(groups, sizeof *g->count);
	if (!g->y || !g->group || !g->name || !g->mean || !g->count)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", g->table.name);
	return RC_OK;
}

/* Every column a group; a column that is shorter ends in empty cells. */
static enum rc by_column(struct groups *g, struct err *err)
{
	enum rc rc = room_for(g, g->table.n_rows * g->table.n_columns, g->table.n_columns, err);

	for (size_t j = 0; !rc && j < g->table.n_columns; j++) {
		g->name[j] = g->table.column[j].name;
		for (size_t i = 0; i < g->table.n_rows; i++) {
			if (!*csv_cell(&g->table, i, j))
				continue;
			rc = csv_number(&g->table, i, j, &g->y[g->n], err);
			if (rc)
				return rc;
			g->group[g->n++] = j;
		}
	}
	g->n_groups = g->table.n_columns;
	return rc;
}

static size_t group_of(struct groups *g, const char *name)
{
	for (size_t k = 0; k < g->n_groups; k++)
		if (strcmp(g->name[k], name) == 0)
			return k;
	g->name[g->n_groups] = name;
	return g->n_groups++;
}

static enum rc by_name(struct groups *g, const char *group, const char *y, struct mistakes *m, struct err *err)
{
	size_t at_group, at_y;
	enum rc rc;

	if (!y)
		return err_set(err, RC_ARG, 0, "calc anova: --group needs --y, the column of the values");
	if ((rc = csv_need(&g->table, group, &at_group, err)) || (rc = csv_need(&g->table, y, &at_y, err)) ||
	    (rc = room_for(g, g->table.n_rows, g->table.n_rows, err)) ||
	    (rc = csv_numbers(&g->table, at_y, NULL, g->y, m, err)))
		return rc;
	g->n = g->table.n_rows;
	for (size_t i = 0; i < g->n; i++)
		g->group[i] = group_of(g, csv_cell(&g->table, i, at_group));
	return RC_OK;
}

static void fill_means(struct groups *g)
{
	for (size_t i = 0; i < g->n; i++)
		g->count[g->group[i]]++;
	for (size_t i = 0; i < g->n; i++)
		g->mean[g->group[i]] += g->y[i] / g->count[g->group[i]];
}

/* The component between groups, from the expected mean squares: (MS_between - MS_within) by the mean size of a group,
 * 0 when that is negative (JCGM 100:2008, H.5.2.5, for groups of one size). */
static double sd_between(const struct groups *g, const struct stats_anova *a)
{
	double squares = 0, n = (double)g->n;

	for (size_t k = 0; k < g->n_groups; k++)
		squares += g->count[k] * g->count[k];
	double size = (n - squares / n) / a->dof_between;
	return sqrt(fmax(0, (a->ss_between / a->dof_between - a->ss_within / a->dof_within) / size));
}

/* Two groups of two or more values each; false otherwise. */
static bool two_groups(const struct groups *g, struct stats_two_sample *ret)
{
	bool known = false;

	if (g->n_groups != 2)
		return false;
	double *sorted = calloc(g->n, sizeof *sorted);
	size_t n[2] = { 0, 0 }, first = (size_t)g->count[0];
	for (size_t i = 0; sorted && i < g->n; i++)
		sorted[g->group[i] * first + n[g->group[i]]++] = g->y[i];
	if (sorted)
		known = stats_two_sample(sorted, n[0], sorted + first, n[1], ret, NULL) == RC_OK;
	free(sorted);
	return known;
}

static int anova_json(const struct groups *g, const struct stats_anova *a)
{
	json_t *list = json_array(), *two = NULL;
	struct stats_two_sample t;

	for (size_t k = 0; k < g->n_groups; k++)
		json_array_append_new(list, json_pack("{s:o, s:I, s:o}", "name", cli_text(g->name[k]), "n",
						      (json_int_t)g->count[k], "mean",
						      g->count[k] > 0 ? cli_real(g->mean[k]) : json_null()));
	if (two_groups(g, &t))
		two = json_pack("{s:{s:o, s:o, s:o}, s:{s:o, s:o, s:o}}", "pooled", "t", cli_real(t.t_pooled), "dof",
				cli_real(t.dof_pooled), "p", cli_real(t.p_pooled), "welch", "t", cli_real(t.t_welch),
				"dof", cli_real(t.dof_welch), "p", cli_real(t.p_welch));
	return cli_print_json(json_pack("{s:s, s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "topic",
					"anova", "n", (json_int_t)g->n, "groups", list, "ss_between",
					cli_real(a->ss_between), "dof_between", cli_real(a->dof_between), "ss_within",
					cli_real(a->ss_within), "dof_within", cli_real(a->dof_within), "F",
					cli_real(a->F), "p", cli_real(a->p), "r_squared", cli_real(a->r_squared),
					"sd_within", cli_real(a->sd_within), "sd_between", cli_real(sd_between(g, a)),
					"two_groups", two ? two : json_null()));
}

static void anova_text(const struct groups *g, const struct stats_anova *a)
{
	struct stats_two_sample t;

	for (size_t k = 0; k < g->n_groups; k++)
		if (g->count[k] > 0)
			printf("  %-20s %6.0f values, mean %.8g\n", g->name[k], g->count[k], g->mean[k]);
	printf("\n  %-16s %14s %6s %14s\n", "", "sum of squares", "dof", "mean square");
	printf("  %-16s %14.7g %6.0f %14.7g\n", "between groups", a->ss_between, a->dof_between,
	       a->ss_between / a->dof_between);
	printf("  %-16s %14.7g %6.0f %14.7g\n\n", "within groups", a->ss_within, a->dof_within,
	       a->ss_within / a->dof_within);
	printf("F = %.5g, p = %.3g: ", a->F, a->p);
	puts(a->p < 0.05 ? "the groups differ (5 % test)." : "no difference between the groups is shown (5 % test).");
	printf("Standard deviation within a group %.5g, between groups %.5g\n", a->sd_within, sd_between(g, a));
	if (two_groups(g, &t))
		printf("Two groups: t = %.5g with %.1f degrees of freedom (equal scatter), %.5g with %.1f (Welch)\n",
		       t.t_pooled, t.dof_pooled, t.t_welch, t.dof_welch);
}

int calc_anova(int argc, char **argv)
{
	const char *group = NULL, *y = NULL;
	const struct cli_option options[] = {
		{ "group", "COLUMN", "the column that names the group of each row (default: every column is a group)",
		  &group, NULL },
		{ "y", "COLUMN", "the column of the values, with --group", &y, NULL },
	};
	const struct cli_spec spec = { "calc anova",
				       "calc anova FILE.csv [--group COLUMN --y COLUMN]",
				       "One-way analysis of variance: do the groups (days, mountings, operators) "
				       "differ by more than the scatter inside them? "
				       "Sums of squares, F and its probability, the scatter within and between. "
				       "Columns may be of unlike length: leave the "
				       "cells below a shorter one empty.",
				       "  bridle calc anova SiRstvt.csv --json\n"
				       "    NIST StRD SiRstvt: between 5.11462616e-02 (4), within 2.1663656e-01 (20),\n"
				       "    F 1.18046237440255\n",
				       CLI_TAKES(options),
				       1,
				       1 };
	struct groups g = { 0 };
	struct cli cli;
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct stats_anova a;
	int status = 0;

	if (cli_parse(&spec, argc, argv, &cli, &err))
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	if (y && !group)
		err_set(&err, RC_ARG, 0, "calc anova: --y goes with --group; without it every column is a group");
	if ((y && !group) || csv_read(cli.args[0], &g.table, &m, &err))
		return cli_fail(&cli, &err, NULL, &m);
	if ((group ? by_name(&g, group, y, &m, &err) : by_column(&g, &err)) ||
	    stats_anova(g.y, g.group, g.n, g.n_groups, &a, &err)) {
		status = cli_fail(&cli, &err, NULL, &m);
	} else {
		fill_means(&g);
		if (cli.json)
			status = anova_json(&g, &a);
		else
			anova_text(&g, &a);
	}
	groups_free(&g);
	return status;
}
