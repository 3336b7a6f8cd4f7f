/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The truth is a hysteresis operator written here: plays of several widths (Prandtl and Ishlinskii) behind a saturating
 * curve, with drag and slip dependence. It shares nothing with the virtual bench. */
#include "calib/brake/brakemap.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

#define PLAYS 4

static const unsigned long seed = 4711;

static const double width_A[PLAYS] = { 0.01, 0.03, 0.06, 0.1 }, share[PLAYS] = { 0.4, 0.3, 0.2, 0.1 };

struct brake {
	double state[PLAYS], drag_Nm, gain_Nm_per_A, saturation, slip_Nm_per_rpm;
};

static double play_step(struct brake *b, double current_A, double slip_rpm)
{
	double field = 0;

	for (int k = 0; k < PLAYS; k++) {
		b->state[k] = fmin(fmax(b->state[k], current_A - width_A[k]), current_A + width_A[k]);
		field += share[k] * b->state[k];
	}
	double pushed = b->gain_Nm_per_A * field * (1 - b->saturation * field * field);
	return b->drag_Nm + fmax(pushed, 0) + b->slip_Nm_per_rpm * slip_rpm;
}

/* From the demagnetised state up to max and down to zero in steps, at each of two slip speeds. */
static size_t measure(gsl_rng *r, struct brake b, double max_A, int steps, double noise_Nm, double u_Nm,
		      struct brakemap_reading *out)
{
	static const double slips[] = { 20, 60 };
	size_t n = 0;

	for (int s = 0; s < 2; s++) {
		struct brake fresh = b;
		for (int i = 0; i <= 2 * steps; i++) {
			double current = max_A * (i <= steps ? i : 2 * steps - i) / steps;
			double torque = play_step(&fresh, current, slips[s]);
			enum brakemap_branch branch = i <= steps ? BRAKEMAP_RISING : BRAKEMAP_FALLING;
			out[n++] = (struct brakemap_reading){ current + gsl_ran_gaussian(r, 5e-4),
							      torque + gsl_ran_gaussian(r, noise_Nm), u_Nm,
							      slips[s] + gsl_ran_gaussian(r, 0.1), branch };
		}
	}
	return n;
}

static struct brake powder(void)
{
	return (struct brake){ .drag_Nm = 0.6, .gain_Nm_per_A = 60, .saturation = 0.12, .slip_Nm_per_rpm = 0.002 };
}

static void near(double got, double want, double tolerance)
{
	if (!(fabs(got - want) <= tolerance))
		fail_msg("got %.9g, want %.9g", got, want);
}

static void finds_the_law_behind_the_readings(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	struct brakemap_reading readings[200];
	struct brakemap map;
	struct err err = { 0 };
	struct brake b = powder();

	(void)state;
	gsl_rng_set(r, seed);
	size_t n = measure(r, b, 1, 16, 0.02, 0.03, readings);
	if (brakemap_fit(readings, n, &map, &err))
		fail_msg("%s", err.what);
	near(map.slip_slope_Nm_per_rpm, 0.002, 4 * map.u_slip_slope_Nm_per_rpm);
	assert_true(map.u_slip_slope_Nm_per_rpm > 0 && map.u_slip_slope_Nm_per_rpm < 0.0005);
	/* at the middle slip, 40 rpm */
	near(map.drag_Nm, 0.6 + 0.08, 3 * map.u_drag_Nm);
	/* Coming back to zero each play stands at +width: field = sum share width = 0.035 A */
	double field = 0;
	for (int k = 0; k < PLAYS; k++)
		field += share[k] * width_A[k];
	near(map.remanence_Nm, 60 * field * (1 - 0.12 * field * field), 3 * map.u_remanence_Nm);
	/* Each branch between the steps: the operator run with fine steps, at 40 rpm. */
	struct brake fine = b;
	for (int i = 0; i <= 2000; i++) {
		double current = i <= 1000 ? 1e-3 * i : 1e-3 * (2000 - i);
		double torque = play_step(&fine, current, 40);
		enum brakemap_branch branch = i <= 1000 ? BRAKEMAP_RISING : BRAKEMAP_FALLING;
		/* right behind a turn the operator is flatter than 16 steps can show */
		near(brakemap_torque(&map, branch, current), torque,
		     current < 0.15 || (current > 0.85 && i > 1000) ? 0.8 : 0.15);
	}
	/* The branches meet where the current turned. */
	near(brakemap_torque(&map, BRAKEMAP_FALLING, 1), play_step(&b, 1, 40), 0.06);
	gsl_rng_free(r);
}

