/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Differences of two made results, worked out by hand: scatter 0.4 and arm 0.3 make u 0.5 each. What is common enters
 * with its signs (JCGM 100:2008, 5.2.2): sqrt(0.4² + 0.4²) when the arm cancels, sqrt(2) 0.5 when not. */
#include "reports/reduce/compare_procedure.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

static struct report reports[2];
static struct compare_side sides[2];
static struct procedure_comparison found;

static void make(int i, const char *origin, int64_t calibrated_ns, double value, double u_arm, double dof)
{
	struct report *r = &reports[i];
	char text[400];

	procedure_clear(&r->procedure);
	memset(r, 0, sizeof *r);
	snprintf(text, sizeof text,
		 "{\"torque_Nm\": 20, \"gain\": {\"value\": %g, \"u\": 0.5, \"dof\": %g, \"budget\": [{\"source\": "
		 "\"scatter of the readings\", \"u\": 0.4}, {\"source\": \"calibration arm\", \"u\": %g}]}}",
		 value, dof, u_arm);
	r->procedure.kind = procedure_kind("obey");
	r->procedure.doc = json_loads(text, 0, NULL);
	assert_non_null(r->procedure.doc);
	snprintf(r->run.kind, sizeof r->run.kind, "obey");
	snprintf(r->rig.name, sizeof r->rig.name, "rig");
	r->cal_wall_ns = calibrated_ns;
	r->cal.n_sources = 1;
	snprintf(r->cal.source[0].name, sizeof r->cal.source[0].name, "calibration arm");
	sides[i] = (struct compare_side){ r, origin };
}

static void compare(void)
{
	struct err err = { 0 };

	assert_int_equal(compare_procedures(&sides[0], &sides[1], 0.95, &found, &err), RC_OK);
	assert_int_equal(found.n, 1);
}

static void one_calibration_cancels_its_arm(void **state)
{
	(void)state;
	make(0, "a", 7, 1, 0.3, 1e9);
	make(1, "a", 7, 3, 0.3, 1e9);
	compare();
	assert_near(found.list[0].value, 2, 1e-12);
	assert_near(found.list[0].u, sqrt(0.32), 1e-12);
	assert_near(found.list[0].U, 1.960 * sqrt(0.32), 1e-3);
	assert_true(found.list[0].real); /* 2 > 1.11 */
	assert_int_equal(found.list[0].n_common, 1);
	assert_near(found.list[0].common[0].u, 0.3, 1e-12);
	assert_int_equal(found.n_warnings, 0);
}

static void opposite_signs_add(void **state)
{
	(void)state;
	make(0, "a", 7, 1, 0.3, 1e9);
	make(1, "a", 7, 3, -0.3, 1e9);
	compare();
	assert_near(found.list[0].u, sqrt(0.4 * 0.4 * 2 + 0.6 * 0.6), 1e-12);
}

static void another_rig_cancels_nothing_and_says_so(void **state)
{
	(void)state;
	make(0, "a", 7, 1, 0.3, 1e9);
	make(1, "b", 8, 2.2, 0.3, 1e9);
	compare();
	assert_near(found.list[0].u, sqrt(0.5), 1e-12);
	assert_false(found.list[0].real); /* 1.2 < 1.39 */
	assert_int_equal(found.list[0].n_common, 0);
	assert_int_equal(found.n_warnings, 1);
	assert_non_null(strstr(found.warning[0], "nothing cancels"));
}

/* Welch and Satterthwaite with 4 degrees of freedom in each u of 0.5: of u² = 0.32 there are 0.32²/(2·0.5⁴/4). */
static void degrees_of_freedom_follow_what_is_left(void **state)
{
	(void)state;
	make(0, "a", 7, 1, 0.3, 4);
	make(1, "a", 7, 1, 0.3, 4);
	compare();
	assert_near(found.list[0].dof, 0.32 * 0.32 / (2 * 0.0625 / 4), 1e-9);
}

static void two_kinds_are_not_compared(void **state)
{
	struct err err = { 0 };

	(void)state;
	make(0, "a", 7, 1, 0.3, 4);
	make(1, "a", 7, 1, 0.3, 4);
	reports[1].procedure.kind = procedure_kind("play");
	assert_int_equal(compare_procedures(&sides[0], &sides[1], 0.95, &found, &err), RC_ARG);
	assert_non_null(strstr(err.what, "of one kind"));
	procedure_clear(&reports[0].procedure);
	procedure_clear(&reports[1].procedure);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(one_calibration_cancels_its_arm),
		cmocka_unit_test(opposite_signs_add),
		cmocka_unit_test(another_rig_cancels_nothing_and_says_so),
		cmocka_unit_test(degrees_of_freedom_follow_what_is_left),
		cmocka_unit_test(two_kinds_are_not_compared),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
