/* SPDX-License-Identifier: GPL-3.0-or-later */
/* calc budget, calc montecarlo: one model, by the law of propagation and by random draws. */
#include "calib/number/number_json.h"
#include "calc/calc.h"

#include "calib/number/number.h"
#include "terminal/cli.h"
#include "calc/model_file.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* One call from the command line to the answer. */
struct job {
	struct cli cli;
	struct model_file *file;
	struct mc_model model;
	struct mc_linear_result *law;
	struct mc_result *drawn;
	double coverage;
};

static void job_free(struct job *job)
{
	model_file_free(job->file);
	free(job->law);
	free(job->drawn);
}

static enum rc read_fraction(const char *name, const char *text, double *ret, struct err *err)
{
	struct quantity q;
	enum rc rc = quantity_parse(text, "1", &q, err);

	if (rc)
		err_prefix(err, "--%s: ", name);
	else
		*ret = q.value;
	return rc;
}

/* Model read, law applied: what both topics do first. */
static enum rc prepare(struct job *job, const char *coverage, struct err *err)
{
	enum rc rc = model_file_read(job->cli.args[0], &job->file, err);

	if (!rc)
		rc = model_file_model(job->file, &job->model, err);
	if (rc)
		return rc;
	job->coverage = job->file->coverage;
	if (coverage)
		rc = read_fraction("coverage", coverage, &job->coverage, err);
	job->law = calloc(1, sizeof *job->law);
	job->drawn = calloc(1, sizeof *job->drawn);
	if (!job->law || !job->drawn)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	return rc ? rc : montecarlo_linear(&job->model, job->coverage, job->law, err);
}

static json_t *correlation_json(double r[MC_MAX_OUTPUTS][MC_MAX_OUTPUTS], size_t n)
{
	json_t *rows = json_array();

	for (size_t a = 0; a < n; a++) {
		json_t *row = json_array();
		for (size_t b = 0; b < n; b++)
			json_array_append_new(row, cli_real(r[a][b]));
		json_array_append_new(rows, row);
	}
	return rows;
}

static json_t *interval_json(double low, double high)
{
	json_t *pair = json_array();

	json_array_append_new(pair, cli_real(low));
	json_array_append_new(pair, cli_real(high));
	return pair;
}

static json_t *law_json(const struct job *job, size_t j)
{
	const struct mc_linear *l = &job->law->output[j];
	json_t *out = json_object();

	number_json_into(out, l->value, l->u, l->dof);
	json_object_set_new(out, "dof_effective", cli_real(l->dof));
	json_object_set_new(out, "k", cli_real(l->k));
	json_object_set_new(out, "U", cli_real(l->expanded));
	return out;
}

static json_t *contributions_json(const struct job *job, size_t j)
{
	const struct mc_linear *l = &job->law->output[j];
	json_t *list = json_array();

	for (size_t i = 0; i < job->file->n_inputs; i++) {
		const struct model_input *in = &job->file->input[i];
		double part = l->sensitivity[i] * in->q.u;
		json_t *row = json_object();
		json_object_set_new(row, "input", cli_text(in->name));
		number_json_into(row, in->q.value, in->q.u, in->q.dof);
		json_object_set_new(row, "unit", cli_text(in->unit));
		json_object_set_new(row, "distribution", cli_text(dist_name(in->q.dist)));
		json_object_set_new(row, "sensitivity", cli_real(l->sensitivity[i]));
		json_object_set_new(row, "contribution", cli_real(part));
		json_object_set_new(row, "share", cli_real(part * part / (l->u * l->u)));
		json_array_append_new(list, row);
	}
	return list;
}

static json_t *head_json(const struct job *job, const char *topic)
{
	json_t *doc = json_object();

	json_object_set_new(doc, "topic", cli_text(topic));
	json_object_set_new(doc, "title", cli_text(job->file->title));
	json_object_set_new(doc, "coverage", cli_real(job->coverage));
	return doc;
}

static int print_budget_json(const struct job *job)
{
	json_t *doc = head_json(job, "budget"), *list = json_array();

	for (size_t j = 0; j < job->file->n_outputs; j++) {
		json_t *out = law_json(job, j);
		json_object_set_new(out, "name", cli_text(job->file->output[j].name));
		json_object_set_new(out, "unit", cli_text(job->file->output[j].unit));
		json_object_set_new(out, "contributions", contributions_json(job, j));
		json_array_append_new(list, out);
	}
	json_object_set_new(doc, "outputs", list);
	json_object_set_new(doc, "correlation", correlation_json(job->law->correlation, job->file->n_outputs));
	return cli_print_json(doc);
}

