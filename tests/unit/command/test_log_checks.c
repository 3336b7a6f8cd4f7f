/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The chart as it is drawn; its limits and rules are test_control_chart's. */
#include "command/log_checks.h"

#include <fcntl.h>
#include <pty.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <time.h>

#include <cmocka.h>
#include <jansson.h>

#include "caught.h"
#include "near.h"
#include "tests/unit/logbook/session_scene.h"

static void kept(struct session *s, const char *weights, double sensitivity, bool ok)
{
	char json[300];

	snprintf(json, sizeof json,
		 "{\"weights\": \"%s\", \"calibration_id\": 7, \"sensitivity_count_per_Nm\": %g, \"off_Nm\": 0.125, "
		 "\"E_n\": %s, \"ok\": %s}",
		 weights, sensitivity, ok ? "0.5" : "-2.25", ok ? "true" : "false");
	scene_record(s, "check", json);
	scene_s += 86400;
}

/* 100, 102, 100, 102 counts per N·m: centre 101, mean moving range 2, sigma 2 / 1.128 = 1.7730. */
static void four_days(struct book *b, struct session *s)
{
	scene_open(b, s);
	scene_run(s, "ready");
	kept(s, "hanger and a", 55, true); /* another weight: another chart */
	for (int i = 0; i < 4; i++)
		kept(s, "b", i % 2 ? 102 : 100, true);
}

static void text_of(struct session *s, bool json, int columns, char *text, size_t size)
{
	struct winsize window = { .ws_col = (unsigned short)columns, .ws_row = 24 };
	int master = -1, slave = -1;
	struct err err = { 0 };
	struct caught c;

	if (columns)
		assert_int_equal(openpty(&master, &slave, NULL, NULL, &window), 0);
	caught_begin(&c, slave);
	enum rc rc = log_checks(s->logbook, NULL, json, &err);
	caught_end(&c, text, size);
	if (columns) {
		close(master);
		close(slave);
	}
	assert_int_equal(rc, RC_OK);
}

static const char *row(char *text, int n)
{
	static char line[200];

	for (; n > 0 && (text = strchr(text, '\n')) != NULL; n--)
		text++;
	assert_non_null(text);
	snprintf(line, sizeof line, "%.*s", (int)strcspn(text, "\n"), text);
	return line;
}

/* Four sigma are 17 columns: 1 count per N·m is 1 / 1.7730 * 17 / 4 = 2.4 columns, so the signs stand 2 beside the
 * middle; 2 sigma are 8.5 columns, 9 by lround, 3 sigma 12.75. */
static void a_row_for_each_check_with_the_newest_weights(void **state)
{
	char text[4000];
	struct session s;

	four_days(*state, &s);
	text_of(&s, false, 0, text, sizeof text);
	assert_string_equal(row(text, 0), "  no  date, UTC         calib.     E_n     -3s -2s    centre     +2s +3s");
	assert_string_equal(row(text, 1), "   1  2026-03-02 12:00       7    +0.50      :   .      o |        .   :");
	assert_string_equal(row(text, 4), "   4  2026-03-05 12:00       7    +0.50      :   .        | o      .   :");
	assert_string_equal(row(text, 5), "");
	assert_non_null(strstr(text, "Check weight: b. Charted: counts per N\u00b7m of the check weight; centre 101."));
	assert_non_null(strstr(text, "Sigma is 1.77 count/(N\u00b7m), 1.8 % of the centre"));
	assert_non_null(strstr(text, "provisional: 4 checks, expected 8 or more."));
	assert_non_null(strstr(text, "none is met"));
	assert_true(caught_width(text) <= 80);
}

static void one_beyond_the_chart_is_named(void **state)
{
	char text[4000];
	struct session s;

	four_days(*state, &s);
	kept(&s, "b", 120, false);
	text_of(&s, false, 0, text, sizeof text);
	assert_string_equal(row(text, 5),
			    "   5  2026-03-06 12:00       7    -2.25      :   .        |        .   :   >");
	assert_non_null(strstr(text, "centre 101.")); /* what says no makes no limits */
	assert_non_null(strstr(text, "that are met:\n  check 5: above the 3 sigma line (test 1)\n"));
	assert_non_null(strstr(text, "The newest check is among them."));
	kept(&s, "b", 80, false);
	text_of(&s, false, 0, text, sizeof text);
	assert_string_equal(row(text, 6), "   6  2026-03-07 12:00       7    -2.25  <   :   .        |        .   :");
}

