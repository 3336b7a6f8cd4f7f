/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "calc/calc.h"

#include "calib/number/number.h"
#include "calib/number/quantity.h"
#include "calib/fit/stats.h"
#include "calib/number/uncertain.h"
#include "calc/calc_series.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Beyond this the summed autocorrelation of single readings would take longer than anyone waits. */
#define MOST_FOR_ACF 20000

static enum rc batches_wanted(const char *text, size_t *ret, struct err *err)
{
	double value;

	if (!text)
		return RC_OK;
	if (number_parse(text, &value, NULL) || !(value >= 2 && value <= 1e6) || fabs(value - floor(value)) > 0)
		return err_set(err, RC_ARG, 0,
			       "calc mean: --batches: found \"%.40s\", expected a whole number, at least 2", text);
	*ret = (size_t)value;
	return RC_OK;
}

static json_t *batch_json(const struct calc_series *s, size_t batches)
{
	double mean, u;

	if (stats_batch_means(s->y, s->n, batches, &mean, &u, NULL))
		return NULL;
	return json_pack("{s:I, s:I, s:o, s:o}", "batches", (json_int_t)batches, "size", (json_int_t)(s->n / batches),
			 "mean", cli_real(mean), "u_mean", cli_real(u));
}

static size_t batch_list(size_t n, size_t asked, size_t list[3])
{
	static const size_t usual[] = { 5, 10, 20 };
	size_t count = 0;

	if (asked) {
		list[0] = asked;
		return 1;
	}
	for (size_t k = 0; k < 3; k++)
		if (n >= 4 * usual[k])
			list[count++] = usual[k];
	return count;
}

/* What is said of the mean: the shyest look, or that the readings are independent. */
struct said {
	struct stats_shy shy;
	bool independent;
};

static enum rc judge(const struct calc_series *s, const struct stats_mean *m, bool independent, struct said *ret,
		     struct err *err)
{
	*ret = (struct said){ .independent = independent };
	if (!independent)
		return stats_mean_shy(s->y, s->n, &ret->shy, err);
	ret->shy = (struct stats_shy){ .doubt = m->sd > 0 ? STATS_SURE : STATS_EQUAL,
				       .grain = 1,
				       .u_mean = m->u_mean_naive,
				       .dof = (double)m->n - 1,
				       .n_effective = (double)m->n };
	return RC_OK;
}

static void basis(const struct said *said, char *ret, size_t size)
{
	if (said->independent)
		snprintf(ret, size, "readings taken as independent");
	else if (said->shy.look == STATS_COARSE)
		snprintf(ret, size, "means of %zu readings", said->shy.grain);
	else
		snprintf(ret, size, "%s",
			 said->shy.look == STATS_ACF ? "summed autocorrelation" : "lag-1 autocorrelation");
}

static void why_not(const struct said *said, char *ret, size_t size)
{
	const struct stats_shy *s = &said->shy;

	switch (s->doubt) {
	case STATS_SURE: *ret = 0; return;
	case STATS_EQUAL: snprintf(ret, size, "the readings do not differ; the resolution decides"); return;
	case STATS_SHORT:
		snprintf(ret, size,
			 "too few readings to find the autocorrelation; at least %d are needed, or --independent",
			 STATS_FEWEST);
		return;
	case STATS_CORRELATED:
		snprintf(ret, size,
			 "the readings are worth %.1f independent ones; at least %d are needed. Take a longer record",
			 s->n_effective, STATS_FEWEST);
		return;
	case STATS_SLOW:
		snprintf(ret, size, "the drift is too slow for so short a record. Take a longer record");
		return;
	}
}

static json_t *interval_json(const struct stats_mean *m, const struct said *said)
{
	double u = said->shy.u_mean, dof = said->shy.dof, k = unc_coverage_factor(dof, 0.95);
	char text[80];

	if (said->shy.doubt != STATS_SURE)
		return json_null();
	basis(said, text, sizeof text);
	json_t *o = json_pack("{s:o, s:o, s:o, s:o, s:o, s:o}", "k", cli_real(k), "U", cli_real(k * u), "low",
			      cli_real(m->mean - k * u), "high", cli_real(m->mean + k * u), "n_effective",
			      cli_real(said->shy.n_effective), "basis", cli_text(text));
	number_json_into(o, m->mean, u, dof);
	return o;
}

static int mean_json(const struct calc_series *s, const struct stats_mean *m, const struct said *said, size_t asked)
{
	size_t list[3], n = batch_list(s->n, asked, list);
	json_t *batches = json_array();
	char why[160];

	for (size_t k = 0; k < n; k++)
		json_array_append_new(batches, batch_json(s, list[k]));
	why_not(said, why, sizeof why);
	double acf = s->n <= MOST_FOR_ACF ? stats_n_effective_acf(s->y, s->n) : NAN;
	return cli_print_json(json_pack(
		"{s:o, s:o, s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o}", "column", cli_text(s->name),
		"unit", cli_text(s->unit), "n", (json_int_t)m->n, "mean", cli_real(m->mean), "sd", cli_real(m->sd),
		"lag1", cli_real(m->lag1), "n_effective", cli_real(m->n_effective), "n_effective_finite",
		cli_real(m->n_effective_finite), "n_effective_acf", cli_real(acf), "u_mean", cli_real(m->u_mean),
		"u_mean_naive", cli_real(m->u_mean_naive), "batch_means", batches, "interval", interval_json(m, said),
		"no_interval", *why ? cli_text(why) : json_null()));
}

