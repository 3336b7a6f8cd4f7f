/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A typed curve, and the table of points that a report publishes: a ladder of loads at each speed, both ways. */
#include "command/suit.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "near.h"
#include "scratch_file.h"

static enum rc curve_of(const char *text, struct joint_curve *ret, struct err *err)
{
	struct mistakes m = { 0 };
	char path[40];

	scratch_file(path, text);
	*ret = (struct joint_curve){ 0 };
	*err = (struct err){ 0 };
	enum rc rc = suit_curve(path, ret, &m, err);
	unlink(path);
	return rc;
}

static void a_typed_curve_is_taken_as_it_is(void **state)
{
	struct joint_curve c;
	struct err err;

	(void)state;
	assert_int_equal(curve_of("speed (rpm),torque (N.m)\n100,0\n0,40\n50,30\n", &c, &err), RC_OK);
	assert_int_equal(c.n, 3);
	assert_near(joint_curve_at(&c, 75, NULL), 15, 1e-12);
	assert_true(!joint_curve_open(&c, 75));
	suit_curve_free(&c);
	assert_int_equal(curve_of("speed (rpm),torque (N.m)\n100,0\n-50,-30\n", &c, &err), RC_ARG);
	assert_non_null(strstr(err.what, ":3: -50 rpm"));
	suit_curve_free(&c);
}

/* At 40 rpm 1, 5, 20 N.m were held forward and 19.9 backward, none of them the limit; at 80 rpm the search ended at 12
 * one way. The 25 N.m are an outlier. */
static void of_a_report_the_heaviest_points_count_and_the_weaker_way(void **state)
{
	struct joint_curve c;
	struct err err;
	double u;

	(void)state;
	assert_int_equal(curve_of("step,limit,torque (N m),u torque (N m),speed (rpm),outlier,impossible,speed set "
				  "(rpm),at limit\n"
				  "1,none,1,0.01,40.004,no,no,40,no\n2,none,5,0.01,39.9999,no,no,40,no\n"
				  "3,none,20,0.02,39.99,no,no,40,no\n4,none,25,0.02,40.01,yes,no,40,no\n"
				  "1,none,-1.1,0.01,-40.001,no,no,-40,no\n3,none,-19.9,0.03,-39.98,no,no,-40,no\n"
				  "1,none,2,0.01,80.01,no,no,80,no\n2,none,12,0.04,79.9,no,no,80,yes\n",
				  &c, &err),
			 RC_OK);
	assert_int_equal(c.n, 2);
	assert_near(c.speed_rpm[1], 80, 0);
	assert_near(joint_curve_at(&c, 40, &u), 19.9, 1e-12);
	assert_near(u, 0.03, 1e-12);
	assert_near(joint_curve_at(&c, 80, &u), 12, 1e-12);
	assert_near(u, 0.04, 1e-12);
	assert_true(joint_curve_open(&c, 40) && joint_curve_open(&c, 60) && !joint_curve_open(&c, 80));
	suit_curve_free(&c);
}

/* A speed that falls under load is the actuator's: each point is one of the curve, at the speed that was measured. */
static void a_speed_that_falls_is_as_measured(void **state)
{
	struct joint_curve c;
	struct err err;

	(void)state;
	assert_int_equal(curve_of("limit,torque (N m),speed (rpm),speed set "
				  "(rpm)\nactuator,10,90,100\nactuator,20,80,100\nnone,0.5,99.8,\n",
				  &c, &err),
			 RC_OK);
	assert_int_equal(c.n, 3);
	assert_near(joint_curve_at(&c, 85, NULL), 15, 1e-12);
	assert_true(!joint_curve_open(&c, 85) && joint_curve_open(&c, 95));
	suit_curve_free(&c);
	assert_int_equal(curve_of("limit,torque (N m),speed (rpm),outlier\nnone,10,90,yes\n", &c, &err), RC_ARG);
	suit_curve_free(&c);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_typed_curve_is_taken_as_it_is),
		cmocka_unit_test(of_a_report_the_heaviest_points_count_and_the_weaker_way),
		cmocka_unit_test(a_speed_that_falls_is_as_measured),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