static void a_narrow_terminal_gets_a_narrow_chart(void **state)
{
	char text[4000];
	struct session s;

	four_days(*state, &s);
	text_of(&s, false, 60, text, sizeof text);
	assert_string_equal(row(text, 1), "   1  2026-03-02       7    +0.50     :  .   o |     .  :");
	assert_true(caught_width(text) <= 60);
}

static void few_checks_have_no_limits(void **state)
{
	char text[4000];
	struct session s;

	scene_open(*state, &s);
	scene_run(&s, "ready");
	kept(&s, "b", 100, false);
	text_of(&s, false, 0, text, sizeof text);
	assert_non_null(strstr(text, "Sigma is not known: 1 of the checks"));
	assert_non_null(strstr(text, "Every check said that the calibration does not hold"));
	assert_null(strstr(text, "nan"));
	assert_null(strstr(text, "Run rules"));
	text_of(&s, true, 0, text, sizeof text);
	json_t *o = json_loads(text, 0, NULL);
	assert_true(json_is_null(json_object_get(o, "sigma")));
	json_decref(o);
}

static void programs_read_the_same(void **state)
{
	char text[8000];
	struct session s;

	four_days(*state, &s);
	text_of(&s, true, 0, text, sizeof text);
	json_t *o = json_loads(text, 0, NULL), *checks = json_object_get(o, "checks");
	assert_int_equal(json_array_size(checks), 4);
	assert_near(json_number_value(json_object_get(o, "centre")), 101, 1e-12);
	assert_near(json_number_value(json_object_get(o, "sigma")), 2 / 1.128, 1e-12);
	assert_near(json_number_value(json_object_get(o, "lower_3_sigma")), 101 - 6 / 1.128, 1e-12);
	assert_near(json_number_value(json_object_get(o, "upper_2_sigma")), 101 + 4 / 1.128, 1e-12);
	assert_int_equal(json_integer_value(json_object_get(o, "limits_from_checks")), 4);
	const json_t *last = json_array_get(checks, 3);
	assert_int_equal(json_integer_value(json_object_get(last, "check")), 4);
	assert_string_equal(json_string_value(json_object_get(last, "checked_utc")), "2026-03-05 12:00");
	assert_near(json_number_value(json_object_get(last, "sensitivity_count_per_Nm")), 102, 0);
	assert_int_equal(json_array_size(json_object_get(o, "rules_met")), 0);
	json_decref(o);
}

static void without_a_check_it_says_what_makes_one(void **state)
{
	struct session s;
	struct err err = { 0 };

	scene_open(*state, &s);
	scene_run(&s, "ready");
	assert_int_equal(log_checks(s.logbook, NULL, false, &err), RC_ARG);
	scene_says(&err, "no check of the calibration yet; bridle ready makes one");
	scene_record(&s, "check", "{\"weights\": \"b\"}"); /* of an older program: no sensitivity */
	assert_int_equal(log_checks(s.logbook, NULL, false, &err), RC_ARG);
	scene_says(&err, "no check of the calibration yet");
}

#define ON_A_LOGBOOK(name) cmocka_unit_test_setup_teardown(name, book_set_up, book_tear_down)

int main(void)
{
	const struct CMUnitTest tests[] = {
		ON_A_LOGBOOK(a_row_for_each_check_with_the_newest_weights),
		ON_A_LOGBOOK(one_beyond_the_chart_is_named),
		ON_A_LOGBOOK(a_narrow_terminal_gets_a_narrow_chart),
		ON_A_LOGBOOK(few_checks_have_no_limits),
		ON_A_LOGBOOK(programs_read_the_same),
		ON_A_LOGBOOK(without_a_check_it_says_what_makes_one),
	};

	setenv("TZ", "EAST-9", 1); /* the chart is in UTC wherever it is read */
	tzset();
	return cmocka_run_group_tests(tests, NULL, NULL);
}
