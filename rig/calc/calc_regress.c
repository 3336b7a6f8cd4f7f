/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calc/calc_regress.h"

#include "calib/number/number.h"
#include "calib/number/uncertain.h"
#include "calc/calc.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static enum rc number_option(const char *name, const char *text, double low, double high, double *ret, struct err *err)
{
	if (!text)
		return RC_OK;
	if (number_parse(text, ret, NULL) || !(*ret >= low && *ret <= high))
		return err_set(err, RC_ARG, 0, "calc regress: --%s: found \"%.40s\", expected a number from %g to %g",
			       name, text, low, high);
	return RC_OK;
}

static enum rc list_option(const char *name, const char *text, struct number_list *ret, struct err *err)
{
	for (const char *at = text; at; at = strchr(at, ',') ? strchr(at, ',') + 1 : NULL) {
		char one[64];
		snprintf(one, sizeof one, "%.*s", (int)strcspn(at, ","), at);
		if (ret->n == sizeof ret->value / sizeof ret->value[0] || number_parse(one, &ret->value[ret->n], NULL))
			return err_set(err, RC_ARG, 0,
				       "calc regress: --%s: found \"%.60s\", expected at most %zu numbers with commas "
				       "between",
				       name, text, sizeof ret->value / sizeof ret->value[0]);
		ret->n++;
	}
	return RC_OK;
}

static enum rc read_options(const struct regress_options *o, struct regress_job *job, struct err *err)
{
	double degree = 1;
	enum rc rc;

	job->coverage = 0.95;
	job->u_invert = NAN;
	if ((rc = number_option("degree", o->degree, 1, REGRESS_DEGREE, &degree, err)) ||
	    (rc = number_option("coverage", o->coverage, 0.5, 0.9999, &job->coverage, err)) ||
	    (rc = number_option("u-invert", o->u_invert, 0, 1e100, &job->u_invert, err)) ||
	    (rc = list_option("predict", o->predict, &job->predict, err)) ||
	    (rc = list_option("invert", o->invert, &job->invert, err)))
		return rc;
	if (fabs(degree - floor(degree)) > 0)
		return err_set(err, RC_ARG, 0, "calc regress: --degree: found \"%.40s\", expected a whole number",
			       o->degree);
	job->degree = (int)degree;
	if (o->both && (o->robust || o->origin || o->weights || job->degree > 1))
		return err_set(err, RC_ARG, 0,
			       "calc regress: --errors-in-both fits a straight line with its own weights; leave out "
			       "--degree, --through-origin, --weights and --robust");
	if (!o->both && (o->ux || o->uy))
		return err_set(err, RC_ARG, 0,
			       "calc regress: --ux and --uy go with --errors-in-both; one column of errors in y is "
			       "--weights");
	return RC_OK;
}

/* The columns of x: named with commas between, or the first. */
static enum rc find_x(const struct regress_options *o, struct regress_job *job, struct err *err)
{
	const char *at = o->x;
	char name[128];

	if (!at) {
		job->m = 1;
		return RC_OK;
	}
	for (; at; at = strchr(at, ',') ? strchr(at, ',') + 1 : NULL) {
		if (job->m == REGRESS_TERMS - 1)
			return err_set(err, RC_ARG, 0, "calc regress: --x: more than %d columns", REGRESS_TERMS - 1);
		snprintf(name, sizeof name, "%.*s", (int)strcspn(at, ","), at);
		enum rc rc = csv_need(&job->table, name, &job->x_column[job->m], err);
		if (rc)
			return rc;
		job->m++;
	}
	return RC_OK;
}

static enum rc find_columns(const struct regress_options *o, struct regress_job *job, struct err *err)
{
	enum rc rc = find_x(o, job, err);

