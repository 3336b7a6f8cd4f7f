/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Signals made of known orders at uneven angles: they come back with their sizes, noise does not, intervals hold. */
#include "calib/ripple/order_spectrum.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define ROWS 20000
static double turn[2 * ROWS], torque[2 * ROWS];

static double waves(double x)
{
	double a = 2 * M_PI * x;

	return 10 + 0.5 * sin(2 * a + 1) + 0.2 * cos(36 * a) + 0.1 * sin(84.5 * a + 0.3) + 0.05 * sin(252 * a);
}

/* 12.4 turns; the speed swings by a fifth within each turn */
static void make(gsl_rng *rng, double noise)
{
	for (int i = 0; i < ROWS; i++) {
		double t = 12.4 * i / ROWS;
		turn[i] = t + 0.03 * sin(2 * M_PI * t);
		torque[i] = waves(turn[i]) + gsl_ran_gaussian(rng, noise);
	}
}

static void orders_come_back(void **state)
{
	static const double ask[] = { 2, 36, 84.5, 252, 5000 };
	static const double size[] = { 0.5, 0.2, 0.1, 0.05 };
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct order_spectrum s;
	struct err err;

	(void)state;
	make(rng, 1e-6);
	if (order_spectrum(turn, torque, ROWS, ask, 5, &s, &err))
		fail_msg("%s", err.what);
	for (int i = 0; i < 4; i++)
		/* six readings to a wave: the polynomial through six loses 0.3 % of it */
		assert_near(s.wave[i].amplitude_Nm, size[i], (i == 3 ? 4e-3 : 1e-3) * size[i]);
	assert_true(isnan(s.wave[4].amplitude_Nm)); /* above half of the readings a turn */
	assert_near(s.turns, 12, 0);
	assert_near(s.mean_Nm, 10, 0.01);
	assert_near(s.rms_Nm, sqrt((0.25 + 0.04 + 0.01 + 0.0025) / 2), 1e-3);
	/* not asked for, they are found by themselves, with their order */
	make(rng, 0.02);
	if (order_spectrum(turn, torque, ROWS, NULL, 0, &s, &err))
		fail_msg("%s", err.what);
	assert_int_equal(s.n_waves, 4);
	assert_near(s.wave[0].order, 2, 0.01);
	assert_near(s.wave[1].order, 36, 0.01);
	assert_near(s.wave[2].order, 84.5, 0.01);
	assert_near(s.wave[3].order, 252, 0.01);
	gsl_rng_free(rng);
}

/* Of the waves without noise, by the formula above step by step: the least and the most of it. */
static double span_of_waves(void)
{
	double low = INFINITY, high = -INFINITY;

	for (int k = 0; k < 2000000; k++) {
		low = fmin(low, waves(12.0 * k / 2000000));
		high = fmax(high, waves(12.0 * k / 2000000));
	}
	return high - low;
}

/* Root of half the squares of the amplitudes, whatever the noise: with twice the ripple's in it, what varies is more
 * than double. */
static void sizes_are_those_of_the_ripple(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	double rms = sqrt((0.25 + 0.04 + 0.01 + 0.0025) / 2), span = span_of_waves();
	struct order_spectrum s;
	struct err err;
	int held[2] = { 0, 0 };

	(void)state;
	make(rng, 1e-6);
	assert_int_equal(order_spectrum(turn, torque, ROWS, NULL, 0, &s, &err), RC_OK);
	assert_near(s.peak_to_peak_Nm, span, 2e-3 * span);
	assert_near(s.rms_Nm, rms, 1e-3);
	for (int k = 0; k < 100; k++) {
		make(rng, 0.2);
		assert_int_equal(order_spectrum(turn, torque, ROWS, NULL, 0, &s, &err), RC_OK);
		held[0] += fabs(s.rms_Nm - rms) < 1.96 * s.u_rms_Nm;
		held[1] += fabs(s.peak_to_peak_Nm - span) < 1.96 * s.u_peak_to_peak_Nm;
		/* on even steps: between the readings the polynomial evens out some of it */
		assert_true(s.noise_Nm > 0.16 && s.noise_Nm < 0.205);
	}
	print_message("# RMS %d, peak to peak %d of 100\n", held[0], held[1]);
	assert_in_range(held[0], 88, 100); /* 95 less three standard deviations */
	assert_in_range(held[1], 88, 100);
	make(rng, 0.78);
	assert_int_equal(order_spectrum(turn, torque, ROWS, NULL, 0, &s, &err), RC_OK);
	assert_true(s.varies_Nm > 2 * rms);
	assert_near(s.rms_Nm, rms, 4 * s.u_rms_Nm);
	assert_true(s.u_rms_Nm < 0.02);
	gsl_rng_free(rng);
}

/* 0.4 N.m at order 2 over two turns: half of it leaks a bin beside by Hann's window, which is order 2.5. That is no
 * wave there. 0.3 N.m that are truly there are one, and are in the interval. Ten turns put five bins between them. */