static void print_said(const struct calc_series *s, const struct stats_mean *m, const struct said *said)
{
	double u = said->shy.u_mean, dof = said->shy.dof;
	char text[200];

	if (said->shy.doubt != STATS_SURE) {
		why_not(said, text, sizeof text);
		printf("\nNo interval: %s.\n", text);
		return;
	}
	quantity_format(text, sizeof text, m->mean, u, unc_coverage_factor(dof, 0.95), 0.95, s->unit);
	printf("\n%s\n", text);
	basis(said, text, sizeof text);
	printf("  u = %.4g with %.1f degrees of freedom, from: %s", u, dof, text);
	puts(said->independent
		     ? ""
		     : " (of several estimates the widest).\n  Noise slower than the whole record is not in it.");
}

static void mean_text(const struct calc_series *s, const struct stats_mean *m, const struct said *said, size_t asked)
{
	size_t list[3], n = batch_list(s->n, asked, list);
	double mean, u;

	printf("%s%s%s%s: %zu readings\n\n", s->name, *s->unit ? " (" : "", s->unit, *s->unit ? ")" : "", m->n);
	printf("  mean                         %.10g\n", m->mean);
	printf("  standard deviation           %.6g\n", m->sd);
	if (isfinite(m->lag1))
		printf("  lag-1 autocorrelation        %.4f\n", m->lag1);
	else
		printf("  lag-1 autocorrelation        not defined: the readings do not differ, their scatter is below "
		       "the resolution\n");
	printf("  standard error of the mean\n    of independent readings    %.4g\n    by lag-1 autocorrelation   %.4g "
	       " (as %.1f "
	       "independent ones)\n",
	       m->u_mean_naive, m->u_mean, m->n_effective);
	for (size_t k = 0; k < n; k++)
		if (!stats_batch_means(s->y, s->n, list[k], &mean, &u, NULL))
			printf("    by %2zu batches of %-9zu %.4g\n", list[k], s->n / list[k], u);
	print_said(s, m, said);
}

int calc_mean(int argc, char **argv)
{
	const char *column = NULL, *batches = NULL;
	bool independent = false;
	const struct cli_option options[] = {
		{ "y", "COLUMN", "the column (default: the first)", &column, NULL },
		{ "batches", "N", "number of batches for the batch means (default: 5, 10 and 20)", &batches, NULL },
		{ "independent", NULL,
		  "the readings are known to be independent: Student's t, n - 1 degrees of freedom", NULL,
		  &independent },
	};
	const struct cli_spec spec = {
		"calc mean",
		"calc mean FILE.csv [options]",
		"Mean of readings that follow one another in time, with a 95 % interval that allows for "
		"autocorrelation: the widest by lag-1 autocorrelation, means of 2, 4, 8, ... readings, and summed "
		"autocorrelation. "
		"With fewer than ten effective readings there is no interval (null in JSON); no_interval gives the "
		"reason. u_mean of the JSON is that of a first-order process alone, n (1 - r)/(1 + r) readings.",
		"  bridle calc mean michelso.csv --json\n"
		"    NIST StRD Michelso: mean 299.8524, sd 0.0790105478190518,\n"
		"    lag1 0.535199668621283\n",
		options,
		sizeof options / sizeof options[0],
		1,
		1
	};
	struct cli cli;
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct calc_series s;
	struct stats_mean mean;
	struct said said;
	size_t asked = 0;

	if (cli_parse(&spec, argc, argv, &cli, &err))
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	if (batches_wanted(batches, &asked, &err) || series_read(cli.args[0], column, &s, &m, &err))
		return cli_fail(&cli, &err, NULL, &m);
	int status = 0;
	if ((s.n < 2 && err_set(&err, RC_ARG, 0, "%s: 1 reading is too few: a mean and its uncertainty need at least 2",
				cli.args[0])) ||
	    (asked && s.n < asked &&
	     err_set(&err, RC_ARG, 0, "%s: %zu readings are too few for %zu batches", cli.args[0], s.n, asked)) ||
	    stats_mean(s.y, s.n, &mean, &err) || judge(&s, &mean, independent, &said, &err))
		status = cli_fail(&cli, &err, NULL, NULL);
	else if (cli.json)
		status = mean_json(&s, &mean, &said, asked);
	else
		mean_text(&s, &mean, &said, asked);
	series_free(&s);
	return status;
}