	if (rc)
		return rc;
	if (o->y)
		rc = csv_need(&job->table, o->y, &job->y_column, err);
	else if (job->table.n_columns < 2)
		rc = err_set(err, RC_ARG, 0, "%s: one column only, expected x and y", job->table.name);
	else
		job->y_column = o->x && job->x_column[0] == 1 ? 0 : 1;
	for (size_t j = 0; !rc && j < job->m; j++)
		if (job->x_column[j] == job->y_column)
			rc = err_set(err, RC_ARG, 0,
				     "%s: column \"%.60s\" is taken for both x and y; name them with --x and --y",
				     job->table.name, job->table.column[job->y_column].name);
	return rc;
}

static enum rc take_column(struct regress_job *job, size_t column, double **ret, struct mistakes *m, struct err *err)
{
	*ret = calloc(job->n, sizeof **ret);
	if (!*ret)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", job->table.name);
	return csv_numbers(&job->table, column, NULL, *ret, m, err);
}

static enum rc take_x(struct regress_job *job, struct mistakes *m, struct err *err)
{
	job->x = calloc(job->n * job->m, sizeof *job->x);
	if (!job->x)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", job->table.name);
	for (size_t j = 0; j < job->m; j++) {
		double *one = NULL;
		enum rc rc = take_column(job, job->x_column[j], &one, m, err);
		for (size_t i = 0; !rc && i < job->n; i++)
			job->x[i * job->m + j] = one[i];
		free(one);
		if (rc)
			return rc;
	}
	return RC_OK;
}

/* A name that begins with w is a weight 1/u^2; any other is a standard uncertainty. */
static bool is_weight(const char *name)
{
	return name[0] == 'w' || name[0] == 'W';
}

static enum rc turn(struct regress_job *job, size_t column, double *values, bool to_weight, struct err *err)
{
	const char *name = job->table.column[column].name;

	for (size_t i = 0; i < job->n; i++) {
		bool good = to_weight || is_weight(name) ? values[i] > 0 : values[i] >= 0;
		if (!good)
			return err_set(err, RC_ARG, 0, "%s:%u: \"%.60s\" is %g; expected a %s %s", job->table.name,
				       job->table.line[i], name, values[i],
				       is_weight(name) ? "weight" : "standard uncertainty",
				       to_weight || is_weight(name) ? "above zero" : "not below zero");
		if (to_weight && !is_weight(name))
			values[i] = 1 / values[i] / values[i];
		if (!to_weight && is_weight(name))
			values[i] = 1 / sqrt(values[i]);
	}
	return RC_OK;
}

static enum rc take_weights(const struct regress_options *o, struct regress_job *job, struct mistakes *m,
			    struct err *err)
{
	enum rc rc = csv_need(&job->table, o->weights, &job->weight_column, err);

	if (rc || (rc = take_column(job, job->weight_column, &job->weight, m, err)))
		return rc;
	job->weight_is_u = !is_weight(job->table.column[job->weight_column].name);
	return turn(job, job->weight_column, job->weight, true, err);
}

static enum rc error_column(struct regress_job *job, const char *asked, const char *const usual[3], size_t otherwise,
			    double **ret, struct mistakes *m, struct err *err)
{
	size_t column = otherwise;
	enum rc rc;

	if (asked) {
		if ((rc = csv_need(&job->table, asked, &column, err)))
			return rc;
	} else {
		for (size_t k = 3; k-- > 0;)
			if (csv_find(&job->table, usual[k]) >= 0)
				column = (size_t)csv_find(&job->table, usual[k]);
	}
	if (column >= job->table.n_columns)
		return err_set(err, RC_ARG, 0,
			       "%s: no column with the uncertainties of %c; expected %s, or name it with --u%c",
			       job->table.name, usual[0][1], usual[0], usual[0][1]);
	if ((rc = take_column(job, column, ret, m, err)))
		return rc;
	return turn(job, column, *ret, false, err);
}

