/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Values from outside are in tests/published/test_gravity_air.c; here edges and uncertainty. */
#include "calib/mass/air.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

static struct air_state state_of(double p, double t, double h)
{
	return (struct air_state){ { .value = p }, { .value = t }, { .value = h }, 0.0004 };
}

static double rho(enum air_formula formula, double p, double t, double h)
{
	struct air_state s = state_of(p, t, h);
	struct air a;

	return air_density(formula, &s, &a, NULL) ? NAN : a.density_kg_per_m3;
}

static void uncertainty_by_difference_quotients(void **state)
{
	struct air_state s = {
		{ .value = 1e5, .u = 100 }, { .value = 20, .u = 0.5 }, { .value = 0.5, .u = 0.1 }, 0.0004
	};
	struct air a;

	(void)state;
	for (int f = AIR_CIPM_2007; f <= AIR_SHORT; f++) {
		enum air_formula formula = (enum air_formula)f;
		assert_int_equal(air_density(formula, &s, &a, NULL), RC_OK);
		double up = fabs(rho(formula, 100100, 20, 0.5) - rho(formula, 99900, 20, 0.5)) / 2;
		double ut = fabs(rho(formula, 1e5, 20.5, 0.5) - rho(formula, 1e5, 19.5, 0.5)) / 2;
		double uh = fabs(rho(formula, 1e5, 20, 0.6) - rho(formula, 1e5, 20, 0.4)) / 2;
		assert_true(fabs(a.u_pressure_kg_per_m3 / up - 1) < 1e-4);
		assert_true(fabs(a.u_temp_kg_per_m3 / ut - 1) < 1e-3);
		assert_true(fabs(a.u_humidity_kg_per_m3 / uh - 1) < 1e-3);
		double all = sqrt(up * up + ut * ut + uh * uh + pow(a.u_formula_kg_per_m3, 2));
		assert_true(fabs(a.u_density_kg_per_m3 / all - 1) < 1e-3);
	}
}

/* Physics: damp air is lighter, warm air is lighter, and dry air follows the gas law to a few parts in 1e4. */
static void behaves_as_air_does(void **state)
{
	(void)state;
	assert_true(rho(AIR_CIPM_2007, 1e5, 20, 0.9) < rho(AIR_CIPM_2007, 1e5, 20, 0.1));
	assert_true(rho(AIR_CIPM_2007, 1e5, 25, 0.5) < rho(AIR_CIPM_2007, 1e5, 20, 0.5));
	double ideal = 1e5 * 28.9655e-3 / (8.314462618 * 293.15); /* molar mass of dry air, CODATA 2018 R */
	assert_true(fabs(rho(AIR_CIPM_2007, 1e5, 20, 0) / ideal - 1) < 6e-4);
	/* the two formulas agree within the 2e-4 that the short one promises */
	for (double t = 15; t <= 27; t += 3)
		for (double p = 9.2e4; p <= 1.05e5; p += 3e3)
			for (double h = 0.2; h < 0.8; h += 0.2)
				assert_true(fabs(rho(AIR_SHORT, p, t, h) / rho(AIR_CIPM_2007, p, t, h) - 1) < 2e-4);
}

static void says_when_outside_its_range(void **state)
{
	struct air_state s = state_of(1e5, 28, 0.5);
	struct air a;

	(void)state;
	assert_int_equal(air_density(AIR_CIPM_2007, &s, &a, NULL), RC_OK);
	assert_false(a.inside);
	assert_int_equal(air_density(AIR_SHORT, &s, &a, NULL), RC_OK);
	assert_true(a.inside);
}

static void nonsense_is_refused(void **state)
{
	static const double rows[][3] = {
		{ 1013.25, 20, 0.5 }, { NAN, 20, 0.5 }, { 1e5, NAN, 0.5 }, { 1e5, 20, NAN },
		{ 1e5, 293, 0.5 },    { 1e5, 20, 50 },  { 1e5, 20, -0.1 },
	};
	struct air a = { .density_kg_per_m3 = 7 };
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct air_state s = state_of(rows[i][0], rows[i][1], rows[i][2]);
		assert_int_equal(air_density(AIR_CIPM_2007, &s, &a, &err), RC_ARG);
	}
	struct air_state s = state_of(1e5, 20, 0.5);
	s.co2_frac = 400; /* ppm */
	assert_int_equal(air_density(AIR_CIPM_2007, &s, &a, &err), RC_ARG);
	s = state_of(1e5, 20, 0.5);
	s.temp_degC.u = -1;
	assert_int_equal(air_density(AIR_CIPM_2007, &s, &a, &err), RC_ARG);
	assert_true(fabs(a.density_kg_per_m3 - 7) < 1e-15);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(uncertainty_by_difference_quotients),
		cmocka_unit_test(behaves_as_air_does),
		cmocka_unit_test(says_when_outside_its_range),
		cmocka_unit_test(nonsense_is_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
