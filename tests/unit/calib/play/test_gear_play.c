/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A gear made here: a gap, a spring behind it, dry friction before both. What must come out follows by hand. */
#include "calib/play/play.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define STEPS 150
#define ROWS (4 * STEPS + 1)

static double torque[ROWS], angle[ROWS];

/* 0, +40, -40, +40 (N.m); gap 4', 5 N.m/'; friction holds the spring until the torque has come back by twice of it. */
static void make(gsl_rng *rng, double friction, double noise)
{
	double spring = 0;

	for (int i = 0; i < ROWS; i++) {
		double s = (double)i / STEPS;
		torque[i] = s <= 1 ? 40 * s : s <= 2.5 ? 40 - 80 * (s - 1) / 1.5 : -40 + 80 * (s - 2.5) / 1.5;
		spring = fmin(fmax(spring, torque[i] - friction), torque[i] + friction);
		angle[i] = spring / 5 + (spring > 0 ? 2 : spring < 0 ? -2 : 0) + gsl_ran_gaussian(rng, noise);
	}
}

static void loop_by_hand(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct play_loop p;
	struct err err;

	(void)state;
	for (int k = 0; k < 2; k++) {
		double friction = k ? 0.8 : 0;
		make(rng, friction, 0);
		if (play_loop(torque, angle, ROWS, NAN, &p, &err))
			fail_msg("%s", err.what);
		/* rising at +1.2: (1.2 - f)/5 + 2, falling at +1.2: (1.2 + f)/5 + 2; the middle has no f in it */
		assert_near(p.lost_motion_arcmin.value, 4 + 2 * 1.2 / 5, 1e-9);
		assert_near(p.stiffness_Nm_per_arcmin.value, 5, 1e-9);
		assert_near(p.wind_up_arcmin.value, 4 + 2 * (40 - friction) / 5, 1e-9);
		/* width f/5 each side and the gap; area 2 f wide in torque over the whole travel */
		assert_near(p.hysteresis_arcmin.value, k ? 4 + 2 * friction / 5 : 0, k ? 1e-9 : 4.1);
		double travel = 4 + 2 * (40 - friction) / 5;
		assert_near(p.hysteresis_loss_J.value, 2 * friction * travel / 3437.7468, 0.01 * friction + 2e-4);
		assert_near(p.rated_Nm, 40, 1e-9);
	}
	gsl_rng_free(rng);
}

/* The same loop twice loses twice as much, and half of that each time. */
static void two_loops_have_the_loss_of_one(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	double twice[2][2 * ROWS];
	struct play_loop one, two;
	struct err err;
	size_t n = ROWS;

	(void)state;
	make(rng, 0.8, 0);
	memcpy(twice[0], torque, sizeof torque);
	memcpy(twice[1], angle, sizeof angle);
	for (int i = STEPS + 1; i < ROWS; i++, n++) {
		twice[0][n] = torque[i];
		twice[1][n] = angle[i];
	}
	assert_int_equal(play_loop(torque, angle, ROWS, NAN, &one, &err), RC_OK);
	assert_int_equal(play_loop(twice[0], twice[1], n, NAN, &two, &err), RC_OK);
	assert_near(two.hysteresis_loss_J.value, one.hysteresis_loss_J.value, 1e-4);
	gsl_rng_free(rng);
}

/* Coarse rows over the gap: what is read there is as uncertain as they are apart. The gap is 4 arcmin, the rows about
 * + 1.2 N.m lie in and beyond it. */
static void the_edge_of_the_gap_is_anywhere_between_two_rows(void **state)
{
	static const double coarse[2][18] = {
		{ 0, 20, 30, 40, 30, 20, 0, -3, -20, -30, -40, -30, -20, -1, 2, 20, 30, 40 },
		{ 2, 6, 8, 10, 8, 6, 2, -2.6, -6, -8, -10, -8, -6, -2.2, 2.4, 6, 8, 10 },
	};
	struct play_loop p;
	struct err err;

	(void)state;
	assert_int_equal(play_loop(coarse[0], coarse[1], 18, 40, &p, &err), RC_OK);
	assert_true(p.lost_motion_arcmin.u > 0.3 &&
		    fabs(p.lost_motion_arcmin.value - 4.48) < 2 * 1.96 * p.lost_motion_arcmin.u);
}

static void intervals_hold_the_truth(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	int held[3] = { 0 };
	struct play_loop p;
	struct err err;

	(void)state;
	gsl_rng_set(rng, 11);
	for (int i = 0; i < 400; i++) {
		make(rng, 0.8, 0.05);
		if (play_loop(torque, angle, ROWS, 40, &p, &err))
			fail_msg("%s", err.what);
		struct play_number x[3] = { p.lost_motion_arcmin, p.stiffness_Nm_per_arcmin, p.wind_up_arcmin };
		double truth[3] = { 4.48, 5, 4 + 2 * 39.2 / 5 };
		for (int k = 0; k < 3; k++)
			held[k] += fabs(x[k].value - truth[k]) <= gsl_cdf_tdist_Pinv(0.975, x[k].dof) * x[k].u;
	}
	print_message("# of 400: lost motion %d, stiffness %d, wind-up %d\n", held[0], held[1], held[2]);
	for (int k = 0; k < 3; k++)
		assert_in_range(held[k], 367, 393); /* 95 % with three standard deviations of 400 */
	gsl_rng_free(rng);
}

