/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The page of a history that is put together here: what it says is what the series and their charts carry. */
#include "reports/page/history_write.h"
#include "reports/page/report_write.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/reports/page/written.h"

#include <math.h>

static struct history_value value[3];
static struct history_change change[2];
static struct history h;

static int make(void **state)
{
	(void)state;
	h = (struct history){ .actuator = "<winder> & 'co'", .rig = "Heron", .change = change };
	for (int i = 0; i < 3; i++)
		value[i] = (struct history_value){ .wall_ns = 1000000000LL * (1 + i),
						   .run_id = 7 + i,
						   .value = 0.5 + 0.25 * i,
						   .u = 0.1,
						   .speed_rpm = 60 };
	change[0] = (struct history_change){ .wall_ns = 1, .run_id = 0, .what = "calibration, record 5" };
	change[1] = (struct history_change){ .wall_ns = 2, .run_id = 8, .what = "rig.ini [rig] name: <b>, was \"a\"" };
	h.n_changes = 2;
	h.series[HISTORY_ZERO].value = value;
	return 0;
}

static char *page(void)
{
	char *text = NULL;
	size_t size = 0;
	FILE *f = open_memstream(&text, &size);
	struct err err = { 0 };

	assert_int_equal(history_page(f, &h, ".", &(struct figures){ 0 }, &err), RC_OK);
	fclose(f);
	assert_well_formed(text);
	return text;
}

static void has(const char *words, bool expected)
{
	char *text = page();

	if ((strstr(text, words) != NULL) != expected)
		fail_msg("\"%s\" is %s", words, expected ? "missing" : "there");
	free(text);
}

/* One value has no limits; neither has a series that was never charted. */
static void without_limits_there_is_no_verdict(void **state)
{
	(void)state;
	h.series[HISTORY_ZERO].n = 1;
	has("No limits yet", true);
	has("run rule is met", false);
	has("no limits yet", true); /* in the row of the series */
	has(">none<", false);
	has("Sigmas off", true);
	has("1970-01-01", true);
}

static void chart(size_t hits)
{
	struct history_series *s = &h.series[HISTORY_ZERO];

	s->n = 3;
	s->charted = true;
	s->chart = (struct control_chart){ .n = 3, .n_base = 3, .centre = 0.5, .sigma = 0.125, .n_hits = hits };
	s->chart.hit[0] = (struct chart_hit){ CHART_BEYOND, 2, +1 };
}

static void with_limits_the_rules_are_told(void **state)
{
	(void)state;
	chart(0);
	has("No run rule is met.", true);
	has("no limits yet", false);
	has("none</td></tr>", true);
	chart(1);
	has("At least one run rule is met.", true);
	has(chart_rule_words(&h.series[HISTORY_ZERO].chart.hit[0]), true);
	has("(test 1)", true);
	has("+4.0", true); /* (1.0 - 0.5) / 0.125 */
}

static void what_people_wrote_is_text(void **state)
{
	(void)state;
	chart(0);
	has("&lt;winder&gt; &amp;", true);
	has("<winder>", false);
	has("rig.ini [rig] name: &lt;b&gt;", true);
	has("calibration, record 5", true);
}

static void virtual_runs_and_left_out_ones_are_said(void **state)
{
	(void)state;
	chart(0);
	has("virtual bench", false);
	h.n_left_out = 1;
	has("Left out: 1 run of a virtual bench.", true);
	h.on_bench = true;
	h.n_left_out = 2;
	has("Left out: 2 runs of a real rig.", true);
	has("A virtual bench: nothing here was measured.", true);
	h.n_changes = 0;
	has("Nothing that the logbook knows.", true);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup(without_limits_there_is_no_verdict, make),
		cmocka_unit_test_setup(with_limits_the_rules_are_told, make),
		cmocka_unit_test_setup(what_people_wrote_is_text, make),
		cmocka_unit_test_setup(virtual_runs_and_left_out_ones_are_said, make),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
