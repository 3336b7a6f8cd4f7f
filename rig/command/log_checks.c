/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/log_checks.h"

#include "live/live.h"
#include "reports/page/checks_write.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>
#include <string.h>
#include <time.h>

#define COLUMNS 35 /* of the chart at most; its middle is the centre, four sigma to either side */
#define COLUMNS_LEAST 25
#define DAY_ONLY 10 /* characters of a date without its time */
#define SIGMAS_SHOWN 4.0

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

static void draw_line(const struct chart *chart, const struct checks *all, size_t i, char line[COLUMNS + 1])
{
	double sigmas = checks_charted(all) ? checks_sigmas(all, i) : 0;

	memset(line, ' ', COLUMNS);
	line[chart->columns] = '\0';
	line[column_at(chart, 0)] = '|';
	line[column_at(chart, -2)] = line[column_at(chart, 2)] = '.';
	line[column_at(chart, -3)] = line[column_at(chart, 3)] = ':';
	line[column_at(chart, sigmas)] = sigmas < -SIGMAS_SHOWN  ? '<'
					 : sigmas > SIGMAS_SHOWN ? '>'
					 : all->check[i].ok      ? 'o'
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

static void print_chart(const struct checks *all)
{
	const struct chart chart = chart_for(cli_width());
	char line[COLUMNS + 1], day[20];

	print_head(&chart);
	for (size_t i = 0; i < all->n; i++) {
		const struct check_result *one = &all->check[i];
		draw_line(&chart, all, i, line);
		printf("%4zu  %-*.*s  %6lld  %+7.2f  %s\n", i + 1, chart.day, chart.day, day_of(one->wall_ns, day),
		       (long long)one->calibration_id, one->e_n, without_end(line));
	}
}

static void print_limits(const struct checks *all)
{
	const struct control_chart *c = &all->chart;

	putchar('\n');
	live_say("Check weight: %s. Charted: counts per N\u00b7m of the check weight; centre %.7g.",
		 all->check[all->n - 1].weights, c->centre);
	if (c->sigma > 0)
		live_say("Sigma is %.3g count/(N\u00b7m), %.2g %% of the centre: the mean moving range of the first "
			 "%zu checks by 1.128.",
			 c->sigma, 100 * c->sigma / fabs(c->centre), c->n_base);
	else
		live_say("Sigma is not known: %zu of the checks can make limits, at least 2 that differ are needed.",
			 c->n_base);
	if (c->sigma > 0 && c->n_base < CHECKS_BASE_LEAST)
		live_say("These limits are provisional: %zu checks, expected %d or more.", c->n_base,
			 CHECKS_BASE_LEAST);
	if (all->all_refused)
		live_say("Every check said that the calibration does not hold; the limits still use them.");
	if (all->n_other_kind)
		live_say("Left out: %zu check%s of %s.", all->n_other_kind, all->n_other_kind == 1 ? "" : "s",
			 all->check[0].on_bench ? "a real rig" : "a virtual bench");
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

static json_t *check_json(const struct check_result *one, size_t no)
{
	char day[20];

	return json_pack("{s:I, s:s, s:I, s:I, s:o, s:o, s:o, s:b}", "check", (json_int_t)no, "checked_utc",
			 day_of(one->wall_ns, day), "run", (json_int_t)one->run_id, "calibration_id",
			 (json_int_t)one->calibration_id, "E_n", cli_real(one->e_n), "off_Nm", cli_real(one->off_Nm),
			 "sensitivity_count_per_Nm", cli_real(one->sensitivity), "ok", one->ok);
}

static json_t *chart_json(const struct checks *all)
{
	const struct control_chart *c = &all->chart;
	json_t *checks = json_array(), *hits = json_array();

	for (size_t i = 0; i < all->n; i++)
		json_array_append_new(checks, check_json(&all->check[i], i + 1));
	for (size_t i = 0; i < c->n_hits; i++)
		json_array_append_new(hits, json_pack("{s:I, s:i, s:s}", "check", (json_int_t)c->hit[i].at + 1, "test",
						      (int)c->hit[i].rule, "words", chart_rule_words(&c->hit[i])));
	return json_pack("{s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:I, s:s, s:o}", "checks", checks, "weights",
			 cli_text(all->check[all->n - 1].weights), "centre", cli_real(c->centre), "sigma",
			 cli_real(c->sigma), "lower_3_sigma", cli_real(c->centre - 3 * c->sigma), "lower_2_sigma",
			 cli_real(c->centre - 2 * c->sigma), "upper_2_sigma", cli_real(c->centre + 2 * c->sigma),
			 "upper_3_sigma", cli_real(c->centre + 3 * c->sigma), "limits_from_checks",
			 (json_int_t)c->n_base, "rules", "Nelson 1984, tests 1, 2, 3, 5 and 6", "rules_met", hits);
}

static enum rc tell_json(const struct checks *all, const char *out, struct err *err)
{
	json_t *doc = chart_json(all);
	char path[1200];

	if (out) {
		snprintf(path, sizeof path, "%s/" CHECKS_PAGE, out);
		json_object_set_new(doc, "page", cli_text(path));
	}
	return cli_print_json(doc) == 0 ? RC_OK : err_set(err, RC_IO, 0, "cannot write to standard output");
}

static void tell(const struct checks *all, const char *out)
{
	print_chart(all);
	print_limits(all);
	print_hits(&all->chart);
	if (out)
		printf("\nPage: %s/" CHECKS_PAGE "\n", out);
}

enum rc log_checks(struct logbook *lb, const char *out, bool json, struct err *err)
{
	struct checks *all = NULL;
	enum rc rc = checks_of(lb, &all, err);

	if (rc == RC_OK && out)
		rc = checks_write(all, out, err);
	if (rc == RC_OK && json)
		rc = tell_json(all, out, err);
	else if (rc == RC_OK)
		tell(all, out);
	checks_free(all);
	return rc;
}
