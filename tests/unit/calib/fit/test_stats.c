/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/stats.h"

#include <gsl/gsl_randist.h>
#include <gsl/gsl_rng.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static const unsigned long seed = 7301;

static void near(double got, double want, double tolerance)
{
	if (!(fabs(got - want) <= tolerance))
		fail_msg("got %.12g, want %.12g", got, want);
}

static void fill_ar1(gsl_rng *r, double *x, size_t n, double rho, double mean)
{
	double v = gsl_ran_gaussian(r, 1 / sqrt(1 - rho * rho));

	for (size_t i = 0; i < n; i++) {
		x[i] = mean + v;
		v = rho * v + gsl_ran_gaussian(r, 1);
	}
}

static void a_mean_by_hand(void **state)
{
	/* 1 2 4 5: mean 3, squares 4 1 1 4, products of neighbours 2 -1 2 */
	static const double x[] = { 1, 2, 4, 5 };
	struct stats_mean m;
	struct stats_run run;

	(void)state;
	assert_int_equal(stats_mean(x, 4, &m, NULL), RC_OK);
	near(m.mean, 3, 0);
	near(m.sd, sqrt(10.0 / 3), 1e-15);
	near(m.lag1, 0.3, 1e-15);
	near(m.n_effective, 4 * 0.7 / 1.3, 1e-14);
	/* n / (1 + 2 (3/4 r + 2/4 r^2 + 1/4 r^3)), r = 0.3 */
	near(m.n_effective_finite, 4 / (1 + 2 * (0.75 * 0.3 + 0.5 * 0.09 + 0.25 * 0.027)), 1e-14);
	near(m.u_mean, m.sd / sqrt(m.n_effective), 1e-15);
	stats_run_begin(&run);
	for (int i = 0; i < 4; i++)
		stats_run_add(&run, x[i]);
	struct stats_mean r = stats_run_result(&run);
	near(r.mean, m.mean, 1e-15);
	near(r.sd, m.sd, 1e-15);
	near(r.lag1, m.lag1, 1e-14);
	near(run.min, 1, 0);
	near(run.max, 5, 0);
}

static void one_by_one_is_the_same_as_all_at_once(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	double x[3000];

	(void)state;
	gsl_rng_set(r, seed);
	for (int trial = 0; trial < 20; trial++) {
		size_t n = 3 + gsl_rng_uniform_int(r, 2990);
		struct stats_run run;
		struct stats_mean a, b;
		fill_ar1(r, x, n, gsl_ran_flat(r, -0.9, 0.95), gsl_ran_flat(r, -1e4, 1e4));
		stats_run_begin(&run);
		for (size_t i = 0; i < n; i++)
			stats_run_add(&run, x[i]);
		assert_int_equal(stats_mean(x, n, &a, NULL), RC_OK);
		b = stats_run_result(&run);
		near(b.mean, a.mean, 1e-9);
		near(b.sd, a.sd, 1e-9 * a.sd);
		near(b.lag1, a.lag1, 1e-8);
	}
	gsl_rng_free(r);
}

static void the_extremes_are_said_or_kept_safe(void **state)
{
	static const double same[] = { 5, 5, 5, 5 }, bad[] = { 1, NAN, 3 }, big[] = { 1e308, -1e308, 1e308 };
	struct stats_mean m = { .n = 77 };
	struct stats_run run;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(stats_mean(same, 0, &m, &err), RC_ARG);
	assert_int_equal(stats_mean(bad, 3, &m, &err), RC_ARG);
	assert_non_null(strstr(err.what, "reading 2 of 3"));
	assert_int_equal(stats_mean(big, 3, &m, &err), RC_RANGE);
	assert_int_equal(m.n, 77);
	assert_int_equal(stats_mean(same, 4, &m, &err), RC_OK);
	near(m.sd, 0, 0);
	near(m.u_mean, 0, 0);
	assert_true(isnan(m.lag1));
	assert_int_equal(stats_mean(same, 1, &m, &err), RC_OK);
	assert_true(isnan(m.u_mean));
	stats_run_begin(&run);
	assert_true(isnan(stats_run_result(&run).mean));
	stats_run_add(&run, 1);
	stats_run_add(&run, INFINITY);
	stats_run_add(&run, 1);
	assert_true(isnan(stats_run_result(&run).mean));
	assert_true(isnan(stats_run_result(&run).u_mean));
	assert_true(isnan(stats_n_effective_finite(10, 1)));
	assert_true(isnan(stats_n_effective_finite(0, 0.5)));
	near(stats_n_effective_finite(7, 0), 7, 1e-14);
}