static void the_inverse_is_the_inverse_and_never_leaves_the_range(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	struct brakemap_reading readings[200];
	struct brakemap map;

	(void)state;
	gsl_rng_set(r, seed);
	assert_int_equal(brakemap_fit(readings, measure(r, powder(), 1, 16, 0.05, 0.03, readings), &map, NULL), RC_OK);
	for (int branch = 0; branch < 2; branch++) {
		const struct brakemap_curve *c = &map.branch[branch];
		double before = -1;
		for (int i = 0; i <= 1000; i++) {
			double first = fmax(c->current_A[0], 0); /* read-back noise may put the zero below zero */
			double current = first + (c->current_A[c->n - 1] - first) * i / 1000;
			double torque = brakemap_torque(&map, (enum brakemap_branch)branch, current);
			assert_true(torque >= before); /* never falls */
			before = torque;
			double back = brakemap_current(&map, (enum brakemap_branch)branch, torque);
			near(brakemap_torque(&map, (enum brakemap_branch)branch, back), torque, 1e-6);
		}
		assert_true(brakemap_current(&map, (enum brakemap_branch)branch, 1e9) <= map.max_A);
		assert_true(brakemap_current(&map, (enum brakemap_branch)branch, -5) <= 0);
		assert_true(brakemap_current(&map, (enum brakemap_branch)branch, NAN) <= 0);
		assert_true(brakemap_current(&map, (enum brakemap_branch)branch, NAN) >= 0);
	}
	gsl_rng_free(r);
}

/* The linear part of a law that is a straight line up to 0.7 A and bends from there. */
static void finds_the_linear_range(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	struct brakemap_reading x[200];
	struct brakemap map;
	struct err err = { 0 };
	int covered = 0;

	(void)state;
	gsl_rng_set(r, seed);
	for (int trial = 0; trial < 200; trial++) {
		double gain_error = gsl_ran_gaussian(r, 0.002);
		size_t n = 0;
		for (int b = 0; b < 2; b++)
			for (int i = 0; i <= 20; i++)
				for (int k = 0; k < 2; k++) {
					double I = 0.05 * i, bend = I > 0.7 ? 60 * (I - 0.7) * (I - 0.7) : 0;
					double torque = 0.5 + 40 * I - bend;
					x[n++] = (struct brakemap_reading){
						I, torque * (1 + gain_error) + gsl_ran_gaussian(r, 0.05),
						0.002 * torque, 30, b ? BRAKEMAP_FALLING : BRAKEMAP_RISING
					};
				}
		assert_int_equal(brakemap_fit(x, n, &map, &err), RC_OK);
		if (!(map.linear_from_A < 0.11 && map.linear_to_A > 0.69 && map.linear_to_A < 0.91))
			fail_msg("range %g to %g A", map.linear_from_A, map.linear_to_A);
		covered += fabs(map.slope_Nm_per_A - 40) < 2 * map.u_slope_Nm_per_A;
		assert_true(isnan(map.slip_slope_Nm_per_rpm));
		assert_true(isnan(map.lag_s));
	}
	print_message("# slope within k = 2 in %d of 200 maps, seed %lu\n", covered, seed);
	assert_true(covered >= 180);
	gsl_rng_free(r);
}