static enum rc take_errors(const struct regress_options *o, struct regress_job *job, struct mistakes *m,
			   struct err *err)
{
	static const char *const of_x[] = { "ux", "u_x", "wx" }, *const of_y[] = { "uy", "u_y", "wy" };
	enum rc rc = error_column(job, o->ux, of_x, 2, &job->ux, m, err);

	return rc ? rc : error_column(job, o->uy, of_y, 3, &job->uy, m, err);
}

static enum rc read_table(const char *path, const struct regress_options *o, struct regress_job *job,
			  struct mistakes *m, struct err *err)
{
	enum rc rc = csv_read(path, &job->table, m, err);

	if (rc)
		return rc;
	job->n = job->table.n_rows;
	if ((rc = find_columns(o, job, err)) || (rc = take_x(job, m, err)) ||
	    (rc = take_column(job, job->y_column, &job->y, m, err)))
		return rc;
	if (o->both && job->m > 1)
		return err_set(err, RC_ARG, 0, "calc regress: --errors-in-both takes one x, found %zu", job->m);
	if (o->both)
		return take_errors(o, job, m, err);
	return o->weights ? take_weights(o, job, m, err) : RC_OK;
}

struct regress_value regress_job_at(const struct regress_options *o, const struct regress_job *job, double x)
{
	const struct york *y = &job->york;

	if (!o->both)
		return regress_at(&job->fit, &x);
	double u2 = y->u_intercept * y->u_intercept + x * x * y->u_slope * y->u_slope + 2 * x * y->cov;
	return (struct regress_value){ y->intercept + x * y->slope, sqrt(fmax(u2, 0)), NAN };
}

/* The stated uncertainties are what is believed there: the residual of a point against that of y and, by the slope, of
 * x. */
static void york_points(struct regress_job *job)
{
	for (size_t i = 0; i < job->n; i++) {
		double fit = job->york.intercept + job->york.slope * job->x[i], r = job->y[i] - fit;
		job->points[i] =
			(struct regress_point){ .fit = fit,
						.residual = r,
						.leverage = NAN,
						.deleted = NAN,
						.weight = 1,
						.studentised = r / hypot(job->uy[i], job->york.slope * job->ux[i]) };
	}
}

static enum rc york_invert(const struct regress_options *o, struct regress_job *job, struct err *err)
{
	double slope = job->york.slope;

	for (size_t i = 0; i < job->invert.n; i++) {
		double x = (job->invert.value[i] - job->york.intercept) / slope;
		if (!isfinite(x))
			return err_set(err, RC_SINGULAR, 0, "the line does not slope: no x belongs to %g",
				       job->invert.value[i]);
		job->inverse[i] = x;
		job->u_inverse[i] =
			hypot(isnan(job->u_invert) ? 0 : job->u_invert, regress_job_at(o, job, x).u_fit) / fabs(slope);
	}
	return RC_OK;
}

static enum rc invert_all(struct regress_job *job, struct err *err)
{
	for (size_t i = 0; i < job->invert.n; i++) {
		double u = isnan(job->u_invert) ? job->fit.residual_sd : job->u_invert;
		enum rc rc =
			regress_invert(&job->fit, job->invert.value[i], u, &job->inverse[i], &job->u_inverse[i], err);
		if (rc)
			return rc;
	}
	return RC_OK;
}

static enum rc work(const struct regress_options *o, struct regress_job *job, struct err *err)
{
	enum rc rc;

	job->points = calloc(job->n, sizeof *job->points);
	if (!job->points)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", job->table.name);
	if (o->both) {
		rc = york_fit(job->x, job->y, job->ux, job->uy, NULL, job->n, &job->york, err);
		job->k = unc_coverage_factor(INFINITY, job->coverage);
		if (!rc)
			york_points(job);
		if (!rc)
			rc = york_invert(o, job, err);
	} else {
		struct regress_in in = { .n = job->n,
					 .m = job->m,
					 .x = job->x,
					 .y = job->y,
					 .weight = job->weight,
					 .degree = job->degree,
					 .through_origin = o->origin,
					 .robust = o->robust };
		rc = regress_fit(&in, &job->fit, job->points, err);
		job->k = unc_coverage_factor(job->fit.dof, job->coverage);
		if (!rc && job->m > 1 && (job->predict.n || job->invert.n))
			rc = err_set(err, RC_ARG, 0, "calc regress: --predict and --invert take one x, found %zu",
				     job->m);
		if (!rc)
			rc = invert_all(job, err);
	}
	if (rc)
		err_prefix(err, "%.100s: ", job->table.name);
	return rc;
}

