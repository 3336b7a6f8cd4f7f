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

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(clause_7_3),
		cmocka_unit_test(clause_7_4),

	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
