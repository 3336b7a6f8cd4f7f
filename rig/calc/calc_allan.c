/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calc/calc.h"

#include "calib/number/number.h"
#include "calib/fit/stats.h"
#include "calc/calc_series.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

#define MOST_TAUS 200

struct taus {
	size_t n, m[MOST_TAUS];
};

static void taus_add(struct taus *t, size_t m)
{
	size_t at = t->n;

	for (size_t i = 0; i < t->n; i++)
		if (t->m[i] == m)
			return;
	if (t->n == MOST_TAUS)
		return;
	while (at > 0 && t->m[at - 1] > m) {
		t->m[at] = t->m[at - 1];
		at--;
	}
	t->m[at] = m;
	t->n++;
}

/* Powers of two, and 1, 2, 5 of every ten, as tables are printed. */
static void taus_usual(struct taus *t, size_t n)
{
	for (size_t m = 1; m <= n / 2; m *= 2)
		taus_add(t, m);
	for (size_t ten = 1; ten <= n / 2; ten *= 10) {
		taus_add(t, ten);
		if (2 * ten <= n / 2)
			taus_add(t, 2 * ten);
		if (5 * ten <= n / 2)
			taus_add(t, 5 * ten);
	}
}

static enum rc taus_asked(const char *text, double tau0, size_t n, struct taus *t, struct err *err)
{
	struct number number;

	for (const char *at = text;; at = number.end + 1) {
		/* A comma behind a digit is the separator here: the text is cut before it is read. */
		char one[64];
		snprintf(one, sizeof one, "%.*s", (int)strcspn(at, ","), at);
		if (number_scan(one, &number, NULL) || *number.end)
			return err_set(
				err, RC_ARG, 0,
				"calc allan: --tau: found \"%.60s\", expected times with commas between, such as "
				"1,10,100",
				text);
		double m = number.value / tau0;
		if (!(m >= 1 && m <= (double)(n / 2)) || fabs(m - round(m)) > 1e-6 * m)
			return err_set(err, RC_ARG, 0,
				       "calc allan: --tau %g: expected a whole multiple of tau0 = %g, at most half of "
				       "the record (%g)",
				       number.value, tau0, (double)(n / 2) * tau0);
		taus_add(t, (size_t)round(m));
		number.end = at + strcspn(at, ",");
		if (!*number.end)
			return RC_OK;
	}
}

/* The averaging time beyond which a longer mean is no better, from the overlapping values of at least five averages. */
static double best_tau(const struct calc_series *s, const struct taus *t, double tau0)
{
	double best = INFINITY, at = NAN;

	for (size_t i = 0; i < t->n; i++) {
		double dev = stats_oadev(s->y, s->n, t->m[i]);
		if (s->n / t->m[i] >= 5 && dev < best) {
			best = dev;
			at = (double)t->m[i] * tau0;
		}
	}
	return at;
}

static int allan_json(const struct calc_series *s, const struct taus *t, double tau0)
{
	json_t *tau = json_array(), *adev = json_array(), *oadev = json_array(), *pairs = json_array();

	for (size_t i = 0; i < t->n; i++) {
		json_array_append_new(tau, cli_real((double)t->m[i] * tau0));
		json_array_append_new(adev, cli_real(stats_adev(s->y, s->n, t->m[i])));
		json_array_append_new(oadev, cli_real(stats_oadev(s->y, s->n, t->m[i])));
		json_array_append_new(pairs, json_integer((json_int_t)(s->n / t->m[i] - 1)));
	}
	return cli_print_json(json_pack("{s:o, s:o, s:I, s:o, s:o, s:o, s:o, s:o, s:o}", "column", cli_text(s->name),
					"unit", cli_text(s->unit), "n", (json_int_t)s->n, "tau0", cli_real(tau0), "tau",
					tau, "adev", adev, "oadev", oadev, "n_pairs", pairs, "tau_best",
					cli_real(best_tau(s, t, tau0))));
}

static void allan_text(const struct calc_series *s, const struct taus *t, double tau0)
{
	printf("%s%s%s%s: %zu readings, %g apart\n\n", s->name, *s->unit ? " (" : "", s->unit, *s->unit ? ")" : "",
	       s->n, tau0);
	printf("  %12s  %14s  %14s  %8s\n", "tau", "Allan dev.", "overlapping", "pairs");
	for (size_t i = 0; i < t->n; i++)
		printf("  %12g  %14.7g  %14.7g  %8zu\n", (double)t->m[i] * tau0, stats_adev(s->y, s->n, t->m[i]),
		       stats_oadev(s->y, s->n, t->m[i]), s->n / t->m[i] - 1);
	double best = best_tau(s, t, tau0);
	if (isfinite(best))
		printf("\nAveraging helps up to about tau = %g.\n", best);
	else
		printf("\nToo few readings to tell how long an average helps.\n");
}

static enum rc allan_times(const struct calc_series *s, const char *tau, double tau0, struct taus *t, struct err *err)
{
	if (s->n < 2)
		return err_set(err, RC_ARG, 0, "%s: an Allan deviation needs at least 2 readings, found %zu",
			       s->table.name, s->n);
	if (tau)
		return taus_asked(tau, tau0, s->n, t, err);
	taus_usual(t, s->n);
	return RC_OK;
}

int calc_allan(int argc, char **argv)
{
	const char *column = NULL, *tau0_text = "1", *tau = NULL;
	const struct cli_option options[] = {
		{ "y", "COLUMN", "the column (default: the first)", &column, NULL },
		{ "tau0", "T", "time between readings, in any unit; tau comes out in the same (default: 1)", &tau0_text,
		  NULL },
		{ "tau", "T,T,...", "averaging times (default: powers of 2, and 1, 2, 5 of every ten)", &tau, NULL },
	};
	const struct cli_spec spec = {
		"calc allan",
		"calc allan FILE.csv [--tau0 T] [options]",
		"Allan deviation of equally spaced readings, plain and with overlapping averages (NIST SP 1065): how "
		"far means over "
		"a time tau differ from one to the next. Of a cell's zero it tells how long an average still helps.",
		"  bridle calc allan zero.csv --tau0 0.0125 --json\n"
		"    NIST SP 1065, the nine values 892 809 823 798 671 644 883 903 677:\n"
		"    91.22945 at tau 1, 115.8082 at 2\n",
		options,
		sizeof options / sizeof options[0],
		1,
		1
	};
	struct cli cli;
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct calc_series s;
	struct taus taus = { 0 };
	double tau0;

	if (cli_parse(&spec, argc, argv, &cli, &err))
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	if (number_parse(tau0_text, &tau0, NULL) || !(tau0 > 0)) {
		err_set(&err, RC_ARG, 0, "calc allan: --tau0: found \"%.40s\", expected a positive number", tau0_text);
		return cli_fail(&cli, &err, NULL, NULL);
	}
	if (series_read(cli.args[0], column, &s, &m, &err))
		return cli_fail(&cli, &err, NULL, &m);
	int status = 0;
	if (allan_times(&s, tau, tau0, &taus, &err))
		status = cli_fail(&cli, &err, NULL, NULL);
	else if (cli.json)
		status = allan_json(&s, &taus, tau0);
	else
		allan_text(&s, &taus, tau0);
	series_free(&s);
	return status;
}
