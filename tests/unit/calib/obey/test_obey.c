/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A drive made here: gain, offset, dead band, hysteresis; and a lag whose bandwidth follows by hand. */
#include "calib/obey/obey.h"

#include <gsl/gsl_cdf.h>
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

#define ROWS 400
#define FAST 16384
static double c[FAST], y[FAST], t[FAST];

/* 0, +20, -20, 0: gain 0.96, offset 0.15, dead band 0.8 (both sides together), hysteresis 0.3 */
static void make(gsl_rng *rng, double noise)
{
	for (int i = 0; i < ROWS; i++) {
		double s = 4.0 * (i + 0.3) / ROWS;
		c[i] = s < 1 ? 20 * s : s < 3 ? 40 - 20 * s : 20 * s - 80;
		double way = i == 0 || c[i] > c[i - 1] ? 1 : -1,
		       after = fmax(0, fabs(c[i]) - 0.4) * (c[i] > 0 ? 1 : -1);
		y[i] = 0.96 * after + 0.15 - 0.15 * way + gsl_ran_gaussian(rng, noise);
	}
}

static void slow_by_hand(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct obey_slow s;
	struct err err;
	int held[4] = { 0 };

	(void)state;
	make(rng, 0);
	if (obey_slow(c, y, ROWS, &s, &err))
		fail_msg("%s", err.what);
	assert_near(s.gain.value, 0.96, 1e-9);
	assert_near(s.offset_Nm.value, 0.15, 1e-9);
	assert_near(s.dead_band_Nm.value, 0.8, 1e-9);
	assert_near(s.hysteresis_Nm.value, 0.3, 1e-9);
	for (int k = 0; k < 400; k++) {
		make(rng, 0.1);
		assert_int_equal(obey_slow(c, y, ROWS, &s, &err), RC_OK);
		struct obey_number x[4] = { s.gain, s.offset_Nm, s.dead_band_Nm, s.hysteresis_Nm };
		double truth[4] = { 0.96, 0.15, 0.8, 0.3 };
		for (int i = 0; i < 4; i++)
			held[i] += fabs(x[i].value - truth[i]) <= gsl_cdf_tdist_Pinv(0.975, x[i].dof) * x[i].u;
	}
	print_message("# of 400: gain %d, offset %d, dead band %d, hysteresis %d\n", held[0], held[1], held[2],
		      held[3]);
	for (int i = 0; i < 4; i++)
		assert_in_range(held[i], 367, 393); /* 95 % with three standard deviations */
	/* one sign tells no dead band */
	assert_int_equal(obey_slow(c, y, ROWS / 2 - 2, &s, &err), RC_OK);
	assert_true(isnan(s.dead_band_Nm.value));
	assert_int_equal(obey_slow(c, y, 3, &s, &err), RC_ARG);
	gsl_rng_free(rng);
}

/* Friction of 0.4 N.m and a tenth of the load as a play element: by hand the half height is 0.2 + 0.05 |c|, so the
 * hysteresis at 10 N.m is 1.4 N.m and grows by 0.1. At 20 N.m the torque is 19.15 - 1.2 = 17.95 N.m; falling it is
 * c + 0.35, which is below that from 17.6 N.m on: 19 and 18 N.m do not move. */
static void friction_that_grows(void **state)
{
	enum { n = 80 };
	double command[n], torque[n], out = 0.15;
	struct obey_slow s;
	struct err err;

	(void)state;
	for (int i = 0; i < n; i++) {
		double x = (i + 1) / 20.0;
		command[i] = 20 * (x < 1 ? x : x < 3 ? 2 - x : x - 4);
		double half = 0.2 + 0.05 * fabs(command[i]), middle = 0.95 * command[i] + 0.15;
		out = fmin(fmax(out, middle - half), middle + half);
		torque[i] = out;
	}
	if (obey_slow(command, torque, n, &s, &err))
		fail_msg("%s", err.what);
	assert_near(s.gain.value, 0.95, 1e-9);
	assert_near(s.offset_Nm.value, 0.15, 1e-9);
	assert_near(s.dead_band_Nm.value, 0, 1e-9);
	assert_near(s.hysteresis_Nm.value, 1.4, 1e-9);
	assert_near(s.hysteresis_growth.value, 0.1, 1e-9);
	assert_int_equal(s.left_out, 4); /* 19 and 18 N.m falling, the same rising */
	assert_near(s.linearity_Nm, 0, 1e-9);
}

/* Nine rows carry gain, offset, dead band and hysteresis, and no growth. */
static void a_short_table(void **state)
{
	static const double command[] = { 0, 5, 10, 5, 0, -5, -10, -5, 0 }, way[] = { 0, 1, 1, -1, -1, -1, -1, 1, 1 };
	double torque[9];
	struct obey_slow s;
	struct err err;

	(void)state;
	for (int i = 0; i < 9; i++)
		torque[i] = 0.96 * command[i] + 0.15 - 0.2 * (i > 4 ? -1 : 1) - 0.15 * way[i];
	if (obey_slow(command, torque, 9, &s, &err))
		fail_msg("%s", err.what);
	assert_near(s.gain.value, 0.96, 1e-9);
	assert_near(s.offset_Nm.value, 0.15, 1e-9);
	assert_near(s.dead_band_Nm.value, 0.4 / 0.96, 1e-9);
	assert_near(s.hysteresis_Nm.value, 0.3, 1e-9);
	assert_true(isnan(s.hysteresis_growth.value));
	assert_int_equal(s.left_out, 0);
	/* the same command again and again says nothing of the gain */
	const double one[] = { 0, 10, 0, 10, 0, 10, 0, 10, 0, 10 };
	assert_int_equal(obey_slow(one, one, 10, &s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "different commands"));
}

/* A lag of first order, exactly stepped: bandwidth 1/(2 pi tau). Pseudo-random steps of 5 ms at 1 kHz. */
static void bandwidth_of_a_lag(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	double tau = 0.02, out = 0, step = 1;
	struct obey_fast f;
	struct err err;

	(void)state;
	for (int i = 0; i < FAST; i++) {
		t[i] = 0.001 * i;
		if (i % 5 == 0)
			step = gsl_rng_uniform(rng) < 0.5 ? -1 : 1;
		c[i] = 3 * step;
		y[i] = 0.9 * out + gsl_ran_gaussian(rng, 0.05);
		out += (c[i] - out) * (1 - exp(-0.001 / tau));
	}
	if (obey_fast(t, c, y, FAST, &f, &err))
		fail_msg("%s", err.what);
	print_message("# %.3f Hz, u %.3f, %zu windows, coherence %.3f\n", f.bandwidth_Hz.value, f.bandwidth_Hz.u,
		      f.windows, f.lowest_coherence);
	assert_near(f.bandwidth_Hz.value, 1 / (2 * M_PI * tau), 2.5 * f.bandwidth_Hz.u);
	assert_true(f.bandwidth_Hz.u < 0.8);
	assert_near(f.gain, 0.9, 0.03);
	for (int i = 0; i < FAST; i++)
		y[i] = gsl_ran_gaussian(rng, 1);
	assert_int_equal(obey_fast(t, c, y, FAST, &f, &err), RC_ARG);
	t[100] += 0.0005;
	assert_int_equal(obey_fast(t, c, y, FAST, &f, &err), RC_ARG);
	assert_non_null(strstr(err.what, "even times"));
	gsl_rng_free(rng);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(slow_by_hand),
		cmocka_unit_test(friction_that_grows),
		cmocka_unit_test(a_short_table),
		cmocka_unit_test(bandwidth_of_a_lag),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
