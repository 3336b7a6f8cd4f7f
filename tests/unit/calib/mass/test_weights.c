/* SPDX-License-Identifier: GPL-3.0-or-later */
/* By hand: F = m g (1 - 1.2/8000)/(1 - 1.2/d) (1 - air/d), T = F L cos(level). */
#include "calib/mass/weights.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static void near_rel(double found, double expected, double rel, const char *what)
{
	if (!(fabs(found - expected) <= rel * fabs(expected)))
		fail_msg("%s: found %.17g, expected %.17g", what, found, expected);
}

struct place {
	struct unc_ctx *ctx;
	uint32_t mass, gravity, air, density, arm, level;
	struct unc g, rho, d, L, exact_level;
};

static struct place place(double air_kg_per_m3, double density_kg_per_m3)
{
	struct place p = { .ctx = unc_ctx_new() };

	p.mass = unc_source(p.ctx, "mass", DIST_RECT, INFINITY);
	p.gravity = unc_source(p.ctx, "gravity", DIST_NORMAL, INFINITY);
	p.air = unc_source(p.ctx, "air", DIST_RECT, INFINITY);
	p.density = unc_source(p.ctx, "density", DIST_RECT, INFINITY);
	p.arm = unc_source(p.ctx, "arm", DIST_RECT, INFINITY);
	p.level = unc_source(p.ctx, "level", DIST_RECT, INFINITY);
	p.g = unc_from(p.ctx, 9.81, p.gravity, 5e-4);
	p.rho = unc_from(p.ctx, air_kg_per_m3, p.air, 0.03);
	p.d = unc_from(p.ctx, density_kg_per_m3, p.density, 100);
	p.L = unc_from(p.ctx, 0.25, p.arm, 1e-4);
	p.exact_level = unc_exact(0);
	return p;
}

static void classes_are_read(void **state)
{
	enum weight_class c = WEIGHT_E2;
	struct err err;

	(void)state;
	for (int i = 0; i < WEIGHT_CLASSES; i++) {
		assert_int_equal(weight_class_parse(weight_class_name((enum weight_class)i), &c, &err), RC_OK);
		assert_int_equal(c, i);
	}
	assert_int_equal(weight_class_parse("m1", &c, &err), RC_OK);
	assert_int_equal(c, WEIGHT_M1);
	assert_int_equal(weight_class_parse("M4", &c, &err), RC_ARG);
	assert_int_equal(weight_class_parse("", &c, &err), RC_ARG);
	assert_int_equal(c, WEIGHT_M1);
}

static void refuses_what_the_standard_has_not(void **state)
{
	static const double odd[] = { 3, 25, 0, -5, NAN, INFINITY, 100, 1e-7, 5.001 };
	double mpe = 7;
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof odd / sizeof odd[0]; i++)
		assert_int_equal(weight_tolerance(WEIGHT_M1, odd[i], &mpe, &err), RC_ARG);
	assert_int_equal(weight_tolerance(WEIGHT_M3, 0.5e-3, &mpe, &err), RC_ARG);
	assert_non_null(strstr(err.what, "has no weight"));
	assert_true(fabs(mpe - 7) < 1e-15);
	/* 0.1 + 0.2 + 0.2 kg is half a kilogram, whatever binary makes of it */
	assert_int_equal(weight_tolerance(WEIGHT_M1, 0.1 + 0.2 + 0.2, &mpe, &err), RC_OK);
}

static void a_class_is_a_rectangle(void **state)
{
	struct quantity q;
	struct err err;

	(void)state;
	assert_int_equal(weight_of_class(WEIGHT_M1, 5, &q, &err), RC_OK);
	assert_int_equal(q.dist, DIST_RECT);
	near_rel(q.u, 250e-6 / sqrt(3), 1e-14, "5 kg M1");
	assert_int_equal(weight_of_class(WEIGHT_M1, 6, &q, &err), RC_ARG);
}

static void force_in_air(void **state)
{
	struct place p = place(1.2, 7900);
	struct unc m = unc_from(p.ctx, 1, p.mass, 50e-6 / sqrt(3));
	struct unc f = weight_force_N(p.ctx, m, p.g, p.rho, p.d);

	(void)state;
	near_rel(f.value, 9.8085285, 1e-12, "1 kg at 9.81 m/s2: 9.81 (1 - 1.2/8000)"); /* checks, section 5 */
	near_rel(unc_part_of(f, p.mass), 9.8085285 * 50e-6 / sqrt(3), 1e-12, "mass");
	near_rel(unc_part_of(f, p.gravity), 5e-4 * 0.99985, 1e-12, "gravity");
	near_rel(unc_part_of(f, p.air), -9.81 * 0.99985 * 0.03 / (7900 - 1.2), 1e-12, "air");
	assert_true(fabs(unc_part_of(f, p.density)) < 1e-15); /* at 1.2 kg/m3 density does not matter */
	unc_ctx_free(p.ctx);

	/* thinner air, aluminium: by true mass and buoyancy */
	p = place(1.0, 2700);
	f = weight_force_N(p.ctx, unc_exact(2), p.g, p.rho, p.d);
	double true_kg = 2 * (1 - 1.2 / 8000) / (1 - 1.2 / 2700);
	near_rel(f.value, true_kg * 9.81 * (1 - 1.0 / 2700), 1e-14, "force");
	unc_ctx_free(p.ctx);
}

