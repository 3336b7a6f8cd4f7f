/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "calc/calc.h"

#include "calib/fit/nlfit.h"
#include "calib/number/number.h"
#include "calib/number/quantity.h"
#include "calib/number/uncertain.h"
#include "terminal/cli.h"
#include "profile/csv.h"

#include <ctype.h>
#include <math.h>
#include <muParserDLL.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define NAME 24

struct curve_job {
	struct csv table;
	size_t x_column, y_column;
	double *x, *y, *weight;
	size_t n;
	const char *expression;
	char name[NLFIT_PARAMS][NAME];
	double start[NLFIT_PARAMS];
	size_t p;
	double coverage;
	muParserHandle_t parser;
	double param[NLFIT_PARAMS], at; /* the parser's variables */
};

static void job_free(struct curve_job *job)
{
	if (job->parser)
		mupRelease(job->parser);
	csv_free(&job->table);
	free(job->x);
	free(job->y);
	free(job->weight);
}

static enum rc refuse_start(const char *text, struct err *err)
{
	return err_set(err, RC_ARG, 0,
		       "calc nonlinear: --start: found \"%.60s\", expected names with values and commas between, at "
		       "most %d, such as b1=1,b2=0.5",
		       text, NLFIT_PARAMS);
}

static enum rc read_start(struct curve_job *job, const char *text, struct err *err)
{
	if (!text)
		return err_set(err, RC_ARG, 0,
			       "calc nonlinear: --start is missing; give every parameter a value, such as b1=1,b2=0.5");
	for (const char *at = text; at; at = strchr(at, ',') ? strchr(at, ',') + 1 : NULL) {
		char one[80], *equals;
		snprintf(one, sizeof one, "%.*s", (int)strcspn(at, ","), at + strspn(at, " "));
		equals = strchr(one, '=');
		if (!equals || job->p == NLFIT_PARAMS || number_parse(equals + 1, &job->start[job->p], NULL))
			return refuse_start(text, err);
		*equals = '\0';
		one[strcspn(one, " ")] = '\0';
		if (!isalpha((unsigned char)one[0]) || strlen(one) >= NAME)
			return refuse_start(text, err);
		for (size_t j = 0; j < job->p; j++)
			if (strcmp(job->name[j], one) == 0)
				return err_set(err, RC_ARG, 0, "calc nonlinear: --start names %s twice", one);
		snprintf(job->name[job->p++], NAME, "%s", one);
	}
	return RC_OK;
}

static enum rc read_column(struct curve_job *job, size_t column, double **ret, struct mistakes *m, struct err *err)
{
	*ret = calloc(job->n ? job->n : 1, sizeof **ret);
	if (!*ret)
		return err_set(err, RC_NOMEM, 0, "%s: out of memory", job->table.name);
	return csv_numbers(&job->table, column, NULL, *ret, m, err);
}

static enum rc read_table(struct curve_job *job, const char *path, const char *x, const char *y, const char *weights,
			  struct mistakes *m, struct err *err)
{
	size_t w = 0;
	enum rc rc = csv_read(path, &job->table, m, err);

	if (rc)
		return rc;
	job->n = job->table.n_rows;
	if (!(x && y) && job->table.n_columns < 2)
		return err_set(err, RC_ARG, 0, "%s: one column only, expected x and y", job->table.name);
	job->y_column = 1;
	if ((x && (rc = csv_need(&job->table, x, &job->x_column, err))) ||
	    (y && (rc = csv_need(&job->table, y, &job->y_column, err))) ||
	    (weights && (rc = csv_need(&job->table, weights, &w, err))))
		return rc;
	if (job->x_column == job->y_column)
		return err_set(err, RC_ARG, 0,
			       "%s: column \"%.60s\" is taken for both x and y; name them with --x and --y",
			       job->table.name, job->table.column[job->y_column].name);
	if ((rc = read_column(job, job->x_column, &job->x, m, err)) ||
	    (rc = read_column(job, job->y_column, &job->y, m, err)) ||
	    (weights && (rc = read_column(job, w, &job->weight, m, err))))
		return rc;
	for (size_t i = 0; weights && i < job->n; i++) {
		if (!(job->weight[i] > 0))
			return err_set(err, RC_ARG, 0,
				       "%s: row %zu of column \"%.60s\" is %g; expected a standard uncertainty above 0",
				       job->table.name, i + 1, weights, job->weight[i]);
		job->weight[i] = 1 / (job->weight[i] * job->weight[i]);
	}
	return RC_OK;
}

static enum rc read_model(struct curve_job *job, struct err *err)
{
	char text[200];

	if (!job->expression)
		return err_set(err, RC_ARG, 0,
			       "calc nonlinear: --model is missing; give the curve as an expression in x, such as "
			       "\"b1*(1-exp(-b2*x))\"");
	job->parser = mupCreate(muBASETYPE_FLOAT);
	if (!job->parser)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	mupDefineConst(job->parser, "pi", 3.14159265358979323846);
	mupDefineVar(job->parser, "x", &job->at);
	for (size_t j = 0; j < job->p && !mupError(job->parser); j++) {
		job->param[j] = job->start[j];
		mupDefineVar(job->parser, job->name[j], &job->param[j]);
		if (mupError(job->parser) || strcmp(job->name[j], "x") == 0)
			return err_set(err, RC_ARG, 0,
				       "calc nonlinear: %s cannot be a parameter's name: it means something else in an "
				       "expression",
				       job->name[j]);
	}
	mupSetExpr(job->parser, job->expression);
	job->at = job->n ? job->x[0] : 1;
	if (!mupError(job->parser))
		mupEval(job->parser);
	if (!mupError(job->parser))
		return RC_OK;
	snprintf(text, sizeof text, "%s", mupGetErrorMsg(job->parser));
	text[0] = (char)tolower((unsigned char)text[0]);
	return err_set(err, RC_ARG, 0,
		       "calc nonlinear: --model is not understood: %s It may use x, pi and the names of --start", text);
}

