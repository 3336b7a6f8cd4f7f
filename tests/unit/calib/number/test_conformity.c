/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Published examples are in tests/published/test_jcgm106.c; here edges and properties. */
#include "calib/number/conformity.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static void edges(void **state)
{
	struct conform_limits up = { -INFINITY, 10 }, both = { 8, 10 }, crossed = { 10, 8 };

	(void)state;
	assert_true(fabs(conform_probability(10, 1, INFINITY, up) - 0.5) < 1e-15);
	assert_true(fabs(conform_probability(9, 0, INFINITY, both) - 1) < 1e-15);
	assert_true(conform_probability(11, 0, INFINITY, both) < 1e-15);
	assert_true(isnan(conform_probability(NAN, 1, INFINITY, up)));
	assert_true(isnan(conform_probability(9, NAN, INFINITY, up)));
	assert_true(isnan(conform_probability(9, -1, INFINITY, up)));
	assert_true(isnan(conform_probability(9, 1, 0.5, up)));
	assert_true(isnan(conform_probability(9, 1, INFINITY, crossed)));
	/* symmetric about the middle, by either tail */
	assert_true(fabs(conform_probability(7.3, 0.4, 6, both) - conform_probability(10.7, 0.4, 6, both)) < 1e-15);
	/* far out the digits stay: Q(8) = 6.2209605742717841e-16 (normal table, Abramowitz and Stegun 26.2) */
	assert_true(fabs(conform_probability(18, 1, INFINITY, up) / 6.2209605742717841e-16 - 1) < 1e-10);
}

static void verdicts(void **state)
{
	(void)state;
	assert_int_equal(conform_verdict(0.95, 0.95), VERDICT_CONFIRMED);
	assert_int_equal(conform_verdict(0.9499, 0.95), VERDICT_UNDECIDED);
	assert_int_equal(conform_verdict(0.06, 0.95), VERDICT_UNDECIDED);
	assert_int_equal(conform_verdict(0.04, 0.95), VERDICT_REFUTED);
	assert_int_equal(conform_verdict(NAN, 0.95), VERDICT_UNDECIDED);
	assert_string_equal(verdict_name(VERDICT_CONFIRMED), "confirmed");
	assert_string_equal(verdict_name(VERDICT_REFUTED), "refuted");
	assert_string_equal(verdict_name(VERDICT_UNDECIDED), "undecided");
}

/* A reading exactly on the guarded limit is confirmed with exactly the confidence. */
static void guard_and_probability_are_one(void **state)
{
	(void)state;
	for (double dof = 3; dof < 1e12; dof *= 30) {
		struct conform_limits limit = { 8, INFINITY }, inner;
		assert_int_equal(conform_guarded(limit, 0.3, dof, 0.95, &inner, NULL), RC_OK);
		assert_true(isinf(inner.upper));
		assert_true(fabs(conform_probability(inner.lower, 0.3, dof, limit) - 0.95) < 1e-9);
	}
}

static void nonsense_is_refused(void **state)
{
	struct conform_limits narrow = { 8, 8.1 }, crossed = { 9, 8 }, ret = { 7, 7 };
	struct err err;

	(void)state;
	assert_int_equal(conform_guarded(narrow, 0.3, INFINITY, 0.95, &ret, &err), RC_SINGULAR);
	assert_int_equal(conform_guarded(crossed, 0.3, INFINITY, 0.95, &ret, &err), RC_ARG);
	assert_int_equal(conform_guarded(narrow, -0.3, INFINITY, 0.95, &ret, &err), RC_ARG);
	assert_int_equal(conform_guarded(narrow, 0.3, INFINITY, 1.0, &ret, &err), RC_ARG);
	assert_int_equal(conform_guarded(narrow, 0.3, INFINITY, NAN, &ret, &err), RC_ARG);
	assert_int_equal(conform_guarded(narrow, 0.3, 0, 0.95, &ret, &err), RC_ARG);
	assert_true(fabs(ret.lower - 7) < 1e-15);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(edges),
		cmocka_unit_test(verdicts),
		cmocka_unit_test(guard_and_probability_are_one),
		cmocka_unit_test(nonsense_is_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