static void print_correlation(const struct job *job, double r[MC_MAX_OUTPUTS][MC_MAX_OUTPUTS])
{
	for (size_t a = 0; a < job->file->n_outputs; a++)
		for (size_t b = 0; b < a; b++)
			if (isfinite(r[a][b]))
				printf("correlation of %s and %s: %.3f\n", job->file->output[b].name,
				       job->file->output[a].name, r[a][b]);
}

static void print_law(const struct job *job, size_t j)
{
	const struct mc_linear *l = &job->law->output[j];
	char text[200];

	quantity_format(text, sizeof text, l->value, l->u, l->k, job->coverage, job->file->output[j].unit);
	printf("%s = %s\n", job->file->output[j].name, text);
}

static bool uncertain_inputs(const struct job *job)
{
	bool some = false;

	for (size_t i = 0; i < job->file->n_inputs; i++)
		some = some || job->file->input[i].q.u > 0;
	return some;
}

static void print_budget(const struct job *job)
{
	if (*job->file->title)
		printf("%s\n\n", job->file->title);
	for (size_t j = 0; j < job->file->n_outputs; j++) {
		const struct mc_linear *l = &job->law->output[j];
		print_law(job, j);
		printf("  u = %.4g, effective degrees of freedom ", l->u);
		printf(isinf(l->dof) ? "infinite\n" : "%.1f\n", l->dof);
		printf("  %-16s %14s %12s %8s %8s %14s %8s\n", "input", "value", "u", "shape", "dof", "contribution",
		       "share");
		for (size_t i = 0; i < job->file->n_inputs; i++) {
			const struct model_input *in = &job->file->input[i];
			double part = l->sensitivity[i] * in->q.u, share = 100 * part * part / (l->u * l->u);
			char dof[24] = "inf";
			if (isfinite(in->q.dof))
				number_print(dof, sizeof dof, 4, 'g', in->q.dof);
			printf("  %-16s %14.7g %12.4g %8s %8s %14.4g %6.1f %%\n", in->name, in->q.value, in->q.u,
			       in->q.u > 0 ? dist_name(in->q.dist) : "exact", dof, part, l->u > 0 ? share : 0.0);
		}
		if (!(l->u > 0) && uncertain_inputs(job))
			printf("  every slope is zero at the estimates: the linear law gives no uncertainty there, see "
			       "calc montecarlo\n");
		putchar('\n');
	}
	print_correlation(job, job->law->correlation);
	if (job->file->correlation)
		puts("Inputs are correlated: shares do not add to 100 %, and for the degrees of freedom they count as "
		     "one.");
}

int calc_budget(int argc, char **argv)
{
	const char *coverage = NULL;
	const struct cli_option options[] = {
		{ "coverage", "P", "coverage probability, 0.95 or what the file says", &coverage, NULL },
	};
	const struct cli_spec spec = {
		"calc budget",
		"calc budget MODEL.ini [options]",
		"Uncertainty budget of a model by the law of propagation (JCGM 100:2008): value, standard uncertainty, "
		"effective "
		"degrees of freedom, coverage factor, expanded uncertainty, the share of every input, correlation of "
		"the "
		"outputs. MODEL.ini has [inputs] (NAME = quantity with uncertainty), [correlations] (A, B = R) and "
		"[outputs] "
		"(NAME (unit) = expression); inputs enter the expressions in coherent SI units.",
		"  [inputs]\n  V = 4.9990 V \xc2\xb1 0.0032 V normal\n  I = 19.6610 mA \xc2\xb1 0.0095 mA normal\n"
		"  [correlations]\n  V, I = -0.36\n  [outputs]\n  Z (ohm) = V / I\n"
		"  gives 254.26 ohm with u = 0.237 ohm (JCGM 100:2008, H.2, which prints\n"
		"  0.236 from the unrounded readings)\n",
		options,
		1,
		1,
		1,
	};
	struct job job = { 0 };
	struct err err;
	enum rc rc = cli_parse(&spec, argc, argv, &job.cli, &err);
	int status = 0;

	if (!rc && job.cli.help_shown)
		return 0;
	if (!rc)
		rc = prepare(&job, coverage, &err);
	if (rc)
		status = cli_fail(&job.cli, &err, NULL, NULL);
	else if (job.cli.json)
		status = print_budget_json(&job);
	else
		print_budget(&job);
	job_free(&job);
	return status;
}

