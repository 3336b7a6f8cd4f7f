/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle calc settle, brakemap and lag: what map and sweep do with their readings, from a table. */
#include "calc/calc.h"

#include "calib/brake/brakemap.h"
#include "calib/number/number.h"
#include "calib/fit/stats.h"
#include "terminal/cli.h"
#include "profile/csv.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <strings.h>

#define COUNT(a) (sizeof(a) / sizeof(a)[0])
#define LIST 32

static enum rc column_of(const struct csv *t, const char *name, const char *unit, double **ret, struct mistakes *m,
			 struct err *err)
{
	size_t column;
	enum rc rc = csv_need(t, name, &column, err);

	if (rc)
		return rc;
	*ret = calloc(t->n_rows, sizeof **ret);
	if (!*ret)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", t->name);
	return csv_numbers(t, column, unit, *ret, m, err);
}

static enum rc positive(const char *topic, const char *name, const char *text, double *ret, struct err *err)
{
	if (number_parse(text, ret, NULL) || !(*ret > 0) || !isfinite(*ret))
		return err_set(err, RC_ARG, 0, "calc %s: --%s: found \"%.40s\", expected a positive number", topic,
			       name, text);
	return RC_OK;
}

/* --- settle --- */
struct settle_job {
	double window, limit, k;
	struct stats_slope end;
	double settled_at;
	bool settled;
	size_t n;
};

static enum rc settle_run(const char *name, const double *t, const double *y, size_t n, struct settle_job *job,
			  struct err *err)
{
	struct stats_settle s;

	stats_settle_begin(&s, job->window);
	job->settled_at = NAN;
	for (size_t i = 0; i < n; i++) {
		if (i > 0 && !(t[i] > t[i - 1]))
			return err_set(err, RC_ARG, 0, "%s: the time %g follows %g: expected rising times", name, t[i],
				       t[i - 1]);
		stats_settle_add(&s, t[i], y[i]);
		job->settled = stats_settled(&s, job->limit, job->k);
		if (!job->settled)
			job->settled_at = NAN;
		else if (isnan(job->settled_at))
			job->settled_at = t[i];
	}
	job->end = stats_settle_slope(&s);
	if (!job->end.known)
		return err_set(
			err, RC_ARG, 0,
			"%s: %g of record do not fill a window of %g with readings in at least 6 of its %d stretches",
			name, t[n - 1] - t[0], job->window, STATS_SETTLE_BINS);
	return RC_OK;
}

static int settle_show(const struct cli *cli, const struct settle_job *job)
{
	bool asked = isfinite(job->limit);

	if (cli->json)
		return cli_print_json(
			json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "window", cli_real(job->window), "mean",
				  cli_real(job->end.mean), "slope", cli_real(job->end.slope_per_s), "u_slope",
				  cli_real(job->end.u_slope_per_s), "limit", cli_real(job->limit), "k",
				  cli_real(job->k), "settled", asked ? json_boolean(job->settled) : json_null(),
				  "settled_at", cli_real(asked ? job->settled_at : NAN)));
	printf("over the last %g: mean %.10g, slope %.6g, u %.4g\n", job->window, job->end.mean, job->end.slope_per_s,
	       job->end.u_slope_per_s);
	if (asked && job->settled)
		printf("settled, and has been since %g: |slope| + %g u is inside %g\n", job->settled_at, job->k,
		       job->limit);
	else if (asked)
		printf("not settled: |slope| + %g u is %.4g, the limit %g\n", job->k,
		       fabs(job->end.slope_per_s) + job->k * job->end.u_slope_per_s, job->limit);
	return 0;
}

