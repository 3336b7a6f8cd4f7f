/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/log_checks.h"

#include "calib/fit/control_chart.h"
#include "terminal/cli.h"
#include "live/live.h"
#include "command/ready_check.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <time.h>

#define COLUMNS 35 /* of the chart at most; its middle is the centre, four sigma to either side */
#define COLUMNS_LEAST 25
#define DAY_ONLY 10 /* characters of a date without its time */
#define SIGMAS_SHOWN 4.0
#define LEAST_BASE 8 /* fewer values make limits that may still move much: said (common practice, no source) */

struct checked {
	int64_t run_id, wall_ns, calibration_id;
	double sensitivity, off_Nm, e_n;
	bool ok;
	char weights[160];
};

struct all {
	struct checked *c;
	size_t n, room;
	bool failed; /* out of memory */
};

static double real_of(const json_t *o, const char *key)
{
	const json_t *value = json_object_get(o, key);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

static bool take(void *ctx, const struct record_info *record)
{
	struct all *all = ctx;
	json_t *o = json_loads(record->json, 0, NULL);
	const char *weights = json_string_value(json_object_get(o, "weights"));
	struct checked c = { .run_id = record->run_id,
			     .wall_ns = record->wall_ns,
			     .calibration_id = json_integer_value(json_object_get(o, "calibration_id")),
			     .sensitivity = real_of(o, "sensitivity_count_per_Nm"),
			     .off_Nm = real_of(o, "off_Nm"),
			     .e_n = real_of(o, "E_n"),
			     .ok = json_is_true(json_object_get(o, "ok")) };

	snprintf(c.weights, sizeof c.weights, "%s", weights ? weights : "");
	json_decref(o);
	if (!isfinite(c.sensitivity))
		return true;
	if (all->n == all->room) {
		size_t room = all->room ? 2 * all->room : 32;
		struct checked *more = realloc(all->c, room * sizeof *more);
		if (!more)
			return !(all->failed = true);
		all->c = more;
		all->room = room;
	}
	all->c[all->n++] = c;
	return true;
}

/* Those with the weights of the newest, in their order. */
static void keep_one_weight(struct all *all)
{
	size_t kept = 0;
	char weights[sizeof all->c->weights];

	snprintf(weights, sizeof weights, "%s", all->c[all->n - 1].weights);
	for (size_t i = 0; i < all->n; i++)
		if (strcmp(all->c[i].weights, weights) == 0)
			all->c[kept++] = all->c[i];
	all->n = kept;
}

static enum rc chart_of(const struct all *all, struct control_chart *ret, bool *ret_all_refused, struct err *err)
{
	double *x = calloc(all->n, sizeof *x);
	bool *base = calloc(all->n, sizeof *base), any = false;

	for (size_t i = 0; x && base && i < all->n; i++) {
		x[i] = all->c[i].sensitivity;
		base[i] = all->c[i].ok;
		any = any || base[i];
	}
	*ret_all_refused = !any;
	enum rc rc = x && base ? control_chart(x, any ? base : NULL, all->n, ret, err)
			       : err_set(err, RC_NOMEM, 0, "out of memory");
	free(x);
	free(base);
	return rc;
}

static const char *day_of(int64_t wall_ns, char buf[20])
{
	time_t t = (time_t)(wall_ns / 1000000000);
	struct tm tm;

	if (!gmtime_r(&t, &tm) || strftime(buf, 20, "%Y-%m-%d %H:%M", &tm) == 0)
		strcpy(buf, "-");
	return buf;
}

/* --- as text --- */

/* A chart that fits the terminal: a narrow one has fewer columns and dates without their times. */
struct chart {
	int columns, day;
};

static struct chart chart_for(int width)
{
	bool narrow = width < COLUMNS + 41;

	return (struct chart){ narrow ? COLUMNS_LEAST : COLUMNS, narrow ? DAY_ONLY : 16 };
}

static int column_at(const struct chart *chart, double sigmas)
{
	int half = chart->columns / 2;

	return half + (int)lround(fmin(fmax(sigmas, -SIGMAS_SHOWN), SIGMAS_SHOWN) * half / SIGMAS_SHOWN);
}

static void draw_line(const struct chart *chart, const struct control_chart *c, const struct checked *one,
		      char line[COLUMNS + 1])
{
	memset(line, ' ', COLUMNS);
	line[chart->columns] = '\0';
	line[column_at(chart, 0)] = '|';
	line[column_at(chart, -2)] = line[column_at(chart, 2)] = '.';
	line[column_at(chart, -3)] = line[column_at(chart, 3)] = ':';
	double sigmas = c->sigma > 0 ? (one->sensitivity - c->centre) / c->sigma : 0;
	line[column_at(chart, sigmas)] = sigmas < -SIGMAS_SHOWN  ? '<'
					 : sigmas > SIGMAS_SHOWN ? '>'
					 : one->ok               ? 'o'
								 : 'X';
}

static const char *without_end(char *line)
{
	size_t n = strlen(line);

	while (n > 0 && line[n - 1] == ' ')
		line[--n] = '\0';
	return line;
}

static void print_head(const struct chart *chart)
{
	char line[COLUMNS + 1];

	memset(line, ' ', COLUMNS);
	line[chart->columns] = '\0';
	memcpy(line + column_at(chart, -3) - 1, "-3s", 3);
	memcpy(line + column_at(chart, -2) - 1, "-2s", 3);
	memcpy(line + column_at(chart, 0) - 3, "centre", 6);
	memcpy(line + column_at(chart, 2) - 1, "+2s", 3);
	memcpy(line + column_at(chart, 3) - 1, "+3s", 3);
	printf("  no  %-*s  calib.     E_n  %s\n", chart->day, "date, UTC", without_end(line));
}

static void print_chart(const struct all *all, const struct control_chart *c)
{
	const struct chart chart = chart_for(cli_width());
	char line[COLUMNS + 1], day[20];

	print_head(&chart);
	for (size_t i = 0; i < all->n; i++) {
		const struct checked *one = &all->c[i];
		draw_line(&chart, c, one, line);
		printf("%4zu  %-*.*s  %6lld  %+7.2f  %s\n", i + 1, chart.day, chart.day, day_of(one->wall_ns, day),
		       (long long)one->calibration_id, one->e_n, without_end(line));
	}
}

static void print_limits(const struct all *all, const struct control_chart *c, bool all_refused)
{
	putchar('\n');
	live_say("Check weight: %s. Charted: counts per N\u00b7m of the check weight; centre %.7g.",
		 all->c[all->n - 1].weights, c->centre);
	if (c->sigma > 0)
		live_say("Sigma is %.3g count/(N\u00b7m), %.2g %% of the centre: the mean moving range of the first "
			 "%zu checks by 1.128.",
			 c->sigma, 100 * c->sigma / fabs(c->centre), c->n_base);
	else
		live_say("Sigma is not known: %zu of the checks can make limits, at least 2 that differ are needed.",
			 c->n_base);
	if (c->sigma > 0 && c->n_base < LEAST_BASE)
		live_say("These limits are provisional: %zu checks, expected %d or more.", c->n_base, LEAST_BASE);
	if (all_refused)
		live_say("Every check said that the calibration does not hold; the limits still use them.");
	live_say("o the calibration holds (|E_n| is 1 or less), X it does not, < > beyond the chart.");
}

static void print_hits(const struct control_chart *c)
{
	if (!(c->sigma > 0))
		return;
	if (c->n_hits == 0)
		live_say("Run rules (Nelson 1984, tests 1, 2, 3, 5 and 6): none is met.");
	else
		live_say("Run rules (Nelson 1984, tests 1, 2, 3, 5 and 6) that are met:");
	for (size_t i = 0; i < c->n_hits; i++)
		printf("  check %zu: %s (test %d)\n", c->hit[i].at + 1, chart_rule_words(&c->hit[i]),
		       (int)c->hit[i].rule);
	if (c->n_hits > 0 && c->hit[c->n_hits - 1].at + 1 == c->n)
		live_say("The newest check is among them. Check the cell, its cable and its screws, then hang the "
			 "weight again. Calibrate "
			 "when the rule is still met.");
}

/* --- as JSON --- */

static json_t *check_json(const struct checked *one, size_t no)
{
	char day[20];

	return json_pack("{s:I, s:s, s:I, s:I, s:o, s:o, s:o, s:b}", "check", (json_int_t)no, "checked_utc",
			 day_of(one->wall_ns, day), "run", (json_int_t)one->run_id, "calibration_id",
			 (json_int_t)one->calibration_id, "E_n", cli_real(one->e_n), "off_Nm", cli_real(one->off_Nm),
			 "sensitivity_count_per_Nm", cli_real(one->sensitivity), "ok", one->ok);
}

static json_t *chart_json(const struct all *all, const struct control_chart *c)
{
	json_t *checks = json_array(), *hits = json_array();

	for (size_t i = 0; i < all->n; i++)
		json_array_append_new(checks, check_json(&all->c[i], i + 1));
	for (size_t i = 0; i < c->n_hits; i++)
		json_array_append_new(hits, json_pack("{s:I, s:i, s:s}", "check", (json_int_t)c->hit[i].at + 1, "test",
						      (int)c->hit[i].rule, "words", chart_rule_words(&c->hit[i])));
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:I, s:s, s:o}", "checks", checks, "weights",
			 cli_text(all->c[all->n - 1].weights), "centre", cli_real(c->centre), "sigma",
			 cli_real(c->sigma), "lower_3_sigma", cli_real(c->centre - 3 * c->sigma), "lower_2_sigma",
			 cli_real(c->centre - 2 * c->sigma), "upper_2_sigma", cli_real(c->centre + 2 * c->sigma),
			 "upper_3_sigma", cli_real(c->centre + 3 * c->sigma), "limits_from_checks",
			 (json_int_t)c->n_base, "rules", "Nelson 1984, tests 1, 2, 3, 5 and 6", "rules_met", hits);
}

static enum rc show(const struct all *all, bool json, struct err *err)
{
	struct control_chart c;
	bool all_refused;
	enum rc rc = chart_of(all, &c, &all_refused, err);

	if (rc != RC_OK)
		return rc;
	if (json)
		return cli_print_json(chart_json(all, &c)) == 0
			       ? RC_OK
			       : err_set(err, RC_IO, 0, "cannot write to standard output");
	print_chart(all, &c);
	print_limits(all, &c, all_refused);
	print_hits(&c);
	return RC_OK;
}

enum rc log_checks(struct logbook *lb, bool json, struct err *err)
{
	struct all all = { .n = 0 };
	enum rc rc = logbook_each_record(lb, READY_CHECK, take, &all, err);

	if (rc == RC_OK && all.failed)
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	if (rc == RC_OK && all.n == 0)
		rc = err_set(err, RC_ARG, 0,
			     "the logbook holds no check of the calibration yet; bridle ready makes one when rig.ini "
			     "has [check] weight");
	if (rc == RC_OK) {
		keep_one_weight(&all);
		rc = show(&all, json, err);
	}
	free(all.c);
	return rc;
}
