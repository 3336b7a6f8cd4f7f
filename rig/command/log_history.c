/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/log_history.h"

#include "live/live.h"
#include "reports/page/history_write.h"
#include "reports/reduce/text.h"
#include "terminal/cli.h"

#include <math.h>
#include <stdio.h>

static void print_changes(const struct history *h, const struct history_series *s, size_t no)
{
	size_t first = 0, n = history_changes(h, s, no, &first);
	char text[HISTORY_WHAT + 40];

	for (size_t i = 0; i < n; i++) {
		snprintf(text, sizeof text, "%s", h->change[first + i].what);
		cli_wrapped(stdout, cli_width(), "      changed before it: ", "        ", text);
	}
}

static void print_values(const struct history *h, const struct history_series *s)
{
	for (size_t i = 0; i < s->n; i++) {
		const struct history_value *v = &s->value[i];
		char at[40];
		text_time(at, sizeof at, v->wall_ns);
		print_changes(h, s, i);
		printf("%4zu  %.16s  run %-5lld %12.7g", i + 1, at, (long long)v->run_id, v->value);
		if (s->charted)
			printf("  %+5.1f sigma", (v->value - s->chart.centre) / s->chart.sigma);
		putchar('\n');
	}
}

static void print_hits(const struct history_series *s)
{
	if (!s->charted) {
		live_say("No limits yet: a series needs two values that differ.");
		return;
	}
	live_say("Centre %.7g, sigma %.2g from the first %zu values%s", s->chart.centre, s->chart.sigma,
		 s->chart.n_base, s->chart.n_hits ? "; run rules that are met:" : "; no run rule is met.");
	for (size_t i = 0; i < s->chart.n_hits; i++)
		printf("  value %zu: %s (test %d)\n", s->chart.hit[i].at + 1, chart_rule_words(&s->chart.hit[i]),
		       (int)s->chart.hit[i].rule);
}

static void print(const struct history *h)
{
	live_say("History of %s%s%s%s. Run rules: Nelson 1984, tests 1, 2, 3, 5 and 6.",
		 h->actuator[0] ? h->actuator : "the rig", h->rig[0] ? " on " : "", h->rig,
		 h->on_bench ? " (a virtual bench)" : "");
	if (h->n_left_out)
		live_say("Left out: %zu run%s of %s.", h->n_left_out, h->n_left_out == 1 ? "" : "s",
			 h->on_bench ? "a real rig" : "a virtual bench");
	for (int q = 0; q < HISTORY_QUANTITIES; q++) {
		if (h->series[q].n == 0)
			continue;
		printf("\n%s\n", history_title((enum history_quantity)q));
		print_values(h, &h->series[q]);
		print_hits(&h->series[q]);
	}
}

enum rc log_history(struct logbook *lb, const char *actuator, const char *out, bool json, struct err *err)
{
	struct history *h = NULL;
	enum rc rc = history_of(lb, actuator, &h, err);

	if (rc == RC_OK && out)
		rc = history_write(h, out, err);
	if (rc == RC_OK && json)
		rc = cli_print_json(history_to_json(h)) == 0
			     ? RC_OK
			     : err_set(err, RC_IO, 0, "cannot write to standard output");
	else if (rc == RC_OK)
		print(h);
	if (rc == RC_OK && out && !json)
		printf("\nPage, figure and tables: %s\n", out);
	history_free(h);
	return rc;
}