/* ---- montecarlo ---- */

static json_t *drawn_json(const struct job *job, size_t j)
{
	const struct mc_output *o = &job->drawn->output[j];
	json_t *out = json_object();
	double d[2];
	bool valid = montecarlo_linear_valid(&job->law->output[j], o, d);

	json_object_set_new(out, "name", cli_text(job->file->output[j].name));
	json_object_set_new(out, "unit", cli_text(job->file->output[j].unit));
	number_json_into(out, o->mean, o->u, NAN);
	json_object_set_new(out, "interval_symmetric", interval_json(o->symmetric[0], o->symmetric[1]));
	json_object_set_new(out, "interval_shortest", interval_json(o->shortest[0], o->shortest[1]));
	json_object_set_new(out, "linear", law_json(job, j));
	json_object_set_new(out, "linear_law_valid", json_boolean(valid));
	json_object_set_new(out, "d_low", cli_real(d[0]));
	json_object_set_new(out, "d_high", cli_real(d[1]));
	json_object_set_new(out, "tolerance", cli_real(o->delta));
	json_object_set_new(out, "s_value", cli_real(o->s_mean));
	json_object_set_new(out, "s_u", cli_real(o->s_u));
	json_object_set_new(out, "s_low", cli_real(o->s_low));
	json_object_set_new(out, "s_high", cli_real(o->s_high));
	return out;
}

static int print_drawn_json(const struct job *job, const struct mc_options *o)
{
	json_t *doc = head_json(job, "montecarlo"), *list = json_array();
	bool all_valid = true;
	double d[2];

	for (size_t j = 0; j < job->file->n_outputs; j++) {
		json_array_append_new(list, drawn_json(job, j));
		all_valid = montecarlo_linear_valid(&job->law->output[j], &job->drawn->output[j], d) && all_valid;
	}
	json_object_set_new(doc, "trials", json_integer((json_int_t)job->drawn->trials));
	json_object_set_new(doc, "adaptive", json_boolean(o->trials == 0));
	json_object_set_new(doc, "stabilised", json_boolean(job->drawn->stabilised));
	json_object_set_new(doc, "seed", json_integer((json_int_t)o->seed));
	json_object_set_new(doc, "digits", json_integer(o->digits));
	json_object_set_new(doc, "linear_law_valid", json_boolean(all_valid));
	json_object_set_new(doc, "outputs", list);
	json_object_set_new(doc, "correlation", correlation_json(job->drawn->correlation, job->file->n_outputs));
	return cli_print_json(doc);
}

static void print_drawn(const struct job *job, const struct mc_options *o)
{
	if (*job->file->title)
		printf("%s\n\n", job->file->title);
	printf("%llu draws, seed %lu%s\n\n", (unsigned long long)job->drawn->trials, o->seed,
	       job->drawn->stabilised ? "" : "; the results have not settled to a fifth of their tolerance");
	for (size_t j = 0; j < job->file->n_outputs; j++) {
		const struct mc_output *y = &job->drawn->output[j];
		const char *unit = job->file->output[j].unit;
		char text[200];
		double d[2];
		bool valid = montecarlo_linear_valid(&job->law->output[j], y, d);
		quantity_format_bracket(text, sizeof text, y->mean, y->u, unit);
		printf("%s = %s\n", job->file->output[j].name, text);
		printf("  %g %% interval, symmetric [%.7g, %.7g], shortest [%.7g, %.7g]\n", 100 * job->coverage,
		       y->symmetric[0], y->symmetric[1], y->shortest[0], y->shortest[1]);
		printf("  by the law of propagation: ");
		print_law(job, j);
		printf("  %s: its ends differ by %.2g and %.2g, tolerance %.2g\n\n",
		       valid ? "The linear law holds" : "DO NOT TRUST THE LINEAR LAW HERE", d[0], d[1], y->delta);
	}
	print_correlation(job, job->drawn->correlation);
}