static void pools_what_falls(void **state)
{
	/* 1 3 2 4: the middle two become 2.5 each */
	static const double I[] = { 0, 1, 2, 3 }, T[] = { 1, 3, 2, 4 };
	struct brakemap_reading x[8];
	struct brakemap map;

	(void)state;
	for (int i = 0; i < 8; i++)
		x[i] = (struct brakemap_reading){ I[i % 4], T[i % 4], 0.1, 30,
						  i < 4 ? BRAKEMAP_RISING : BRAKEMAP_FALLING };
	assert_int_equal(brakemap_fit(x, 8, &map, NULL), RC_OK);
	near(map.branch[0].torque_Nm[1], 2.5, 1e-12);
	near(map.branch[0].torque_Nm[2], 2.5, 1e-12);
	near(map.branch[0].u_torque_Nm[1], hypot(0.1, 0.5), 1e-12);
	near(brakemap_torque(&map, BRAKEMAP_RISING, 1.5), 2.5, 1e-12);
	near(map.branch[0].torque_Nm[3], 4, 1e-12);
}

/* Steps and flats: a cubic that is not limited swings past its knots here. */
static void never_swings_past_the_knots(void **state)
{
	static const double T[] = { 0.5, 0.51, 0.52, 9, 9.01, 9.02, 20 };
	struct brakemap_reading x[14];
	struct brakemap map;

	(void)state;
	for (int i = 0; i < 14; i++)
		x[i] = (struct brakemap_reading){ i % 7, T[i % 7], 0.01, 30,
						  i < 7 ? BRAKEMAP_RISING : BRAKEMAP_FALLING };
	assert_int_equal(brakemap_fit(x, 14, &map, NULL), RC_OK);
	for (int i = 0; i < 6; i++)
		for (int k = 0; k <= 100; k++) {
			double torque = brakemap_torque(&map, BRAKEMAP_RISING, i + k / 100.0);
			assert_true(torque >= T[i] - 1e-12 && torque <= T[i + 1] + 1e-12);
		}
}

/* Half the currents were taken at one speed only: the knots are brought to the middle speed all the same. */
static void brings_uneven_slips_together(void **state)
{
	struct brakemap_reading x[80];
	struct brakemap map;
	size_t n = 0;

	(void)state;
	for (int b = 0; b < 2; b++)
		for (int i = 0; i <= 10; i++)
			for (int s = 0; s < 2; s++) {
				double slip = s ? 60 : 20;
				if (i % 2 && s)
					continue;
				x[n++] = (struct brakemap_reading){ 0.1 * i, 1 + 3 * i + 0.01 * slip, 0.01, slip,
								    b ? BRAKEMAP_FALLING : BRAKEMAP_RISING };
			}
	assert_int_equal(brakemap_fit(x, n, &map, NULL), RC_OK);
	near(map.slip_slope_Nm_per_rpm, 0.01, 1e-9);
	for (int i = 0; i <= 10; i++)
		near(brakemap_torque(&map, BRAKEMAP_RISING, 0.1 * i), 1 + 3 * i + 0.4, 1e-6);
}