static void job_free(struct regress_job *job)
{
	csv_free(&job->table);
	free(job->x);
	free(job->y);
	free(job->weight);
	free(job->ux);
	free(job->uy);
	free(job->points);
}

int calc_regress(int argc, char **argv)
{
	struct regress_options o = { 0 };
	const struct cli_option options[] = {
		{ "x", "A[,B,...]", "column of x, or several for several variables (default: the first)", &o.x, NULL },
		{ "y", "COLUMN", "column of y (default: the second)", &o.y, NULL },
		{ "degree", "N", "of the polynomial, 1 to 10 (default: 1)", &o.degree, NULL },
		{ "through-origin", NULL, "no constant term", NULL, &o.origin },
		{ "weights", "COLUMN",
		  "weigh the points: standard uncertainties u of y, or weights 1/u^2 when the column's name "
		  "begins with w",
		  &o.weights, NULL },
		{ "robust", NULL, "bisquare weights against outliers, which are flagged and stay in", NULL, &o.robust },
		{ "errors-in-both", NULL, "a straight line with uncertainties of x and of y (York 2004)", NULL,
		  &o.both },
		{ "ux", "COLUMN", "uncertainties of x (default: ux, u_x or weights wx, else the third column)", &o.ux,
		  NULL },
		{ "uy", "COLUMN", "uncertainties of y (default: uy, u_y or weights wy, else the fourth column)", &o.uy,
		  NULL },
		{ "predict", "X,X,...", "the curve at x, with its confidence and prediction bands", &o.predict, NULL },
		{ "invert", "Y,Y,...", "x where the curve takes y", &o.invert, NULL },
		{ "u-invert", "U",
		  "standard uncertainty of those y (default: the residual standard deviation; 0 with errors in both)",
		  &o.u_invert, NULL },
		{ "coverage", "P", "of bands and expanded uncertainties (default: 0.95)", &o.coverage, NULL },
		{ "points", NULL, "list every point: residual, leverage, studentised residual", NULL, &o.points },
	};
	const struct cli_spec spec = {
		"calc regress",
		"calc regress FILE.csv [options]",
		"Least squares: a straight line, a polynomial, or several variables; with covariance, lack of fit "
		"against the "
		"scatter of repeats, and outliers. Columns have headings; rows that begin with # are comments.",
		"  bridle calc regress loadcell.csv --degree 2 --json\n"
		"    NIST e-Handbook LOADCELL: -1.83980467e-05, 0.100102485, 7.03186511e-06,\n"
		"    residual sd 3.76403e-05\n"
		"  bridle calc regress pearson.csv --errors-in-both\n"
		"    York 2004, Pearson's data: slope -0.48053, intercept 5.4799\n",
		options,
		sizeof options / sizeof options[0],
		1,
		1
	};
	struct regress_job job = { 0 };
	struct cli cli;
	struct err err = { 0 };
	struct mistakes m = { 0 };

	if (cli_parse(&spec, argc, argv, &cli, &err))
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	int status = 0;
	if (read_options(&o, &job, &err) || read_table(cli.args[0], &o, &job, &m, &err) || work(&o, &job, &err))
		status = cli_fail(&cli, &err, NULL, &m);
	else if (cli.json)
		status = regress_print_json(&o, &job);
	else
		regress_print_text(&o, &job);
	job_free(&job);
	return status;
}
