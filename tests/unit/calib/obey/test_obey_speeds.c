/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Readings made here at several speeds, over a temperature, and again; and steps of a lag that follow by hand. */
#include "calib/obey/obey_speeds.h"
#include "calib/obey/obey_step.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define STEPS 40
#define LOOPS 4
#define ROWS (3 * LOOPS * STEPS)
static double c[ROWS], y[ROWS], speed[ROWS], temp[ROWS];

static double command_of(int i)
{
	double x = 4.0 * (i + 1) / STEPS;

	return 20 * (x < 1 ? x : x < 3 ? 2 - x : x - 4);
}

/* Speeds -30, 0, 30 rpm, a loop of each in turn. Where the shaft turns the friction of 0.6 N.m goes with the turning
 * and is an offset; where it stands it goes with the way of the command. The gain falls by 0.0005 a kelvin. */
static void make(gsl_rng *rng, double noise)
{
	for (int i = 0; i < ROWS; i++) {
		int loop = i / STEPS;
		double n = 30 * (loop % 3 - 1), warmer = 0.1 * i;
		c[i] = command_of(i % STEPS);
		double way = i % STEPS == 0 || c[i] > c[i - 1] ? 1 : -1;
		speed[i] = n + gsl_ran_gaussian(rng, 0.1);
		temp[i] = 25 + warmer;
		y[i] = (0.95 - 0.0005 * warmer) * c[i] + 0.2 -
		       0.6 * (n > 0   ? 1
			      : n < 0 ? -1
				      : 0) -
		       (fabs(n) > 0 ? 0 : 0.3 * way) + gsl_ran_gaussian(rng, noise);
	}
}

static void each_speed_by_itself(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct obey_speeds s;
	struct err err;

	(void)state;
	make(rng, 0);
	const struct obey_rows rows = { ROWS, c, y, speed, temp };
	if (obey_speeds(&rows, &s, &err))
		fail_msg("%s", err.what);
	assert_int_equal(s.n, 3);
	assert_int_equal(s.slowest, 1);
	const double offset[] = { 0.8, 0.2, -0.4 }, hysteresis[] = { 0, 0.6, 0 };
	for (int k = 0; k < 3; k++) {
		const struct obey_slow *v = &s.list[k].slow;
		assert_true(s.list[k].known);
		assert_int_equal(s.list[k].rows, ROWS / 3);
		assert_near(s.list[k].speed_rpm, 30 * (k - 1), 0.1);
		assert_near(v->gain_per_K.value, -0.0005, 1e-9);
		assert_near(v->offset_Nm_per_K.value, 0, 1e-9);
		assert_near(v->gain.value, 0.95 - 0.0005 * (v->at_degC - 25), 1e-9);
		assert_near(v->offset_Nm.value, offset[k], 1e-9);
		assert_near(v->hysteresis_Nm.value, hysteresis[k], 1e-9);
	}
	gsl_rng_free(rng);
}

/* Each command of a speed and a way comes LOOPS times, all of them alike but for the noise: its standard deviation. */
static void what_comes_again(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct obey_speeds s;
	struct err err;

	(void)state;
	make(rng, 0.05);
	for (int i = 0; i < ROWS; i++) /* without the warming, which is no scatter */
		y[i] += 0.0005 * 0.1 * i * c[i];
	const struct obey_rows rows = { ROWS, c, y, speed, NULL };
	assert_int_equal(obey_speeds(&rows, &s, &err), RC_OK);
	assert_near(s.repeatability_Nm.dof, 3 * STEPS * (LOOPS - 1), 3 * LOOPS);
	assert_near(s.repeatability_Nm.value, 0.05, 4 * s.repeatability_Nm.u);
	assert_near(s.repeatability_Nm.u, s.repeatability_Nm.value / sqrt(2 * s.repeatability_Nm.dof), 1e-12);
	assert_true(isnan(s.list[0].slow.gain_per_K.value));
	const struct obey_rows once = { STEPS, c, y, NULL, NULL };
	assert_int_equal(obey_speeds(&once, &s, &err), RC_OK);
	assert_int_equal(s.n, 1);
	for (int i = 0; i < ROWS; i++)
		speed[i] = 10 * (i % 20);
	assert_int_equal(obey_speeds(&rows, &s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "more than 12 speeds"));
	gsl_rng_free(rng);
}

/* Behind a dead time of 5 ms a lag of 20 ms: half of the way after 5 + 20 ln 2 ms, 10 to 90 % in 20 ln 9 ms; no
 * overshoot. A second order with damping 0.5: overshoot exp(-pi 0.5/sqrt(0.75)) = 16.3 % (any text on control). */
static void steps_by_hand(void **state)
{
	enum { n = 4000 };
	static double t[n], command[n], lag[n], second[n];
	double a = 0, x = 0, v = 0, w = 2 * M_PI * 8;
	struct obey_step s;
	struct err err;

	(void)state;
	for (int i = 0; i < n; i++) {
		t[i] = i / 1000.0;
		command[i] = i / 500 % 2 ? 6 : -2;
		lag[i] = a;
		if (i >= 5)
			a += (command[i - 5] - a) * (1 - exp(-0.001 / 0.02));
		second[i] = x;
		for (int k = 0; k < 100; k++) {
			v += 1e-5 * (w * w * (command[i] - x) - 2 * 0.5 * w * v);
			x += 1e-5 * v;
		}
	}
	if (obey_step(t, command, lag, n, &s, &err))
		fail_msg("%s", err.what);
	assert_int_equal(s.steps, 7);
	assert_near(s.delay_s.value, 0.005 + 0.02 * log(2), 1e-4);
	assert_near(s.rise_s.value, 0.02 * log(9), 1e-4);
	assert_near(s.overshoot_1.value, 0, 1e-6);
	/* seven steps that do not differ: what is left is half a row of 1 ms each way, as known */
	assert_near(s.delay_s.u, 0.001 / sqrt(12), 1e-7);
	assert_near(s.rise_s.u, 0.001 / sqrt(12), 1e-7);
	assert_true(s.delay_s.dof > 1e6);
	assert_near(s.overshoot_1.dof, 6, 0);
	assert_int_equal(obey_step(t, command, second, n, &s, &err), RC_OK);
	assert_near(s.overshoot_1.value, exp(-M_PI * 0.5 / sqrt(0.75)), 2e-3);
	for (int i = 0; i < n; i++)
		lag[i] = 0.01 * (i * 7919 % 13);
	assert_int_equal(obey_step(t, command, lag, n, &s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "follows none of 7 steps"));
	for (int i = 0; i < n; i++)
		command[i] = sin(0.01 * i);
	assert_int_equal(obey_step(t, command, lag, n, &s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "no step"));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_speed_by_itself),
		cmocka_unit_test(what_comes_again),
		cmocka_unit_test(steps_by_hand),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