int calc_settle(int argc, char **argv)
{
	const char *window = NULL, *limit = NULL, *k = "1", *t_name = "t", *y_name = "y";
	const struct cli_option options[] = {
		{ "window", "T", "length of the window, in the unit of t", &window, NULL },
		{ "limit", "S",
		  "most that the slope may be, its error included, per unit of t (default: none, no verdict)", &limit,
		  NULL },
		{ "k", "K", "standard errors that are added to the slope (default: 1)", &k, NULL },
		{ "t", "COLUMN", "times (default: t)", &t_name, NULL },
		{ "y", "COLUMN", "readings (default: y)", &y_name, NULL },
	};
	const struct cli_spec spec = { "calc settle",
				       "calc settle FILE.csv --window T [options]",
				       "The settle test of a sweep: the last window in 24 stretches, a straight line "
				       "through their means; settled when |slope| "
				       "plus its standard error is inside the limit. Says since when.",
				       "  bridle calc settle step.csv --window 10 --limit 0.01\n",
				       options,
				       COUNT(options),
				       1,
				       1 };
	struct settle_job job = { .limit = INFINITY };
	struct cli cli;
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct csv table = { 0 };
	double *t = NULL, *y = NULL;
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	if (rc)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	if (!window)
		rc = err_set(&err, RC_ARG, 0,
			     "calc settle: --window is missing; give the time over which the slope is taken");
	if (!rc)
		rc = positive("settle", "window", window, &job.window, &err);
	if (!rc && limit)
		rc = positive("settle", "limit", limit, &job.limit, &err);
	if (!rc)
		rc = positive("settle", "k", k, &job.k, &err);
	if (!rc)
		rc = csv_read(cli.args[0], &table, &m, &err);
	if (!rc && !(rc = column_of(&table, t_name, NULL, &t, &m, &err)) &&
	    !(rc = column_of(&table, y_name, NULL, &y, &m, &err)))
		rc = settle_run(table.name, t, y, table.n_rows, &job, &err);
	int status = rc ? cli_fail(&cli, &err, NULL, &m) : settle_show(&cli, &job);
	free(t);
	free(y);
	csv_free(&table);
	return status;
}

/* --- lag --- */
int calc_lag(int argc, char **argv)
{
	const struct cli_spec spec = { "calc lag",
				       "calc lag FILE.csv [options]",
				       "Time constant of a first-order response to a step, by least squares: columns t "
				       "(s), from the step on, and torque (N.m).",
				       "  bridle calc lag step.csv --json\n",
				       NULL,
				       0,
				       1,
				       1 };
	struct cli cli;
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct csv table = { 0 };
	double *t = NULL, *y = NULL, lag, u;
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	if (rc)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	rc = csv_read(cli.args[0], &table, &m, &err);
	if (!rc && !(rc = column_of(&table, "t", "s", &t, &m, &err)) &&
	    !(rc = column_of(&table, "torque", "N.m", &y, &m, &err))) {
		rc = brakemap_lag(t, y, table.n_rows, &lag, &u, &err);
		if (rc)
			err_prefix(&err, "%s: ", table.name);
	}
	int status = rc ? cli_fail(&cli, &err, NULL, &m) : 0;
	if (!rc && cli.json)
		status = cli_print_json(json_pack("{s:o, s:o}", "lag_s", cli_real(lag), "u_lag_s", cli_real(u)));
	else if (!rc)
		printf("lag %.6g s, u %.2g s\n", lag, u);
	free(t);
	free(y);
	csv_free(&table);
	return status;
}

/* --- brakemap --- */
struct map_job {
	struct csv table;
	double *current, *torque, *u, *slip;
	struct brakemap_reading *reading;
	struct brakemap map;
	size_t n_ask;
	double ask_Nm[LIST];
};

static enum rc branches(struct map_job *job, struct err *err)
{
	size_t column;
	enum rc rc = csv_need(&job->table, "branch", &column, err);