static void a_wave_that_leaks_is_no_wave_beside(void **state)
{
	static const double ask[] = { 2.5, 2 };
	struct order_spectrum s;
	struct err err;
	static double x[4001], y[4001];

	(void)state;
	for (int turns = 2; turns <= 10; turns += 8)
		for (int there = 0; there < 2; there++) {
			for (int i = 0; i < 4001; i++) {
				x[i] = i * turns / 4000.0;
				y[i] = 5 + 0.4 * sin(4 * M_PI * x[i]) + there * 0.3 * cos(5 * M_PI * x[i] + 0.4) +
				       1e-3 * ((i * 7919) % 13 - 6);
			}
			assert_int_equal(order_spectrum(x, y, 4001, ask, 2, &s, &err), RC_OK);
			assert_true(s.wave[0].stands_out == (there == 1) && s.wave[1].stands_out);
			assert_true(fabs(s.wave[0].amplitude_Nm - 0.3 * there) < 1.96 * s.wave[0].u_Nm);
			assert_true(fabs(s.wave[1].amplitude_Nm - 0.4) < 1.96 * s.wave[1].u_Nm);
			assert_true(turns > 2 ? !s.wave[0].beside && s.wave[0].u_Nm < 1e-3 : s.wave[0].beside);
		}
}

/* A ratio that is typed as 36 where it is 36.4: the wave is told where it is, and none at 36. */
static void a_wave_near_an_asked_order_is_told(void **state)
{
	static const double ask[] = { 36 };
	struct order_spectrum s;
	struct err err;
	static double x[6001], y[6001];

	(void)state;
	for (int i = 0; i < 6001; i++) {
		x[i] = i / 1000.0;
		y[i] = 5 + 0.3 * sin(2 * M_PI * 36.4 * x[i]) + 1e-3 * ((i * 7919) % 13 - 6);
	}
	assert_int_equal(order_spectrum(x, y, 6001, ask, 1, &s, &err), RC_OK);
	assert_true(s.n_waves >= 2 && s.wave[0].beside && !s.wave[0].stands_out);
	assert_near(s.wave[1].order, 36.4, 0.02);
	assert_near(s.wave[1].amplitude_Nm, 0.3, 0.005);
	assert_near(s.peak_to_peak_Nm, 0.6, 0.02); /* and what comes again each 13 rows */
}

/* Three waves two bins apart cancel between them: a peak narrower than one wave's is told once, where it is, and leaves
 * room for others. */
static void a_narrow_peak_is_told_once(void **state)
{
	struct order_spectrum s;
	struct err err;
	static double x[4001], y[4001];

	(void)state;
	for (int i = 0; i < 4001; i++) {
		x[i] = i / 2000.0;
		double a = 2 * M_PI * x[i];
		y[i] = 5 + 0.3 * cos(20 * a) - 0.285 * (cos(19 * a) + cos(21 * a)) + 0.05 * cos(50 * a) +
		       1e-3 * ((i * 7919) % 13 - 6);
	}
	assert_int_equal(order_spectrum(x, y, 4001, NULL, 0, &s, &err), RC_OK);
	assert_true(s.n_waves >= 2);
	assert_near(s.wave[0].order, 20, 1e-6);
	assert_near(s.wave[0].amplitude_Nm, 0.3, 0.01);
	assert_near(s.wave[1].order, 50, 0.02);
	for (size_t i = 1; i < s.n_waves; i++)
		assert_true(s.wave[i].order > s.wave[i - 1].order + 1 || s.wave[i].order < s.wave[i - 1].order - 1);
}

/* The header says 1 % of records; a threshold that takes the floor beside a wave as known made 3.3 % of them. */
static void noise_stays_noise(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct order_spectrum s;
	struct err err;
	int found = 0;

	(void)state;
	for (int k = 0; k < 1000; k++) {
		for (int i = 0; i < 4096; i++) {
			turn[i] = i / 400.0;
			torque[i] = gsl_ran_gaussian(rng, 1);
		}
		assert_int_equal(order_spectrum(turn, torque, 4096, NULL, 0, &s, &err), RC_OK);
		found += s.n_waves > 0;
	}
	print_message("# a wave in %d of 1000 records of noise\n", found);
	assert_in_range(found, 0, 19); /* 10 and three standard deviations */
	gsl_rng_free(rng);
}

static void intervals_hold_the_truth(void **state)
{
	static const double ask[] = { 7 };
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct order_spectrum s;
	struct err err;
	int held = 0;

	(void)state;
	for (int k = 0; k < 300; k++) {
		for (int i = 0; i < 4096; i++) {
			turn[i] = i * 10.0 / 4096;
			torque[i] = 0.3 * sin(2 * M_PI * 7 * turn[i] + k) + gsl_ran_gaussian(rng, 1);
		}
		assert_int_equal(order_spectrum(turn, torque, 4096, ask, 1, &s, &err), RC_OK);
		held += fabs(s.wave[0].amplitude_Nm - 0.3) < 1.96 * s.wave[0].u_Nm;
	}
	print_message("# %d of 300\n", held);
	assert_in_range(held, 273, 296); /* 95 % less and more three standard deviations */
	gsl_rng_free(rng);
}