/* Does the stated error of the mean cover the true mean? First-order noise with r 0.8, 1000 records of 400. */
static void errors_of_correlated_means_cover(void **state)
{
	const int trials = 1000;
	const size_t n = 400;
	double x[400];
	int by_lag1 = 0, by_naive = 0, by_acf = 0;
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	gsl_rng_set(r, seed);
	for (int t = 0; t < trials; t++) {
		struct stats_mean m;
		fill_ar1(r, x, n, 0.8, 100);
		assert_int_equal(stats_mean(x, n, &m, NULL), RC_OK);
		by_lag1 += fabs(m.mean - 100) < 2 * m.u_mean;
		by_naive += fabs(m.mean - 100) < 2 * m.u_mean_naive;
		by_acf += fabs(m.mean - 100) < 2 * m.sd / sqrt(stats_n_effective_acf(x, n));
	}
	print_message("# of %d means, k = 2: lag-1 %d, sum of the autocorrelation %d, as if independent %d; seed %lu\n",
		      trials, by_lag1, by_acf, by_naive, seed);
	assert_true(by_lag1 > 925 && by_lag1 < 975);
	assert_true(by_acf > 910 && by_acf < 980);
	assert_true(by_naive < 600); /* the control: three times too narrow */
	gsl_rng_free(r);
}

/* --- settle test --- */
static void settles_on_a_flat_record_and_not_on_a_slope(void **state)
{
	static const struct {
		const char *name;
		double slope, noise;
		bool settled;
	} rows[] = {
		{ "flat", 0, 0, true },
		{ "flat, noise", 0, 0.01, true },
		{ "slope inside", 0.02, 0.01, true },
		{ "slope outside", 0.2, 0.01, false },
		{ "falling", -0.2, 0.01, false },
		{ "noise too large to tell", 0, 5, false },
	};
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	gsl_rng_set(r, seed);
	for (size_t k = 0; k < sizeof rows / sizeof rows[0]; k++) {
		struct stats_settle s;
		stats_settle_begin(&s, 3);
		for (int i = 0; i <= 500; i++) {
			double t = 50 + 0.01 * i;
			stats_settle_add(&s, t, 20 + rows[k].slope * t + gsl_ran_gaussian(r, 1) * rows[k].noise);
			if (i < 300)
				assert_false(stats_settled(&s, 1e9, 2)); /* the window is not full */
		}
		struct stats_slope slope = stats_settle_slope(&s);
		assert_true(slope.known);
		near(slope.slope_per_s, rows[k].slope, 4 * slope.u_slope_per_s + 1e-9);
		if (stats_settled(&s, 0.1, 2) != rows[k].settled)
			fail_msg("%s: slope %g, u %g", rows[k].name, slope.slope_per_s, slope.u_slope_per_s);
	}
	gsl_rng_free(r);
}

static void the_slope_is_that_of_the_window_alone(void **state)
{
	/* steep for 10 s, then flat: after a whole window nothing of the slope is left */
	struct stats_settle s;

	(void)state;
	stats_settle_begin(&s, 2);
	for (int i = 0; i <= 1300; i++) {
		double t = 0.01 * i;
		stats_settle_add(&s, t, t < 10 ? 5 * t : 50);
		if (i == 1100)
			assert_false(stats_settled(&s, 0.05, 2));
	}
	assert_true(stats_settled(&s, 0.05, 2));
	near(stats_settle_slope(&s).mean, 50, 1e-9);
}