static void fits_the_lag(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	double t[100], y[100], lag, u;
	int covered = 0;
	struct err err = { 0 };

	(void)state;
	gsl_rng_set(r, seed);
	for (int trial = 0; trial < 300; trial++) {
		double truth = 0.02 + 0.4 * gsl_rng_uniform(r), sign = trial % 2 ? 1 : -1;
		for (int i = 0; i < 100; i++) {
			t[i] = 0.01 * i;
			y[i] = 12 - sign * 8 * exp(-t[i] / truth) + gsl_ran_gaussian(r, 0.1);
		}
		if (brakemap_lag(t, y, 100, &lag, &u, &err))
			fail_msg("%s", err.what);
		covered += fabs(lag - truth) < 2 * u;
	}
	print_message("# lag within k = 2 in %d of 300 steps, seed %lu\n", covered, seed);
	assert_true(covered >= 276 && covered <= 297);
	/* The stated error is the scatter: 300 steps of one brake whose lag is near half the record. */
	double sum = 0;
	for (int trial = 0; trial < 300; trial++) {
		for (int i = 0; i < 100; i++)
			y[i] = 12 - 8 * exp(-t[i] / 0.4) + gsl_ran_gaussian(r, 0.02);
		assert_int_equal(brakemap_lag(t, y, 100, &lag, &u, &err), RC_OK);
		sum += (lag - 0.4) * (lag - 0.4) / (u * u) / 300;
	}
	assert_true(sqrt(sum) > 0.88 && sqrt(sum) < 1.12);
	for (int i = 0; i < 100; i++)
		y[i] = 3;
	assert_int_equal(brakemap_lag(t, y, 100, &lag, &u, &err), RC_SINGULAR);
	assert_int_equal(brakemap_lag(t, y, 7, &lag, &u, &err), RC_ARG);
	for (int i = 0; i < 100; i++)
		y[i] = gsl_ran_gaussian(r, 1); /* nothing but noise */
	assert_int_equal(brakemap_lag(t, y, 100, &lag, &u, &err), RC_SINGULAR);
	gsl_rng_free(r);
}

static void says_what_is_wrong(void **state)
{
	struct brakemap_reading x[6];
	struct brakemap map;
	struct err err = { 0 };

	(void)state;
	memset(&map, 0x5a, sizeof map);
	for (int i = 0; i < 6; i++)
		x[i] = (struct brakemap_reading){ i % 3, 10 - i % 3, 0.1, 30,
						  i < 3 ? BRAKEMAP_RISING : BRAKEMAP_FALLING };
	assert_int_equal(brakemap_fit(x, 6, &map, &err), RC_SINGULAR);
	assert_non_null(strstr(err.what, "does not rise"));
	for (int i = 0; i < 6; i++)
		x[i].torque_Nm = 10 + i % 3;
	assert_int_equal(brakemap_fit(x, 5, &map, &err), RC_ARG);
	assert_non_null(strstr(err.what, "falling branch"));
	assert_int_equal(brakemap_fit(x, 0, &map, &err), RC_ARG);
	x[2].u_torque_Nm = -1;
	assert_int_equal(brakemap_fit(x, 6, &map, &err), RC_ARG);
	assert_non_null(strstr(err.what, "negative"));
	x[2].torque_Nm = NAN;
	assert_int_equal(brakemap_fit(x, 6, &map, &err), RC_ARG);
	assert_int_equal(map.branch[0].n, (size_t)0x5a5a5a5a5a5a5a5a);
}

static void many_currents_still_fit(void **state)
{
	/* a slow ramp: 900 readings, more currents than there are knots */
	struct brakemap_reading x[1800];
	struct brakemap map;

	(void)state;
	for (int i = 0; i < 1800; i++) {
		double I = (i % 900) / 899.0;
		x[i] = (struct brakemap_reading){ I, 0.5 + 30 * I, 0.05, 30,
						  i < 900 ? BRAKEMAP_RISING : BRAKEMAP_FALLING };
	}
	assert_int_equal(brakemap_fit(x, 1800, &map, NULL), RC_OK);
	assert_true(map.branch[0].n <= BRAKEMAP_KNOTS && map.branch[0].n > 20);
	near(brakemap_torque(&map, BRAKEMAP_RISING, 0.5), 15.5, 0.01);
	near(map.slope_Nm_per_A, 30, 0.1);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(finds_the_law_behind_the_readings),
		cmocka_unit_test(the_inverse_is_the_inverse_and_never_leaves_the_range),
		cmocka_unit_test(finds_the_linear_range),
		cmocka_unit_test(pools_what_falls),
		cmocka_unit_test(never_swings_past_the_knots),
		cmocka_unit_test(brings_uneven_slips_together),
		cmocka_unit_test(fits_the_lag),
		cmocka_unit_test(says_what_is_wrong),
		cmocka_unit_test(many_currents_still_fit),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
