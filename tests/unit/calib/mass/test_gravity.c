/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Values from outside are in tests/published/test_gravity_air.c; here edges and uncertainty. */
#include "calib/mass/gravity.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#define RAD (3.14159265358979323846 / 180)

static struct quantity q(double value, double u)
{
	return (struct quantity){ .value = value, .u = u, .dof = INFINITY };
}

static double at_sea_level(double latitude_deg)
{
	struct gravity g;

	assert_int_equal(gravity_at(q(latitude_deg, 0), q(0, 0), &g, NULL), RC_OK);
	return g.m_per_s2;
}

static void parts_of_the_uncertainty(void **state)
{
	struct gravity g;

	(void)state;
	assert_int_equal(gravity_at(q(45, 0.1), q(100, 10), &g, NULL), RC_OK);
	/* by a difference quotient of the closed form */
	double slope = (at_sea_level(45.001) - at_sea_level(44.999)) / 0.002;
	assert_true(fabs(g.u_latitude_m_per_s2 / (slope * 0.1) - 1) < 1e-6);
	assert_true(fabs(g.u_height_m_per_s2 - 3.086e-5) < 1e-12); /* 10 m of 0.3086 mGal/m */
	assert_true(fabs(g.u_anomaly_m_per_s2 - 5e-5 * g.m_per_s2) < 1e-12);
	double all = sqrt(pow(g.u_latitude_m_per_s2, 2) + pow(g.u_height_m_per_s2, 2) + pow(g.u_anomaly_m_per_s2, 2));
	assert_true(fabs(g.u_m_per_s2 / all - 1) < 1e-12);
}

static void both_hemispheres_alike(void **state)
{
	(void)state;
	for (double deg = 0; deg <= 90; deg += 7.5)
		assert_true(fabs(at_sea_level(deg) - at_sea_level(-deg)) < 1e-15);
}

static void nonsense_is_refused(void **state)
{
	struct gravity g = { .m_per_s2 = 7 };
	struct err err;

	(void)state;
	assert_int_equal(gravity_at(q(91, 0), q(0, 0), &g, &err), RC_ARG);
	assert_int_equal(gravity_at(q(NAN, 0), q(0, 0), &g, &err), RC_ARG);
	assert_int_equal(gravity_at(q(50, 0), q(NAN, 0), &g, &err), RC_ARG);
	assert_int_equal(gravity_at(q(50, 0), q(20000, 0), &g, &err), RC_ARG);
	assert_int_equal(gravity_at(q(50, -1), q(0, 0), &g, &err), RC_ARG);
	assert_int_equal(gravity_given(q(10.2, 0), &g, &err), RC_ARG);
	assert_int_equal(gravity_given(q(NAN, 0), &g, &err), RC_ARG);
	assert_int_equal(gravity_given(q(9.81, NAN), &g, &err), RC_ARG);
	assert_true(fabs(g.m_per_s2 - 7) < 1e-15);
	assert_int_equal(gravity_given(q(9.81, 1e-5), &g, &err), RC_OK);
	assert_true(fabs(g.u_m_per_s2 - 1e-5) < 1e-18);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(parts_of_the_uncertainty),
		cmocka_unit_test(both_hemispheres_alike),
		cmocka_unit_test(nonsense_is_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