static void lever(void **state)
{
	double r[3] = { 860, 860, 860 }, d[3] = { 2.5, 2.5, 2.5 };
	struct play_number x;
	struct err err;

	(void)state;
	/* common practice, no source: 2.5 mm at 860 mm is 9.99', a dial gauge's 0.05 mm there 0.2' */
	assert_int_equal(play_lever(r, d, 1, 0, 0.05, &x, &err), RC_OK);
	assert_near(x.value, 9.99, 0.005);
	assert_near(x.u, 0.2, 0.0005);
	d[0] = 2.4;
	d[2] = 2.6;
	assert_int_equal(play_lever(r, d, 3, 0, 0, &x, &err), RC_OK);
	assert_near(x.u, 0.1 / 860 * PLAY_ARCMIN_PER_RAD / sqrt(3), 1e-9);
	assert_near(x.dof, 2, 1e-9);
	r[1] = 0;
	assert_int_equal(play_lever(r, d, 3, 0, 0, &x, &err), RC_ARG);
}

static void friction_and_ratio(void **state)
{
	double n[6] = { 10, 20, 40, -10, -20, -40 }, t[6], rotor[9], out[9];
	struct play_number c, v, i;
	struct err err;

	(void)state;
	for (int k = 0; k < 6; k++)
		t[k] = (n[k] > 0 ? 1 : -1) * (0.8 + 0.01 * fabs(n[k]));
	assert_int_equal(play_friction(t, n, 6, &c, &v, &err), RC_OK);
	assert_near(c.value, 0.8, 1e-12);
	assert_near(v.value, 0.01, 1e-12);
	for (int k = 0; k < 9; k++) {
		out[k] = 10 * k;
		rotor[k] = -7 * out[k] + 33;
	}
	assert_int_equal(play_ratio(rotor, out, 9, &i, NULL, &err), RC_OK);
	assert_near(i.value, -7, 1e-12);
	for (int k = 0; k < 9; k++) {
		out[k] = k;
		rotor[k] = fmod(100.0 * k, 360); /* an encoder of one turn */
	}
	assert_int_equal(play_ratio(rotor, out, 9, &i, NULL, &err), RC_OK);
	assert_near(i.value, 100, 1e-9);
	assert_int_equal(play_ratio(rotor, out, 1, &i, NULL, &err), RC_ARG);
}

static void back_drive(void **state)
{
	/* two attempts forward: off at 3.0 and 3.4, then 2.0; one backward: off at 4 */
	double t[] = { 1, 2, 3, 2, 2, 0, 2, 3.4, 2, 2, 0, -2, -4, -2.5, -2.5, 0 };
	double n[] = { 0, 0, 0, 5, 5, 0, 0, 0, 5, 5, 0, 0, 0, -5, -5, 0 };
	struct play_number off, on;

	(void)state;
	play_back_drive(t, n, sizeof t / sizeof t[0], 1, &off, &on);
	assert_near(off.value, 3.2, 1e-12);
	assert_near(on.value, 2, 1e-12);
	play_back_drive(t, n, sizeof t / sizeof t[0], -1, &off, &on);
	assert_near(off.value, 4, 1e-12);
	assert_near(on.value, 2.5, 1e-12);
	assert_true(isnan(off.u));
}

static void refuses(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct play_loop p;
	struct err err;

	(void)state;
	make(rng, 0.5, 0);
	assert_int_equal(play_loop(torque, angle, STEPS, NAN, &p, &err), RC_ARG); /* one side only */
	assert_int_equal(play_loop(torque, angle, ROWS, 80, &p, &err), RC_ARG);   /* rated was not reached */
	assert_non_null(strstr(err.what, "80"));
	assert_int_equal(play_loop(torque, angle, 5 * STEPS / 2, NAN, &p, &err), RC_ARG); /* does not come back */
	for (int i = 0; i < ROWS; i++)
		angle[i] = -angle[i];
	assert_int_equal(play_loop(torque, angle, ROWS, NAN, &p, &err), RC_ARG);
	gsl_rng_free(rng);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(loop_by_hand),
		cmocka_unit_test(two_loops_have_the_loss_of_one),
		cmocka_unit_test(the_edge_of_the_gap_is_anywhere_between_two_rows),
		cmocka_unit_test(intervals_hold_the_truth),
		cmocka_unit_test(lever),
		cmocka_unit_test(friction_and_ratio),
		cmocka_unit_test(back_drive),
		cmocka_unit_test(refuses),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
