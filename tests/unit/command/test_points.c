/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The report on a terminal. Its sentences are test_report_text's; here are the rows. */
#include "command/points.h"

#include <pty.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "caught.h"
#include "tests/unit/reports/made_run.h"

static char text[20000];

static struct report *report_made(struct made *m)
{
	struct err err = { 0 };
	struct report *r = NULL;

	*m = (struct made){ .seed = 3,
			    .n_steps = 4,
			    .window_s = 2,
			    .perfect = true,
			    .step = { { 10, 85, 48, 3, 0.3, 1, false },
				      { 22, 85, 48, 6, 0.5, 1, false },
				      { 30, 85, 48, 9, 0.7, 1, false },
				      { 10, 85, 48, 3, 0.3, 1, false } } };
	made_run(m);
	if (report_of_run(m->lb, m->run_id, &r, &err) != RC_OK)
		fail_msg("%s", err.what);
	for (size_t i = 0; i < 4; i++) /* what the reduction found is not at stake */
		r->curve->points[i].note[0] = '\0';
	return r;
}

static void print(const struct report *r, int columns)
{
	struct winsize window = { .ws_col = (unsigned short)columns, .ws_row = 24 };
	int master = -1, slave = -1;
	struct caught c;

	assert_int_equal(openpty(&master, &slave, NULL, NULL, &window), 0);
	caught_begin(&c, slave);
	report_print(r);
	caught_end(&c, text, sizeof text);
	close(master);
	close(slave);
}

/* The row that begins so, after the heading that does. */
static const char *row(const char *heading, const char *begins)
{
	static char line[200];
	char with_break[60];
	const char *at = strstr(text, heading);

	snprintf(with_break, sizeof with_break, "\n%s", begins);
	at = at ? strstr(at, with_break) : NULL;
	if (!at)
		fail_msg("no row \"%s\" after \"%s\" in\n%s", begins, heading, text);
	snprintf(line, sizeof line, "%.*s", (int)strcspn(at + 1, "\n"), at + 1);
	return line;
}

static bool ends(const char *line, const char *end)
{
	size_t n = strlen(line), m = strlen(end);

	return n >= m && strcmp(line + n - m, end) == 0;
}

#define TABLE "limited by"
#define AGAIN "The mean of another window"

static void each_point_is_a_row(void **state)
{
	struct made m;
	struct report *r = report_made(&m);

	(void)state;
	r->curve->points[2].direction = -1;
	r->curve->points[2].limit = LIMIT_ACTUATOR;
	r->curve->points[3].step = 0;
	r->curve->points[3].flags = POINT_REPEAT;
	r->curve->points[3].limit = LIMIT_NONE;
	print(r, 80);
	assert_non_null(strstr(text, "step way         torque / N·m        speed / rpm  efficiency / %  limited by"));
	assert_non_null(strstr(row(TABLE, "   1 rising "), "10.0"));
	assert_true(ends(row(TABLE, "   3 falling"), "  actuator"));
	assert_true(ends(row(TABLE, "   1 again  "), "  none"));
	assert_true(caught_width(text) <= 80);
	assert_null(strstr(text, "nan"));
	report_free(r);
	made_free(&m);
}

static void what_is_doubtful_is_said_before_a_limit(void **state)
{
	struct made m;
	struct report *r = report_made(&m);
	struct curve_point *p = r->curve->points;

	(void)state;
	p[0].impossible = p[0].outlier = true;
	p[0].efficiency_valid = false;
	p[1].outlier = true;
	snprintf(p[1].note, sizeof p[1].note, "off the trend");
	p[2].efficiency_valid = false; /* near no power */
	print(r, 80);
	assert_true(ends(row(TABLE, "   1"), "  IMPOSSIBLE"));
	assert_true(ends(row(TABLE, "   2"), "  OUTLIER *"));
	assert_non_null(strstr(text, "\n* step 2: off the trend\n"));
	assert_non_null(strstr(row(TABLE, "   3"), " \u2013  ")); /* a dash for the efficiency */
	p[1].direction = -1;
	print(r, 80);
	assert_non_null(strstr(text, "\n* step 2 falling: off the trend\n"));
	p[1].flags |= POINT_REPEAT;
	print(r, 80);
	assert_non_null(strstr(text, "\n* step 2 again: off the trend\n"));
	report_free(r);
	made_free(&m);
}

/* 10 N·m at 85 rpm are 10 * 85 * 2 pi / 60 = 89.01 W. */
static void without_a_meter_the_shaft_s_power_stands_there(void **state)
{
	struct made m;
	struct report *r = report_made(&m);

	(void)state;
	for (size_t i = 0; i < 4; i++)
		r->curve->points[i].input_power_W.value = NAN;
	print(r, 80);
	assert_non_null(strstr(text, "shaft / W  limited by"));
	assert_null(strstr(text, "efficiency / %  limited by"));
	assert_non_null(strstr(row(TABLE, "   1"), "89.0"));
	report_free(r);
	made_free(&m);
}

/* Two means differ by sqrt 2 of what one scatters by, and k = 2: 0.05 N·m make 0.14 N·m. */
static void another_window_is_told_where_it_is_known(void **state)
{
	struct made m;
	struct report *r = report_made(&m);

	(void)state;
	for (size_t i = 0; i < 4; i++)
		r->curve->points[i].scatter_Nm = NAN;
	print(r, 80);
	assert_null(strstr(text, AGAIN));
	r->curve->points[1].scatter_Nm = 0.05;
	r->curve->points[1].scatter_rpm = r->curve->points[1].scatter_efficiency = NAN;
	print(r, 80);
	assert_string_equal(row(AGAIN, "   2"), "   2 rising            0.14            -               -");
	report_free(r);
	made_free(&m);
}

static void several_speeds_have_a_column(void **state)
{
	struct made m;
	struct report *r = report_made(&m);

	(void)state;
	print(r, 80);
	assert_null(strstr(text, "at rpm"));
	r->curve->points[1].setpoint_rpm = 40;
	r->curve->points[2].setpoint_rpm = NAN;
	print(r, 80);
	assert_non_null(strstr(text, "step way       at rpm"));
	assert_non_null(strstr(row(TABLE, "   1"), "rising        85"));
	assert_non_null(strstr(row(TABLE, "   2"), "rising        40"));
	assert_non_null(strstr(row(TABLE, "   3"), "rising         -"));
	report_free(r);
	made_free(&m);
}

static void sentences_fit_a_narrow_terminal(void **state)
{
	struct made m;
	struct report *r = report_made(&m);

	(void)state;
	r->curve->n_remarks = 1;
	snprintf(r->curve->remarks[0], sizeof r->curve->remarks[0],
		 "The zero of the torque cell was read at 20 rev/min, which is slower than the sweep.");
	print(r, 50);
	const char *last = strstr(text, "\n- The zero");
	assert_non_null(last);
	assert_true(caught_width(last) <= 50);
	assert_non_null(strstr(last, "20 rpm")); /* the page's sentence in the terminal's unit */
	report_free(r);
	made_free(&m);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_point_is_a_row),
		cmocka_unit_test(what_is_doubtful_is_said_before_a_limit),
		cmocka_unit_test(without_a_meter_the_shaft_s_power_stands_there),
		cmocka_unit_test(another_window_is_told_where_it_is_known),
		cmocka_unit_test(several_speeds_have_a_column),
		cmocka_unit_test(sentences_fit_a_narrow_terminal),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
