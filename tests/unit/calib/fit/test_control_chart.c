/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/control_chart.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdio.h>

#include <cmocka.h>

#include "tests/unit/near.h"

/* NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2, flow rate of ten batches: mean 50.81, mean moving
 * range 1.8778, upper limit 55.8041, lower limit 45.8159, "the process is in control". */
static void the_handbook_s_flow_rates(void **state)
{
	static const double x[] = { 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1 };
	struct control_chart c;

	(void)state;
	assert_int_equal(control_chart(x, NULL, 10, &c, NULL), RC_OK);
	assert_near(c.centre, 50.81, 1e-9);
	assert_near(c.sigma * 1.128, 1.8778, 5e-5);
	assert_near(c.centre + 3 * c.sigma, 55.8041, 5e-5);
	assert_near(c.centre - 3 * c.sigma, 45.8159, 5e-5);
	assert_int_equal(c.n_hits, 0);
}

/* Values in sigmas about the centre after a baseline of 20 that gives centre 0 and sigma 1: +-0.564 in turn. */
static struct control_chart after_base(const double *x, size_t n)
{
	double all[64];
	bool base[64];
	struct control_chart c;

	for (size_t i = 0; i < CHART_BASE; i++)
		all[i] = i % 2 ? 0.564 : -0.564;
	for (size_t i = 0; i < n; i++)
		all[CHART_BASE + i] = x[i];
	for (size_t i = 0; i < CHART_BASE + n; i++)
		base[i] = i < CHART_BASE;
	assert_int_equal(control_chart(all, base, CHART_BASE + n, &c, NULL), RC_OK);
	assert_near(c.centre, 0, 1e-12);
	assert_near(c.sigma, 1, 1e-12);
	return c;
}

/* Nelson 1984: each pattern just there, and just not there. The baseline before it ends above the centre by 0.564. */
static void each_rule_is_found_where_it_is_and_not_where_it_is_not(void **state)
{
	static const struct {
		const char *what;
		double x[12];
		size_t n;
		int rule, side;
	} rows[] = {
		{ "beyond 3", { 3.01 }, 1, CHART_BEYOND, 1 },
		{ "not beyond 3", { 2.99 }, 1, 0, 0 },
		{ "below 3", { -3.01 }, 1, CHART_BEYOND, -1 },
		{ "9 below", { -0.1, -0.3, -0.2, -0.1, -0.3, -0.2, -0.3, -0.1, -0.2 }, 9, CHART_ONE_SIDE, -1 },
		{ "8 below", { -0.1, -0.3, -0.2, -0.1, -0.3, -0.2, -0.3, -0.1 }, 8, 0, 0 },
		{ "6 falling", { 0.5, 0.4, 0.1, -0.2, -0.3 }, 5, CHART_TREND, -1 },
		{ "5 falling", { 0.5, 0.4, 0.1, -0.2 }, 4, 0, 0 },
		{ "2 of 3 above 2", { 2.1, 0.1, 2.1 }, 3, CHART_TWO_OF_3, 1 },
		{ "2 of 4 above 2", { 2.1, 0.1, -0.1, 2.1 }, 4, 0, 0 },
		{ "2 of 3 on different sides", { 2.1, 0.1, -2.1 }, 3, 0, 0 },
		{ "4 of 5 above 1", { 1.1, 1.2, 0.1, 1.1, 1.2 }, 5, CHART_FOUR_OF_5, 1 },
		{ "3 of 5 above 1", { 1.1, 1.2, 0.1, 0.2, 1.2 }, 5, 0, 0 },
		{ "exactly on the line is not beyond it", { 3.0 - 1e-12 }, 1, 0, 0 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct control_chart c = after_base(rows[i].x, rows[i].n);
		if (c.n_hits != (rows[i].rule ? 1u : 0u))
			fail_msg("%s: found %zu hits, first of rule %d", rows[i].what, c.n_hits,
				 c.n_hits ? (int)c.hit[0].rule : 0);
		if (rows[i].rule && ((int)c.hit[0].rule != rows[i].rule || c.hit[0].side != rows[i].side ||
				     c.hit[0].at != CHART_BASE + rows[i].n - 1))
			fail_msg("%s: found rule %d side %d at %zu", rows[i].what, (int)c.hit[0].rule, c.hit[0].side,
				 c.hit[0].at);
	}
}

static void what_was_refused_makes_no_limits(void **state)
{
	static const double x[] = { 1, 100, 2, 1 };
	static const bool base[] = { true, false, true, true };
	struct control_chart c;

	(void)state;
	assert_int_equal(control_chart(x, base, 4, &c, NULL), RC_OK);
	assert_int_equal(c.n_base, 3);
	assert_near(c.centre, 4.0 / 3, 1e-12);
	assert_near(c.sigma, 1 / 1.128, 1e-12);
	assert_int_equal(c.hit[0].rule, CHART_BEYOND);
	assert_int_equal(c.hit[0].at, 1);
}

static void the_first_twenty_make_the_limits(void **state)
{
	double x[24];
	struct control_chart c;

	(void)state;
	for (int i = 0; i < 24; i++)
		x[i] = i < 20 ? i % 2 : 50;
	assert_int_equal(control_chart(x, NULL, 24, &c, NULL), RC_OK);
	assert_int_equal(c.n_base, 20);
	assert_near(c.centre, 0.5, 1e-12);
}

static void one_value_has_no_limits_and_none_is_no_chart(void **state)
{
	static const double x[] = { 7, NAN };
	static const bool none[] = { false };
	struct control_chart c;

	(void)state;
	assert_int_equal(control_chart(x, NULL, 1, &c, NULL), RC_OK);
	assert_true(isnan(c.sigma) && c.n_hits == 0);
	assert_int_equal(control_chart(x, NULL, 2, &c, NULL), RC_ARG);
	assert_int_equal(control_chart(x, none, 1, &c, NULL), RC_ARG);
	assert_int_equal(control_chart(x, NULL, 0, &c, NULL), RC_ARG);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_handbook_s_flow_rates),
		cmocka_unit_test(each_rule_is_found_where_it_is_and_not_where_it_is_not),
		cmocka_unit_test(what_was_refused_makes_no_limits),
		cmocka_unit_test(the_first_twenty_make_the_limits),
		cmocka_unit_test(one_value_has_no_limits_and_none_is_no_chart),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