/* The noise beside a wave is told by what is in sight alone: half of the even steps of a short record lie between its
 * readings, where there is less of it. Of 1000 records of 70 rows 338 intervals held the amplitude when they counted,
 * now 908: 26 neighbours near the edge of sight still tell somewhat less noise than there is. Limits less three
 * standard deviations: of 90 % for 70 rows, of 95 % for 400; RMS has no degrees of freedom, 87 and 94 %. */
static void short_records_are_no_surer(void **state)
{
	static const double ask[] = { 2 };
	static const struct {
		int n;
		double turns;
		int least[2];
	} record[] = { { 70, 2.1, { 167, 160 } }, { 400, 4.1, { 180, 178 } } };
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct order_spectrum s;
	struct err err;

	(void)state;
	for (int r = 0; r < 2; r++) {
		int held[2] = { 0, 0 };
		for (int k = 0; k < 200; k++) {
			for (int i = 0; i < record[r].n; i++) {
				turn[i] = record[r].turns * i / record[r].n;
				torque[i] = sin(2 * M_PI * 2 * turn[i] + k) + gsl_ran_gaussian(rng, 0.3);
			}
			assert_int_equal(order_spectrum(turn, torque, (size_t)record[r].n, ask, 1, &s, &err), RC_OK);
			held[0] += fabs(s.wave[0].amplitude_Nm - 1) <
				   gsl_cdf_tdist_Pinv(0.975, s.wave[0].dof) * s.wave[0].u_Nm;
			held[1] += fabs(s.rms_Nm - sqrt(0.5)) < 1.96 * s.u_rms_Nm;
		}
		/* By hand: half of 70 readings on 2.1 turns are 16.7 orders, 33 bins of two turns; order 2 is bin 4, 26
		 * bins from the fourth one beyond it on are in sight. */
		if (r == 0)
			assert_near(s.wave[0].dof, 13, 1e-9);
		print_message("# %d rows: amplitude %d, RMS %d of 200\n", record[r].n, held[0], held[1]);
		assert_in_range(held[0], record[r].least[0], 200);
		assert_in_range(held[1], record[r].least[1], 200);
	}
	gsl_rng_free(rng);
}

static void cogging_and_friction_part(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	static double x[2 * ROWS], cogging[2 * ROWS];
	double friction, u;
	size_t m;
	struct err err;

	(void)state;
	make(rng, 0.01);
	for (int i = 0; i < ROWS; i++) {
		turn[2 * ROWS - 1 - i] = turn[i];
		torque[2 * ROWS - 1 - i] = waves(turn[i]) - 0.8 + gsl_ran_gaussian(rng, 0.01);
		torque[i] += 0.8;
	}
	if (order_both_ways(turn, torque, ROWS, 2 * ROWS, ROWS, &m, x, cogging, &friction, &u, &err))
		fail_msg("%s", err.what);
	assert_near(friction, 0.8, 4 * u);
	assert_true(u < 1e-3);
	for (size_t k = 0; k < m; k += 997)
		assert_near(cogging[k], waves(x[k]), 0.06);
	assert_int_equal(order_both_ways(turn, torque, ROWS, ROWS + 10, ROWS, &m, x, cogging, &friction, &u, &err),
			 RC_ARG);
	gsl_rng_free(rng);
}

static void refuses(void **state)
{
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);
	struct order_spectrum s;
	struct err err;

	(void)state;
	make(rng, 0.1);
	assert_int_equal(order_spectrum(turn, torque, 40, NULL, 0, &s, &err), RC_ARG);
	assert_int_equal(order_spectrum(turn, torque, ROWS / 10, NULL, 0, &s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "two whole turns"));
	turn[50] = turn[49];
	assert_int_equal(order_spectrum(turn, torque, ROWS, NULL, 0, &s, &err), RC_ARG);
	assert_non_null(strstr(err.what, "row 51"));
	gsl_rng_free(rng);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(orders_come_back),
		cmocka_unit_test(sizes_are_those_of_the_ripple),
		cmocka_unit_test(a_wave_that_leaks_is_no_wave_beside),
		cmocka_unit_test(a_wave_near_an_asked_order_is_told),
		cmocka_unit_test(a_narrow_peak_is_told_once),
		cmocka_unit_test(noise_stays_noise),
		cmocka_unit_test(intervals_hold_the_truth),
		cmocka_unit_test(short_records_are_no_surer),
		cmocka_unit_test(cogging_and_friction_part),
		cmocka_unit_test(refuses),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