static void the_error_of_the_slope_is_right(void **state)
{
	/* white and first-order noise: slope/u against its own scatter over 400 records */
	static const struct {
		double rho, low, high;
	} rows[] = { { 0, 0.8, 1.25 }, { 0.9, 0.8, 1.3 }, { 0.98, 0.8, 1.6 } };
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	double x[601];

	(void)state;
	gsl_rng_set(r, seed);
	for (size_t k = 0; k < 3; k++) {
		struct stats_run z;
		stats_run_begin(&z);
		for (int trial = 0; trial < 400; trial++) {
			struct stats_settle s;
			stats_settle_begin(&s, 5);
			fill_ar1(r, x, 601, rows[k].rho, 0);
			for (int i = 0; i <= 600; i++)
				stats_settle_add(&s, 0.01 * i, x[i]);
			struct stats_slope slope = stats_settle_slope(&s);
			stats_run_add(&z, slope.slope_per_s / slope.u_slope_per_s);
		}
		double sd = stats_run_result(&z).sd;
		print_message("# slope over its error, autocorrelation %.2f: sd %.2f (1 is right)\n", rows[k].rho, sd);
		assert_true(sd > rows[k].low && sd < rows[k].high);
	}
	gsl_rng_free(r);
}

static void bad_readings_never_settle(void **state)
{
	struct stats_settle s;

	(void)state;
	stats_settle_begin(&s, 1);
	for (int i = 0; i <= 200; i++)
		stats_settle_add(&s, 0.01 * i, i == 150 ? NAN : 1);
	assert_false(stats_settled(&s, 1, 2));
	stats_settle_begin(&s, 1);
	for (int i = 0; i <= 200; i++)
		stats_settle_add(&s, 0.01 * i, 1);
	assert_true(stats_settled(&s, 1, 2));
	assert_false(stats_settled(&s, NAN, 2));
	assert_false(stats_settled(&s, 0, 2));
	stats_settle_begin(&s, 1); /* two readings a second cannot fill six bins of one second */
	for (int i = 0; i <= 20; i++)
		stats_settle_add(&s, 0.5 * i, 1);
	assert_false(stats_settled(&s, 1, 2));
}

static void allan_of_known_noise(void **state)
{
	/* white noise of unit sd: 1/sqrt m; a ramp a per reading: a m/sqrt 2 exactly */
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	double *x = malloc(20000 * sizeof *x), ramp[100];

	(void)state;
	assert_non_null(x);
	gsl_rng_set(r, seed);
	for (int i = 0; i < 20000; i++)
		x[i] = 1e6 + gsl_ran_gaussian(r, 1);
	for (size_t m = 1; m <= 64; m *= 4) {
		near(stats_adev(x, 20000, m) * sqrt((double)m), 1, 4 * sqrt((double)m / 20000));
		near(stats_oadev(x, 20000, m) * sqrt((double)m), 1, 4 * sqrt((double)m / 20000));
	}
	for (int i = 0; i < 100; i++)
		ramp[i] = 3 * i;
	near(stats_adev(ramp, 100, 10), 30 / sqrt(2), 1e-12);
	near(stats_oadev(ramp, 100, 10), 30 / sqrt(2), 1e-12);
	assert_true(isnan(stats_adev(ramp, 100, 51)));
	assert_true(isnan(stats_oadev(ramp, 100, 51)));
	assert_true(isnan(stats_adev(ramp, 100, 0)));
	free(x);
	gsl_rng_free(r);
}

static void groups_are_checked(void **state)
{
	static const double y[] = { 1, 2, 3, 4 };
	static const size_t one[] = { 0, 0, 0, 0 }, wrong[] = { 0, 1, 2, 0 }, own[] = { 0, 1, 2, 3 };
	struct stats_anova a;
	struct err err = { 0 };

	(void)state;
	assert_int_equal(stats_anova(y, one, 4, 1, &a, &err), RC_ARG);
	assert_int_equal(stats_anova(y, wrong, 4, 2, &a, &err), RC_ARG);
	assert_int_equal(stats_anova(y, own, 4, 4, &a, &err), RC_ARG);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_mean_by_hand),
		cmocka_unit_test(one_by_one_is_the_same_as_all_at_once),
		cmocka_unit_test(the_extremes_are_said_or_kept_safe),
		cmocka_unit_test(errors_of_correlated_means_cover),
		cmocka_unit_test(settles_on_a_flat_record_and_not_on_a_slope),
		cmocka_unit_test(the_slope_is_that_of_the_window_alone),
		cmocka_unit_test(the_error_of_the_slope_is_right),
		cmocka_unit_test(bad_readings_never_settle),
		cmocka_unit_test(allan_of_known_noise),
		cmocka_unit_test(groups_are_checked),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
