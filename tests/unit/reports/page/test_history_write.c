/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The files of a history that is put together here. */
#include "reports/page/history_write.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/near.h"
#include "tests/unit/reports/page/written.h"

#include <unistd.h>

static struct history_value value[2] = {
	{ .wall_ns = 1500000000, .run_id = 7, .value = 0.5, .u = NAN, .speed_rpm = NAN },
	{ .wall_ns = 2500000000, .run_id = 0, .value = 0.75, .u = 0.125, .speed_rpm = NAN },
};
static struct history_change change[1] = {
	{ .wall_ns = 2000000000, .run_id = 8, .what = "rig.ini [rig] name: \"b\"" }
};
static char dir[64];

static struct history made(void)
{
	struct history h = {
		.actuator = "winder's \"own\"", .rig = "Heron", .change = change, .n_changes = 1, .n_left_out = 3
	};
	struct history_series *s = &h.series[HISTORY_BRAKE];

	s->value = value;
	s->n = 2;
	s->charted = true;
	s->chart = (struct control_chart){ .n = 2, .n_base = 2, .centre = 0.625, .sigma = 0.25, .n_hits = 1 };
	s->chart.hit[0] = (struct chart_hit){ CHART_TREND, 1, +1 };
	return h;
}

static int begin(void **state)
{
	(void)state;
	snprintf(dir, sizeof dir, "/tmp/bridle-history-%d", (int)getpid());
	return 0;
}

static int end(void **state)
{
	static const char *const names[] = { "history.csv", "changes.csv", "history.json", "history.gp", "history.html",
					     "history.svg", "history.png", "history.pdf",  "gnuplot.log" };
	char path[100];

	(void)state;
	for (size_t i = 0; i < sizeof names / sizeof names[0]; i++) {
		snprintf(path, sizeof path, "%s/%s", dir, names[i]);
		unlink(path);
	}
	return rmdir(dir);
}

/* Written with a PATH in which there is no gnuplot, or with the tests' own. */
static enum rc written(bool with_gnuplot, struct err *err)
{
	struct history h = made();
	char *path = strdup(getenv("PATH"));

	if (!with_gnuplot)
		setenv("PATH", "/nowhere", 1);
	enum rc rc = history_write(&h, dir, err);
	setenv("PATH", path, 1);
	free(path);
	return rc;
}

static void has(const char *name, const char *words)
{
	char *text = slurp(dir, name);

	if (!text || !strstr(text, words))
		fail_msg("%s: found \"%.300s\", expected \"%s\" in it", name, text ? text : "no file", words);
	free(text);
}

static void without_gnuplot_all_but_the_figure_is_there(void **state)
{
	struct err err = { 0 };

	(void)state;
	assert_int_equal(written(false, &err), RC_IO);
	assert_non_null(strstr(err.what, "page and tables stand without the figure"));
	assert_null(strstr(err.what, "--no-figures")); /* there is no such option */
	has("history.html", "At least one run rule is met.");
	has("history.html", "</html>");
	has("history.csv", "brake_slope,N\u00b7m/A,1,1.500,1970-01-01");
	has("history.csv", ",7,0.5,,0.625,0.25,\"\"\n");
	has("history.csv", ",0,0.75,0.125,0.625,0.25,\"6 ");
	has("changes.csv", ",8,\"rig.ini [rig] name: \"\"b\"\"\"\n");
	has("history.gp", "winder''s"); /* as gnuplot has it */
}

static void the_document_holds_what_the_tables_hold(void **state)
{
	struct history h = made();
	json_t *doc = history_to_json(&h), *series = json_object_get(doc, "series");
	const json_t *brake = json_array_get(series, HISTORY_BRAKE), *second;

	(void)state;
	assert_int_equal(json_array_size(series), HISTORY_QUANTITIES);
	assert_string_equal(json_string_value(json_object_get(brake, "series")), "brake_slope");
	second = json_array_get(json_object_get(brake, "values"), 1);
	assert_near(json_number_value(json_object_get(second, "value")), 0.75, 0);
	assert_near(json_number_value(json_object_get(second, "u")), 0.125, 0);
	assert_true(json_is_null(json_object_get(second, "run")));
	assert_int_equal(
		json_integer_value(json_object_get(json_array_get(json_object_get(brake, "rules_met"), 0), "no")), 2);
	assert_true(json_is_null(json_object_get(json_array_get(series, HISTORY_ZERO), "sigma")));
	assert_int_equal(json_integer_value(json_object_get(doc, "runs_left_out")), 3);
	json_decref(doc);
}

static void with_gnuplot_the_page_has_the_figure(void **state)
{
	struct err err = { 0 };

	(void)state;
	assert_int_equal(written(true, &err), RC_OK);
	has("history.svg", "<svg");
	has("history.svg", "rgb(119, 119, 119)' stroke-dasharray="); /* the limits are dashed, the centre is not */
	has("history.svg", "rgb( 85,  85,  85)'  d=");
	has("history.html", "<svg");
	has("history.html", "What should stay as it is");
	assert_null(slurp(dir, "gnuplot.log"));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(without_gnuplot_all_but_the_figure_is_there, begin, end),
		cmocka_unit_test(the_document_holds_what_the_tables_hold),
		cmocka_unit_test_setup_teardown(with_gnuplot_the_page_has_the_figure, begin, end),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