	for (size_t i = 0; !rc && i < job->table.n_rows; i++) {
		const char *word = csv_cell(&job->table, i, column);
		bool rising = strcasecmp(word, "rising") == 0, falling = strcasecmp(word, "falling") == 0;
		if (!rising && !falling)
			return err_set(err, RC_ARG, 0, "%s:%u: branch: found \"%.40s\", expected rising or falling",
				       job->table.name, job->table.line[i], word);
		job->reading[i] = (struct brakemap_reading){ .current_A = job->current[i],
							     .torque_Nm = job->torque[i],
							     .u_torque_Nm = job->u ? job->u[i] : 0,
							     .slip_rpm = job->slip ? job->slip[i] : 0,
							     .branch = rising ? BRAKEMAP_RISING : BRAKEMAP_FALLING };
		if (!(job->reading[i].u_torque_Nm >= 0))
			return err_set(err, RC_ARG, 0, "%s:%u: u_torque is %g, expected 0 N.m or more", job->table.name,
				       job->table.line[i], job->u[i]);
	}
	return rc;
}

static enum rc map_read(const char *path, struct map_job *job, struct mistakes *m, struct err *err)
{
	enum rc rc = csv_read(path, &job->table, m, err);

	if (!rc)
		rc = column_of(&job->table, "current", "A", &job->current, m, err);
	if (!rc)
		rc = column_of(&job->table, "torque", "N.m", &job->torque, m, err);
	if (!rc && csv_find(&job->table, "u_torque") >= 0)
		rc = column_of(&job->table, "u_torque", "N.m", &job->u, m, err);
	if (!rc && csv_find(&job->table, "slip") >= 0)
		rc = column_of(&job->table, "slip", "rpm", &job->slip, m, err);
	if (rc)
		return rc;
	job->reading = calloc(job->table.n_rows, sizeof *job->reading);
	if (!job->reading)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", path);
	if ((rc = branches(job, err)))
		return rc;
	rc = brakemap_fit(job->reading, job->table.n_rows, &job->map, err);
	if (rc)
		err_prefix(err, "%s: ", job->table.name);
	return rc;
}

static enum rc torques_asked(const char *text, struct map_job *job, struct err *err)
{
	for (const char *at = text; at; at = strchr(at, ',') ? strchr(at, ',') + 1 : NULL) {
		char one[64];
		snprintf(one, sizeof one, "%.*s", (int)strcspn(at, ","), at);
		if (job->n_ask == LIST || number_parse(one, &job->ask_Nm[job->n_ask], NULL))
			return err_set(err, RC_ARG, 0,
				       "calc brakemap: --torque: found \"%.60s\", expected at most %d numbers (N.m) "
				       "with commas "
				       "between",
				       text, LIST);
		job->n_ask++;
	}
	return RC_OK;
}

static json_t *branch_json(const struct brakemap_curve *c)
{
	json_t *list = json_array();

	for (size_t i = 0; i < c->n; i++)
		json_array_append_new(list, json_pack("{s:o, s:o, s:o, s:o}", "current_A", cli_real(c->current_A[i]),
						      "torque_Nm", cli_real(c->torque_Nm[i]), "u_torque_Nm",
						      cli_real(c->u_torque_Nm[i]), "slope_Nm_per_A",
						      cli_real(c->slope_Nm_per_A[i])));
	return list;
}

static json_t *inverse_json(const struct map_job *job)
{
	json_t *list = json_array();

	for (size_t i = 0; i < job->n_ask; i++)
		json_array_append_new(
			list, json_pack("{s:o, s:o, s:o}", "torque_Nm", cli_real(job->ask_Nm[i]), "current_rising_A",
					cli_real(brakemap_current(&job->map, BRAKEMAP_RISING, job->ask_Nm[i])),
					"current_falling_A",
					cli_real(brakemap_current(&job->map, BRAKEMAP_FALLING, job->ask_Nm[i]))));
	return list;
}

