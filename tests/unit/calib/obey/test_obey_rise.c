/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A first-order lag T behind a dead time d: half of the way after d + T ln 2, from 10 to 90 % in T ln 9. Rows are means
 * over 12.5 ms of a record that is made in steps of 0.25 ms. */
#include "calib/obey/obey_rise.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#define FINE_S 0.00025
#define EACH 50 /* fine steps of a row */
#define ROWS 4000

static double c[ROWS], m[ROWS];

static void make(gsl_rng *rng, double lag_s, int dead, double noise)
{
	static double command[ROWS * EACH + 1000];
	size_t all = sizeof command / sizeof command[0];
	double y = 0, step = 1, sum_c = 0, sum_m = 0;

	for (size_t i = 0; i < all; i++) {
		if (i % 80 == 0) /* 20 ms, as two ticks */
			step = gsl_rng_uniform(rng) < 0.5 ? -1 : 1;
		command[i] = step;
	}
	for (size_t i = 0; i < ROWS * EACH; i++) {
		double to = 0.9 * command[i + 1000 - (size_t)dead];
		y = lag_s > 0 ? y + (to - y) * (1 - exp(-FINE_S / lag_s)) : to;
		sum_c += command[i + 1000] / EACH;
		sum_m += y / EACH;
		if (i % EACH < EACH - 1)
			continue;
		c[i / EACH] = 8 + sum_c;
		m[i / EACH] = 7 + sum_m + gsl_ran_gaussian(rng, noise);
		sum_c = sum_m = 0;
	}
}

static void near(struct obey_number x, double truth, double u_most)
{
	assert_true(x.u > 0 && x.u < u_most);
	assert_true(fabs(x.value - truth) < 3 * x.u);
}

static void a_lag_and_a_dead_time_are_found(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	struct obey_step s;
	struct err err;

	(void)state;
	for (int i = 0; i < 6; i++) {
		gsl_rng_set(rng, 10 + (unsigned)i);
		make(rng, 0.03, 20 * i, 0.05);
		assert_int_equal(obey_rise(0.0125, 0, c, m, ROWS, &s, &err), RC_OK);
		near(s.delay_s, 0.005 * i + 0.03 * log(2), 0.0012);
		near(s.rise_s, 0.03 * log(9), 0.0025);
		assert_true(s.overshoot_1.value < 0.03 && s.steps > 1000);
	}
	gsl_rng_free(rng);
}

/* The second time rows may be told up to 10 ms late: the middle of that is put to the delay. */
static void what_follows_at_once_is_faster_than_the_rows(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	struct obey_step s;
	struct err err;

	(void)state;
	make(rng, 0, 0, 0.01);
	assert_int_equal(obey_rise(0.0125, 0, c, m, ROWS, &s, &err), RC_OK);
	near(s.delay_s, 0, 0.0012);
	double in_time_s = s.delay_s.value;
	assert_true(s.rise_s.value < 0.0125 && s.rise_s.value - 2 * s.rise_s.u <= 0);
	assert_int_equal(obey_rise(0.0125, 0.01, c, m, ROWS, &s, &err), RC_OK);
	assert_true(fabs(s.delay_s.value - in_time_s - 0.005) < 1e-9);
	assert_true(s.delay_s.u > 0.0028);
	gsl_rng_free(rng);
}

static void what_does_not_follow_is_refused(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_taus2);
	struct obey_step s;
	struct err err;

	(void)state;
	make(rng, 0.03, 0, 0.05);
	for (size_t i = 0; i < ROWS; i++)
		m[i] = 7 + gsl_ran_gaussian(rng, 0.05);
	assert_int_equal(obey_rise(0.0125, 0, c, m, ROWS, &s, &err), RC_SINGULAR);
	assert_int_equal(obey_rise(0.0125, 0, c, m, 400, &s, &err), RC_ARG);
	for (size_t i = 0; i < ROWS; i++)
		c[i] = 8;
	assert_int_equal(obey_rise(0.0125, 0, c, m, ROWS, &s, &err), RC_SINGULAR);
	gsl_rng_free(rng);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_lag_and_a_dead_time_are_found),
		cmocka_unit_test(what_follows_at_once_is_faster_than_the_rows),
		cmocka_unit_test(what_does_not_follow_is_refused),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
