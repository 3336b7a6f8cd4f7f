/* SPDX-License-Identifier: GPL-3.0-or-later */
/* JCGM 106:2012, role of uncertainty in conformity assessment. More digits: recomputed from the normal distribution. */
#include "calib/number/conformity.h"
#include "table.h"

/* 7.3, example 1: y = -5.47 V, u = 0.05 V, upper limit -5.40 V: z = 1.40, probability 0.92. */
static void clause_7_3(void **state)
{
	double p = conform_probability(-5.47, 0.05, INFINITY, (struct conform_limits){ -INFINITY, -5.40 });

	(void)state;
	assert_true(fabs(p - 0.92) < 0.005);
	assert_true(fabs(p - 0.91924) < 5e-6);
	assert_int_equal(conform_verdict(p, 0.95), VERDICT_UNDECIDED);
	assert_int_equal(conform_verdict(p, 0.90), VERDICT_CONFIRMED);
}

/* 7.4: y = 13.6, u = 1.8, limits 12.5 and 16.3: probability 0.66. */
static void clause_7_4(void **state)
{
	double p = conform_probability(13.6, 1.8, INFINITY, (struct conform_limits){ 12.5, 16.3 });

	(void)state;
	assert_true(fabs(p - 0.66) < 0.005);
	assert_true(fabs(p - 0.66263) < 5e-6);
}

/* Guarded rejection, the speed of a vehicle: relative u 2 %, limit 100 km/h, 99.9 %, z = 3.09: the reading from which
 * a driver is known to be too fast is 100/(1 - 0.02 z) = 107 km/h (106.588 unrounded). */
static void speed_example(void **state)
{
	double v;

	(void)state;
	assert_int_equal(conform_above_relative(100, 0.02, 0.999, &v, NULL), RC_OK);
	assert_true(fabs(v - 107) < 0.5);
	assert_true(fabs(v - 106.588) < 5e-4);
	/* and that reading refutes "at most 100" with just that confidence */
	double p = conform_probability(v, 0.02 * v, INFINITY, (struct conform_limits){ -INFINITY, 100 });
	assert_true(fabs(p - 0.001) < 1e-9);
	assert_int_equal(conform_verdict(p + 1e-9, 0.998), VERDICT_REFUTED);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(clause_7_3),
		cmocka_unit_test(clause_7_4),
		cmocka_unit_test(speed_example),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