static int map_json(const struct map_job *job)
{
	const struct brakemap *b = &job->map;

	return cli_print_json(json_pack(
		"{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "drag_Nm",
		cli_real(b->drag_Nm), "u_drag_Nm", cli_real(b->u_drag_Nm), "remanence_Nm", cli_real(b->remanence_Nm),
		"u_remanence_Nm", cli_real(b->u_remanence_Nm), "slope_Nm_per_A", cli_real(b->slope_Nm_per_A),
		"u_slope_Nm_per_A", cli_real(b->u_slope_Nm_per_A), "linear_from_A", cli_real(b->linear_from_A),
		"linear_to_A", cli_real(b->linear_to_A), "slip_slope_Nm_per_rpm", cli_real(b->slip_slope_Nm_per_rpm),
		"u_slip_slope_Nm_per_rpm", cli_real(b->u_slip_slope_Nm_per_rpm), "max_A", cli_real(b->max_A), "rising",
		branch_json(&b->branch[BRAKEMAP_RISING]), "falling", branch_json(&b->branch[BRAKEMAP_FALLING]),
		"inverse", inverse_json(job)));
}

static int map_text(const struct map_job *job)
{
	const struct brakemap *b = &job->map;

	printf("drag       %.5g N\u00b7m, u %.2g\nremanence  %.5g N\u00b7m, u %.2g\n", b->drag_Nm, b->u_drag_Nm,
	       b->remanence_Nm, b->u_remanence_Nm);
	if (b->linear_to_A > b->linear_from_A)
		printf("slope      %.6g N\u00b7m/A, u %.2g, from %.4g A to %.4g A\n", b->slope_Nm_per_A,
		       b->u_slope_Nm_per_A, b->linear_from_A, b->linear_to_A);
	else
		puts("slope      no stretch is straight");
	if (isfinite(b->slip_slope_Nm_per_rpm))
		printf("slip       %.6f N\u00b7m/rpm, u %.6f\n", b->slip_slope_Nm_per_rpm, b->u_slip_slope_Nm_per_rpm);
	printf("\n  %10s %12s %12s\n", "current, A", "rising, N\u00b7m", "falling, N\u00b7m");
	for (int i = 0; i <= 10; i++)
		printf("  %10.4g %12.5g %12.5g\n", b->max_A * i / 10,
		       brakemap_torque(b, BRAKEMAP_RISING, b->max_A * i / 10),
		       brakemap_torque(b, BRAKEMAP_FALLING, b->max_A * i / 10));
	for (size_t i = 0; i < job->n_ask; i++)
		printf("%g N\u00b7m takes %.5g A rising, %.5g A falling\n", job->ask_Nm[i],
		       brakemap_current(b, BRAKEMAP_RISING, job->ask_Nm[i]),
		       brakemap_current(b, BRAKEMAP_FALLING, job->ask_Nm[i]));
	return 0;
}

int calc_brakemap(int argc, char **argv)
{
	const char *torque = NULL;
	const struct cli_option options[] = {
		{ "torque", "T,T,...", "the current for these torques (N.m), by branch", &torque, NULL },
	};
	const struct cli_spec spec = { "calc brakemap",
				       "calc brakemap FILE.csv [options]",
				       "A brake's map from readings: columns current (A), torque (N.m), branch (rising "
				       "or falling) and, where known, slip (rpm) and "
				       "u_torque (N.m, standard uncertainty). Branches, drag, remanence, the linear "
				       "stretch that a test finds, dependence on slip, "
				       "and the current that a torque takes.",
				       "  bridle calc brakemap readings.csv --torque 10,20 --json\n",
				       options,
				       COUNT(options),
				       1,
				       1 };
	struct map_job job = { .n_ask = 0 };
	struct cli cli;
	struct err err = { 0 };
	struct mistakes m = { 0 };

	if (cli_parse(&spec, argc, argv, &cli, &err))
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	enum rc rc = torques_asked(torque, &job, &err);
	if (!rc)
		rc = map_read(cli.args[0], &job, &m, &err);
	int status = rc ? cli_fail(&cli, &err, NULL, &m) : cli.json ? map_json(&job) : map_text(&job);
	free(job.current);
	free(job.torque);
	free(job.u);
	free(job.slip);
	free(job.reading);
	csv_free(&job.table);
	return status;
}