static enum rc read_count(const char *name, const char *text, double most, double *ret, struct err *err)
{
	enum rc rc = number_parse(text, ret, err);

	if (!rc && !(*ret >= 0 && *ret <= most && fabs(*ret - floor(*ret)) < 0.5e-9))
		rc = err_set(err, RC_ARG, 0, "%s is not a whole number from 0 to %.0f", text, most);
	if (rc)
		err_prefix(err, "--%s: ", name);
	return rc;
}

static enum rc draw(struct job *job, const char *trials, const char *seed, const char *threads, const char *digits,
		    struct mc_options *o, struct err *err)
{
	double n = 0, s = 1, t = 0, d = job->file->digits;
	enum rc rc = RC_OK;

	if (trials)
		rc = read_count("trials", trials, MC_MAX_TRIALS, &n, err);
	if (!rc && trials && !(n >= 1))
		rc = err_set(err, RC_ARG, 0, "--trials: 0 draws tell nothing; leave it out for the adaptive procedure");
	if (!rc && seed)
		rc = read_count("seed", seed, 9007199254740992.0, &s, err);
	if (!rc && threads)
		rc = read_count("threads", threads, 64, &t, err);
	if (!rc && digits)
		rc = read_count("digits", digits, 4, &d, err);
	if (rc)
		return rc;
	*o = (struct mc_options){ .trials = (uint64_t)n,
				  .seed = (unsigned long)s,
				  .coverage = job->coverage,
				  .digits = (int)d,
				  .threads = (unsigned)t };
	return montecarlo_run(&job->model, o, job->drawn, err);
}

int calc_montecarlo(int argc, char **argv)
{
	const char *coverage = NULL, *trials = NULL, *seed = NULL, *threads = NULL, *digits = NULL;
	const struct cli_option options[] = {
		{ "trials", "N", "number of draws; default: as many as the adaptive procedure needs", &trials, NULL },
		{ "seed", "S", "whole number, 1; the same seed gives the same digits", &seed, NULL },
		{ "coverage", "P", "coverage probability, 0.95 or what the file says", &coverage, NULL },
		{ "digits", "N", "significant digits of u that matter, 2 or what the file says", &digits, NULL },
		{ "threads", "N", "default: all cores; changes the time, never a digit", &threads, NULL },
	};
	const struct cli_spec spec = {
		"calc montecarlo",
		"calc montecarlo MODEL.ini [options]",
		"The same model as calc budget, drawn at random (JCGM 101:2008): mean, standard uncertainty, symmetric "
		"and "
		"shortest coverage intervals, correlation of the outputs, and whether the law of propagation may be "
		"trusted "
		"(clause 8.1). t, rect, tri, trap and normal inputs; correlated ones must be normal; a rect with dof= "
		"has "
		"limits that are themselves doubtful (6.4.3).",
		"  [model]\n  digits = 1\n  [inputs]\n  R = 100000.000 mg \xc2\xb1 0.050 mg normal\n"
		"  d = 1.234 mg \xc2\xb1 0.020 mg normal\n  a = 1.20 kg/m3 \xc2\xb1 0.10 kg/m3 rect\n"
		"  W = 8000 kg/m3 \xc2\xb1 1000 kg/m3 rect\n  S = 8000 kg/m3 \xc2\xb1 50 kg/m3 rect\n"
		"  [outputs]\n  dm (mg) = (R + d) * (1 + (a - 1.2) * (1/W - 1/S)) - 0.1\n"
		"  gives 1.234 mg, u = 0.0754 mg, shortest [1.083, 1.383] mg, and says that the\n"
		"  linear law (u = 0.0539 mg) must not be trusted (JCGM 101:2008, 9.3)\n",
		options,
		5,
		1,
		1,
	};
	struct job job = { 0 };
	struct mc_options o = { 0 };
	struct err err;
	enum rc rc = cli_parse(&spec, argc, argv, &job.cli, &err);
	int status = 0;

	if (!rc && job.cli.help_shown)
		return 0;
	if (!rc)
		rc = prepare(&job, coverage, &err);
	if (!rc)
		rc = draw(&job, trials, seed, threads, digits, &o, &err);
	if (rc)
		status = cli_fail(&job.cli, &err, NULL, NULL);
	else if (job.cli.json)
		status = print_drawn_json(&job, &o);
	else
		print_drawn(&job, &o);
	job_free(&job);
	return status;
}