/* The derivative by density against a difference quotient of the whole formula. */
static void density_matters_away_from_reference_air(void **state)
{
	struct place p = place(1.0, 7900);
	struct unc f = weight_force_N(p.ctx, unc_exact(5), unc_exact(9.81), unc_exact(1.0), p.d);
	struct unc up = weight_force_N(p.ctx, unc_exact(5), unc_exact(9.81), unc_exact(1.0), unc_exact(7901));
	struct unc down = weight_force_N(p.ctx, unc_exact(5), unc_exact(9.81), unc_exact(1.0), unc_exact(7899));

	(void)state;
	near_rel(unc_part_of(f, p.density), 100 * (up.value - down.value) / 2, 1e-5, "density");
	unc_ctx_free(p.ctx);
}

static void torque_on_an_arm(void **state)
{
	struct place p = place(1.2, 7900);
	struct unc f = unc_exact(100), t = weight_torque_Nm(p.ctx, f, p.L, p.exact_level);

	(void)state;
	near_rel(t.value, 25, 1e-15, "F L");
	near_rel(unc_part_of(t, p.arm), 100 * 1e-4, 1e-12, "arm");
	/* two degrees off level, known to a tenth: slope dominates */
	double rad = acos(-1.0) / 180;
	struct unc level = unc_from(p.ctx, 2, p.level, 0.1);
	t = weight_torque_Nm(p.ctx, f, p.L, level);
	near_rel(t.value, 25 * cos(2 * rad) * (1 - 0.5 * 0.01 * rad * rad), 1e-13, "cosine and its bend");
	near_rel(unc_part_of(t, p.level), -25 * sin(2 * rad) * 0.1 * rad, 2e-3, "slope");
	/* level, but only known to a degree: the bend is all there is. By moments of a normal angle x with
	 * variance v: E cos = 1 - v/2, var cos = v^2/2. */
	level = unc_from(p.ctx, 0, p.level, 1);
	t = weight_torque_Nm(p.ctx, f, p.L, level);
	near_rel(t.value, 25 * (1 - 0.5 * rad * rad), 1e-12, "mean loss");
	near_rel(fabs(unc_part_of(t, p.level)), 25 * rad * rad / sqrt(2), 1e-9, "spread of the loss");
	unc_ctx_free(p.ctx);
}

static void a_stack_shares_what_it_shares(void **state)
{
	struct place p = place(1.2, 7900);
	uint32_t other = unc_source(p.ctx, "second mass", DIST_RECT, INFINITY);
	struct unc f[3] = {
		weight_force_N(p.ctx, unc_from(p.ctx, 5, p.mass, 1e-4), p.g, p.rho, p.d),
		weight_force_N(p.ctx, unc_from(p.ctx, 5, other, 1e-4), p.g, p.rho, p.d),
		weight_force_N(p.ctx, unc_exact(0.5), p.g, p.rho, p.d), /* hanger */
	};
	struct unc t = weight_stack_torque_Nm(p.ctx, f, 3, p.L, p.exact_level);

	(void)state;
	near_rel(t.value, 10.5 * 9.8085285 * 0.25, 1e-12, "sum of pieces and hanger");
	near_rel(unc_part_of(t, p.gravity), 10.5 * 0.99985 * 5e-4 * 0.25, 1e-12, "gravity adds linearly");
	near_rel(unc_part_of(t, p.arm), 10.5 * 9.8085285 * 1e-4, 1e-12, "so does the arm");
	double masses = hypot(unc_part_of(t, p.mass), unc_part_of(t, other));
	near_rel(masses, sqrt(2) * 1e-4 * 9.8085285 * 0.25, 1e-12, "masses add in squares");
	/* Two loads of one rig: the ratio has no arm in it. */
	struct unc one = weight_torque_Nm(p.ctx, f[0], p.L, p.exact_level);
	assert_true(fabs(unc_part_of(unc_div(p.ctx, t, one), p.arm)) < 1e-12);
	unc_ctx_free(p.ctx);
}

static void an_arm_must_be_one(void **state)
{
	static const double bad[] = { 0, -0.25, NAN, INFINITY, 25 };
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
		assert_int_equal(weight_arm_check(bad[i], &err), RC_ARG);
	assert_int_equal(weight_arm_check(0.25, &err), RC_OK);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(classes_are_read),
		cmocka_unit_test(refuses_what_the_standard_has_not),
		cmocka_unit_test(a_class_is_a_rectangle),
		cmocka_unit_test(force_in_air),
		cmocka_unit_test(density_matters_away_from_reference_air),
		cmocka_unit_test(torque_on_an_arm),
		cmocka_unit_test(a_stack_shares_what_it_shares),
		cmocka_unit_test(an_arm_must_be_one),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