static double curve_at(const double *param, double x, void *ctx)
{
	struct curve_job *job = ctx;

	memcpy(job->param, param, job->p * sizeof *param);
	job->at = x;
	return mupEval(job->parser);
}

static int fit_json(const struct curve_job *job, const struct nlfit *fit)
{
	json_t *list = json_array(), *rows = json_array();
	double k = unc_coverage_factor(fit->dof, job->coverage);

	for (size_t j = 0; j < fit->p; j++) {
		json_t *row = json_array();
		json_t *o = json_pack("{s:o, s:o, s:o}", "name", cli_text(job->name[j]), "start",
				      cli_real(job->start[j]), "U", cli_real(k * fit->u[j]));
		number_json_into(o, fit->param[j], fit->u[j], fit->dof);
		json_array_append_new(list, o);
		for (size_t i = 0; i < fit->p; i++)
			json_array_append_new(row, cli_real(fit->cov[j][i] / fit->u[j] / fit->u[i]));
		json_array_append_new(rows, row);
	}
	return cli_print_json(json_pack("{s:s, s:o, s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "topic", "nonlinear",
					"model", cli_text(job->expression), "n", (json_int_t)job->n, "coverage",
					cli_real(job->coverage), "k", cli_real(k), "parameters", list, "correlation",
					rows, "residual_ss", cli_real(fit->rss), "residual_sd",
					cli_real(fit->residual_sd), "dof", cli_real(fit->dof)));
}

static void fit_text(const struct curve_job *job, const struct nlfit *fit)
{
	double k = unc_coverage_factor(fit->dof, job->coverage);
	char text[200];

	printf("%s = %s, %zu points\n\n", job->table.column[job->y_column].name, job->expression, job->n);
	for (size_t j = 0; j < fit->p; j++) {
		quantity_format(text, sizeof text, fit->param[j], fit->u[j], k, job->coverage, "");
		printf("  %-12s %s\n", job->name[j], text);
	}
	printf("\nresidual standard deviation %.6g with %.0f degrees of freedom, sum of squares %.6g\n",
	       fit->residual_sd, fit->dof, fit->rss);
	for (size_t a = 0; a < fit->p; a++)
		for (size_t b = 0; b < a; b++)
			printf("correlation of %s and %s: %.3f\n", job->name[b], job->name[a],
			       fit->cov[a][b] / fit->u[a] / fit->u[b]);
	puts("A sum of squares can have several minima; another --start may lead to a lower one.");
}

static enum rc read_coverage(const char *text, double *ret, struct err *err)
{
	*ret = 0.95;
	if (text && (number_parse(text, ret, NULL) || !(*ret >= 0.5 && *ret <= 0.9999)))
		return err_set(err, RC_ARG, 0,
			       "calc nonlinear: --coverage: found \"%.40s\", expected a number from 0.5 to 0.9999",
			       text);
	return RC_OK;
}

int calc_nonlinear(int argc, char **argv)
{
	const char *x = NULL, *y = NULL, *weights = NULL, *model = NULL, *start = NULL, *coverage = NULL;
	const struct cli_option options[] = {
		{ "model", "EXPRESSION", "the curve in x and the parameters, in the expressions of calc budget", &model,
		  NULL },
		{ "start", "NAME=V,...", "every parameter with a value to begin from", &start, NULL },
		{ "x", "COLUMN", "column of x (default: the first)", &x, NULL },
		{ "y", "COLUMN", "column of y (default: the second)", &y, NULL },
		{ "weights", "COLUMN", "standard uncertainties of y: points count by 1/u^2", &weights, NULL },
		{ "coverage", "P", "coverage of the intervals (default: 0.95)", &coverage, NULL },
	};
	const struct cli_spec spec = {
		"calc nonlinear",
		"calc nonlinear FILE.csv --model ... --start ... [options]",
		"A curve of any shape by least squares: parameters with their uncertainty from the scatter about the "
		"curve, and their "
		"correlations. Where one search method fails from the given start, others are tried.",
		"  bridle calc nonlinear BoxBOD.csv --y y --x x \\\n"
		"      --model \"b1*(1-exp(-b2*x))\" --start b1=1,b2=1\n"
		"    NIST StRD BoxBOD: b1 213.80940889 with 12.354515176,\n"
		"    b2 0.54723748542 with 0.10455993237\n",
		CLI_TAKES(options),
		1,
		1
	};
	struct curve_job job = { 0 };
	struct cli cli;
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct nlfit fit;
	int status = 0;

	if (cli_parse(&spec, argc, argv, &cli, &err))
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	job.expression = model;
	if (read_coverage(coverage, &job.coverage, &err) || read_start(&job, start, &err) ||
	    read_table(&job, cli.args[0], x, y, weights, &m, &err) || read_model(&job, &err) ||
	    nlfit(&(struct nlfit_model){ job.p, curve_at, NULL, &job }, job.x, job.y, job.weight, job.n, job.start,
		  &fit, &err))
		status = cli_fail(&cli, &err, NULL, &m);
	else if (cli.json)
		status = fit_json(&job, &fit);
	else
		fit_text(&job, &fit);
	job_free(&job);
	return status;
}
