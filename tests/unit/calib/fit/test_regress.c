/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/uncertain.h"
#include "calib/fit/nlfit.h"
#include "calib/fit/regress.h"
#include "calib/fit/york.h"

#include <gsl/gsl_fit.h>
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

static const unsigned long seed = 1901;

static void near(double got, double want, double tolerance)
{
	if (!(fabs(got - want) <= tolerance))
		fail_msg("got %.15g, want %.15g", got, want);
}

static struct regress_in poly(const double *x, const double *y, size_t n, int degree)
{
	return (struct regress_in){ .n = n, .m = 1, .x = x, .y = y, .degree = degree };
}

/* Any polynomial is found again, also far from zero, up to the tenth degree and through the origin. */
static void exact_polynomials_come_back(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	double x[40], y[40];

	(void)state;
	gsl_rng_set(r, seed);
	for (int degree = 1; degree <= REGRESS_DEGREE; degree++)
		for (int origin = 0; origin < 2; origin++) {
			struct regress fit;
			struct err err = { 0 };
			double coef[REGRESS_DEGREE + 1];
			for (int j = 0; j <= degree; j++)
				coef[j] = j == 0 && origin ? 0 : floor(gsl_ran_flat(r, -20, 20));
			for (int i = 0; i < 40; i++) { /* whole numbers: y is exact in a double */
				x[i] = i - 17;
				y[i] = 0;
				for (int j = degree; j >= 0; j--)
					y[i] = y[i] * x[i] + coef[j];
				if (fabs(y[i]) > 4e15)
					y[i] = NAN; /* would not be exact */
			}
			size_t n = 0;
			for (int i = 0; i < 40; i++)
				if (!isnan(y[i])) {
					x[n] = x[i];
					y[n++] = y[i];
				}
			struct regress_in in = poly(x, y, n, degree);
			in.through_origin = origin;
			if (regress_fit(&in, &fit, NULL, &err))
				fail_msg("degree %d: %s", degree, err.what);
			for (size_t j = 0; j < fit.p; j++)
				near(fit.coef[j], coef[j + (size_t)origin],
				     1e-13 * (1 + fabs(coef[j + (size_t)origin])));
		}
	gsl_rng_free(r);
}

static void order_shift_and_scale_do_not_matter(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	double x[30], y[30], xr[30], yr[30];
	struct regress a, b;

	(void)state;
	gsl_rng_set(r, seed);
	for (int i = 0; i < 30; i++) {
		x[i] = gsl_ran_flat(r, 0, 8);
		y[i] = 1 + x[i] - 0.1 * x[i] * x[i] + gsl_ran_gaussian(r, 0.1);
		xr[29 - i] = x[i];
		yr[29 - i] = 5 * y[i];
	}
	struct regress_in in = poly(x, y, 30, 2), turned = poly(xr, yr, 30, 2);
	assert_int_equal(regress_fit(&in, &a, NULL, NULL), RC_OK);
	assert_int_equal(regress_fit(&turned, &b, NULL, NULL), RC_OK);
	for (int j = 0; j < 3; j++)
		near(b.coef[j], 5 * a.coef[j], 1e-13 * fabs(b.coef[j]));
	near(b.residual_sd, 5 * a.residual_sd, 1e-13 * b.residual_sd);
	near(b.r_squared, a.r_squared, 1e-14);
	gsl_rng_free(r);
}

static void weights_count_points(void **state)
{
	/* A point of weight 3 is three points of weight 1 (coefficients; the degrees of freedom differ). */
	static const double x3[] = { 0, 1, 2, 2, 2, 3, 4 }, y3[] = { 1, 2, 4, 4, 4, 3, 6 };
	static const double x1[] = { 0, 1, 2, 3, 4 }, y1[] = { 1, 2, 4, 3, 6 }, w[] = { 1, 1, 3, 1, 1 };
	struct regress a, b;
	struct regress_point points[5];

	(void)state;
	struct regress_in many = poly(x3, y3, 7, 1), few = poly(x1, y1, 5, 1);
	few.weight = w;
	assert_int_equal(regress_fit(&many, &a, NULL, NULL), RC_OK);
	assert_int_equal(regress_fit(&few, &b, points, NULL), RC_OK);
	near(b.coef[0], a.coef[0], 1e-14);
	near(b.coef[1], a.coef[1], 1e-14);
	near(b.rss, a.rss, 1e-13);
	near(b.cov[1][1] * 3, a.cov[1][1] * 5, 1e-13);
	double leverage = 0;
	for (int i = 0; i < 5; i++)
		leverage += points[i].leverage;
	near(leverage, 2, 1e-13); /* the trace of the hat matrix is the number of coefficients */
}

/* 95 % confidence bands, prediction bands and inverse predictions hold in 95 of 100 data sets. */
static void bands_cover(void **state)
{
	const int trials = 3000;
	int band = 0, single = 0, inverse = 0, clean = 0;
	double x[15], y[15];
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	gsl_rng_set(r, seed);
	for (int t = 0; t < trials; t++) {
		struct regress fit;
		struct regress_point points[15];
		double at = gsl_ran_flat(r, 1, 14), found, u;
		for (int i = 0; i < 15; i++) {
			x[i] = i;
			y[i] = 2 + 3 * x[i] - 0.05 * x[i] * x[i] + gsl_ran_gaussian(r, 0.5);
		}
		struct regress_in in = poly(x, y, 15, 2);
		assert_int_equal(regress_fit(&in, &fit, points, NULL), RC_OK);
		double k = unc_coverage_factor(fit.dof, 0.95), truth = 2 + 3 * at - 0.05 * at * at;
		struct regress_value v = regress_at(&fit, &at);
		double reading = truth + gsl_ran_gaussian(r, 0.5);
		band += fabs(v.value - truth) < k * v.u_fit;
		single += fabs(v.value - reading) < k * v.u_single;
		assert_int_equal(regress_invert(&fit, reading, fit.residual_sd, &found, &u, NULL), RC_OK);
		inverse += fabs(found - at) < k * u;
		bool any = false;
		for (int i = 0; i < 15; i++)
			any = any || points[i].outlier;
		clean += !any;
	}
	print_message("# of %d: confidence band %d, prediction band %d, inverse %d, no false outlier %d; seed %lu\n",
		      trials, band, single, inverse, clean, seed);
	assert_true(band > 0.935 * trials && band < 0.965 * trials);
	assert_true(single > 0.935 * trials && single < 0.965 * trials);
	assert_true(inverse > 0.935 * trials && inverse < 0.965 * trials);
	assert_true(clean > 0.93 * trials && clean < 0.975 * trials);
	gsl_rng_free(r);
}

static void robust_resists_and_flags(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	double x[60], y[60];
	struct regress plain, robust;
	struct regress_point points[60];
	struct err err = { 0 };

	(void)state;
	gsl_rng_set(r, seed);
	for (int i = 0; i < 60; i++) {
		x[i] = i;
		y[i] = 10 + 0.5 * x[i] + gsl_ran_gaussian(r, 0.2) + (i % 7 == 3 ? 40 : 0);
	}
	struct regress_in in = poly(x, y, 60, 1);
	assert_int_equal(regress_fit(&in, &plain, NULL, &err), RC_OK);
	in.robust = true;
	if (regress_fit(&in, &robust, points, &err))
		fail_msg("%s", err.what);
	assert_true(fabs(plain.coef[0] - 10) > 1); /* the ordinary fit is carried away */
	near(robust.coef[0], 10, 4 * sqrt(robust.cov[0][0]));
	near(robust.coef[1], 0.5, 4 * sqrt(robust.cov[1][1]));
	assert_true(sqrt(robust.cov[0][0]) < 0.1);
	for (int i = 0; i < 60; i++)
		assert_int_equal(points[i].outlier, i % 7 == 3);
	/* Leverage is that of where the points lie: 1/n + (x - mean)^2/Sxx, Sxx = n(n^2 - 1)/12 for 0, 1, ... */
	near(points[0].leverage, 1 / 60.0 + 29.5 * 29.5 / (60 * 3599 / 12.0), 1e-12);
	near(points[20].leverage, 1 / 60.0 + 9.5 * 9.5 / (60 * 3599 / 12.0), 1e-12);
	/* Points on a line leave nothing to weigh by. */
	for (int i = 0; i < 60; i++)
		y[i] = 3 + 2 * x[i];
	assert_int_equal(regress_fit(&in, &robust, points, &err), RC_OK);
	near(robust.coef[1], 2, 1e-12);
	gsl_rng_free(r);
}

/* 0.1 x is not exact in binary: what is left is rounding, about which no point can be an outlier. */
static void rounding_is_no_scatter(void **state)
{
	double x[30], y[30];
	struct regress fit;
	struct regress_point points[30];

	(void)state;
	for (int i = 0; i < 30; i++) {
		x[i] = i;
		y[i] = 1000 + 0.1 * i;
	}
	struct regress_in in = poly(x, y, 30, 1);
	assert_int_equal(regress_fit(&in, &fit, points, NULL), RC_OK);
	assert_true(fit.residual_sd > 0);
	for (int i = 0; i < 30; i++)
		assert_true(!points[i].outlier && isnan(points[i].studentised));
	y[7] += 1e-6; /* a millionth is no rounding */
	assert_int_equal(regress_fit(&in, &fit, points, NULL), RC_OK);
	for (int i = 0; i < 30; i++)
		assert_int_equal(points[i].outlier, i == 7);
}

static void says_what_is_wrong(void **state)
{
	static const double x[] = { 1, 2, 3, 4 }, y[] = { 1, 3, 2, 5 }, same[] = { 2, 2, 2, 2 },
			    nan_y[] = { 1, NAN, 2, 3 }, big[] = { 1, 2, 1e200, 4 }, negative[] = { 1, 1, -1, 1 },
			    zero[] = { 0, 0, 0, 0 }, twice[] = { 1, 2, 2, 4, 3, 6, 5, 10 };
	struct {
		const char *name;
		struct regress_in in;
		enum rc rc;
		const char *says;
	} rows[] = {
		{ "too few", { 2, 1, x, y, NULL, 1, false, false }, RC_ARG, "2 points are too few" },
		{ "too few for a cubic", { 4, 1, x, y, NULL, 3, false, false }, RC_ARG, "at least 5" },
		{ "equal abscissae", { 4, 1, same, y, NULL, 1, false, false }, RC_SINGULAR, "same x (2)" },
		{ "two abscissae for a quadratic",
		  { 4, 1, negative, y, NULL, 2, false, false },
		  RC_SINGULAR,
		  "too few different x" },
		{ "all zero through the origin", { 4, 1, zero, y, NULL, 1, true, false }, RC_SINGULAR, "every x is 0" },
		{ "NaN", { 4, 1, x, nan_y, NULL, 1, false, false }, RC_ARG, "point 2 of 4: y is not a finite" },
		{ "overflow", { 4, 1, big, y, NULL, 1, false, false }, RC_RANGE, "too large" },
		{ "negative weight", { 4, 1, x, y, negative, 1, false, false }, RC_ARG, "weight -1 is not positive" },
		{ "degree", { 4, 1, x, y, NULL, 11, false, false }, RC_ARG, "degree 11" },
		{ "degree 0", { 4, 1, x, y, NULL, 0, false, false }, RC_ARG, "degree 0" },
		{ "one variable twice the other",
		  { 4, 2, twice, y, NULL, 1, false, false },
		  RC_SINGULAR,
		  "variable 2 follows" },
		{ "no variable", { 4, 0, x, y, NULL, 1, false, false }, RC_ARG, "0 variables" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct regress fit;
		struct err err = { 0 };
		memset(&fit, 0x5a, sizeof fit);
		enum rc rc = regress_fit(&rows[i].in, &fit, NULL, &err);
		if (rc != rows[i].rc || !strstr(err.what, rows[i].says))
			fail_msg("%s: rc %d \"%s\"", rows[i].name, rc, err.what);
		assert_int_equal(fit.degree, 0x5a5a5a5a);
	}
}

static void the_inverse_says_when_there_is_none(void **state)
{
	double x[11], y[11], at, u;
	struct regress fit;
	struct err err = { 0 };

	(void)state;
	for (int i = 0; i < 11; i++) {
		x[i] = i - 5;
		y[i] = x[i] * x[i] + (i % 2 ? 0.01 : -0.01);
	}
	struct regress_in in = poly(x, y, 11, 2);
	assert_int_equal(regress_fit(&in, &fit, NULL, NULL), RC_OK);
	assert_int_equal(regress_invert(&fit, 9, 0.1, &at, &u, &err), RC_SINGULAR);
	assert_int_equal(regress_invert(&fit, 100, 0.1, &at, &u, &err), RC_RANGE);
	assert_int_equal(regress_invert(&fit, 9, -1, &at, &u, &err), RC_ARG);

	/* Where there is one: the reading's share and the fit's. */
	for (int i = 0; i < 11; i++)
		y[i] = 7 + 2 * x[i] + (i % 3 - 1);
	in.degree = 1;
	assert_int_equal(regress_fit(&in, &fit, NULL, NULL), RC_OK);
	assert_int_equal(regress_invert(&fit, regress_at(&fit, (double[]){ 3 }).value, 0.2, &at, &u, &err), RC_OK);
	near(at, 3, 1e-12);
	near(u, hypot(0.2, regress_at(&fit, (double[]){ 3 }).u_fit) / fit.coef[1], 1e-12);
}

/* Plain double against the fit in double-double and against GSL's call. */
static void the_fast_line_is_the_same_line(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	double x[501], y[501], w[501];

	(void)state;
	gsl_rng_set(r, seed);
	for (size_t n = 3; n <= 501; n += 83) {
		struct regress_line line;
		struct regress fit;
		double c0, c1, v00, v01, v11, chi2;
		for (size_t i = 0; i < n; i++) {
			x[i] = gsl_ran_flat(r, 990, 1010);
			y[i] = 3 * x[i] - 100 + gsl_ran_gaussian(r, 1);
			w[i] = gsl_ran_flat(r, 0.1, 5);
		}
		struct regress_in in = poly(x, y, n, 1);
		in.weight = w;
		assert_int_equal(regress_fit(&in, &fit, NULL, NULL), RC_OK);
		assert_int_equal(regress_line_fit(x, y, w, n, &line, NULL), RC_OK);
		gsl_fit_wlinear(x, 1, w, 1, y, 1, n, &c0, &c1, &v00, &v01, &v11, &chi2);
		near(line.slope, fit.coef[1], 1e-12 * 3);
		near(line.intercept, fit.coef[0], 1e-10 * 3000);
		near(line.u_slope, sqrt(fit.cov[1][1]), 1e-10 * line.u_slope);
		near(line.u_intercept, sqrt(fit.cov[0][0]), 1e-10 * line.u_intercept);
		near(line.cov, fit.cov[0][1], 1e-9 * fabs(line.cov));
		near(line.chi2, chi2, 1e-9 * chi2);
		near(line.slope, c1, 1e-10);
		near(line.u_slope, sqrt(v11) * line.residual_sd, 1e-9 * line.u_slope);
	}
	struct regress_line untouched = { .dof = 77 };
	struct err err = { 0 };
	assert_int_equal(regress_line_fit(x, y, w, 2, &untouched, &err), RC_ARG);
	w[4] = -1;
	assert_int_equal(regress_line_fit(x, y, w, 100, &untouched, &err), RC_ARG);
	assert_non_null(strstr(err.what, "point 5 of 100"));
	w[4] = NAN;
	assert_int_equal(regress_line_fit(x, y, w, 100, &untouched, &err), RC_ARG);
	y[7] = INFINITY;
	assert_int_equal(regress_line_fit(x, y, NULL, 100, &untouched, &err), RC_ARG);
	for (int i = 0; i < 10; i++)
		x[i] = 1e9 / 3;
	y[7] = 1;
	assert_int_equal(regress_line_fit(x, y, NULL, 10, &untouched, &err), RC_SINGULAR);
	near(untouched.dof, 77, 0);
	gsl_rng_free(r);
}

static void york_without_errors_in_x_is_the_weighted_line(void **state)
{
	double x[20], y[20], ux[20], uy[20], w[20];
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	struct york york;
	struct regress fit;
	struct err err = { 0 };

	(void)state;
	gsl_rng_set(r, seed);
	for (int i = 0; i < 20; i++) {
		x[i] = i;
		uy[i] = gsl_ran_flat(r, 0.2, 1);
		ux[i] = 0;
		w[i] = 1 / (uy[i] * uy[i]);
		y[i] = 5 - 2 * x[i] + gsl_ran_gaussian(r, uy[i]);
	}
	struct regress_in in = poly(x, y, 20, 1);
	in.weight = w;
	assert_int_equal(regress_fit(&in, &fit, NULL, NULL), RC_OK);
	assert_int_equal(york_fit(x, y, ux, uy, NULL, 20, &york, NULL), RC_OK);
	near(york.slope, fit.coef[1], 1e-12);
	near(york.intercept, fit.coef[0], 1e-11);
	near(york.u_slope, sqrt(fit.cov[1][1]) * fit.u_known_factor, 1e-12);
	near(york.chi2, fit.rss, 1e-10);
	uy[3] = -1;
	assert_int_equal(york_fit(x, y, ux, uy, NULL, 20, &york, &err), RC_ARG);
	uy[3] = 0;
	assert_int_equal(york_fit(x, y, ux, uy, NULL, 20, &york, &err), RC_ARG);
	assert_int_equal(york_fit(y, x, uy, ux, NULL, 2, &york, &err), RC_ARG);
	gsl_rng_free(r);
}

static double misfit(const double *x, const double *y, const double *ux, const double *uy, const double *rho, int n,
		     double intercept, double slope)
{
	double sum = 0;

	for (int i = 0; i < n; i++) {
		double variance = uy[i] * uy[i] + slope * slope * ux[i] * ux[i] - 2 * slope * rho[i] * ux[i] * uy[i];
		double d = y[i] - intercept - slope * x[i];
		sum += d * d / variance;
	}
	return sum;
}

/* The line through points with errors in both turns over when x and y change places. */
static void york_is_symmetric(void **state)
{
	double x[12], y[12], ux[12], uy[12], rho[12];
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	struct york a, b;

	(void)state;
	gsl_rng_set(r, seed);
	for (int i = 0; i < 12; i++) {
		ux[i] = gsl_ran_flat(r, 0.1, 0.5);
		uy[i] = gsl_ran_flat(r, 0.1, 0.5);
		rho[i] = gsl_ran_flat(r, -0.5, 0.5);
		x[i] = i + gsl_ran_gaussian(r, ux[i]);
		y[i] = 3 + 0.7 * i + gsl_ran_gaussian(r, uy[i]);
	}
	assert_int_equal(york_fit(x, y, ux, uy, rho, 12, &a, NULL), RC_OK);
	assert_int_equal(york_fit(y, x, uy, ux, rho, 12, &b, NULL), RC_OK);
	near(b.slope, 1 / a.slope, 1e-12);
	near(b.intercept, -a.intercept / a.slope, 1e-11);
	near(b.chi2, a.chi2, 1e-10);
	near(b.u_slope, a.u_slope / (a.slope * a.slope), 1e-9);
	/* It is the least of sum (y - a - b x)^2 / (u_y^2 + b^2 u_x^2 - 2 b cov): any step away is worse. */
	double least = misfit(x, y, ux, uy, rho, 12, a.intercept, a.slope);
	near(least, a.chi2, 1e-10);
	for (int k = 0; k < 8; k++)
		assert_true(misfit(x, y, ux, uy, rho, 12, a.intercept + 1e-3 * cos(k), a.slope + 3e-4 * sin(k)) >
			    least);
	gsl_rng_free(r);
}

static double decay(const double *p, double x, void *ctx)
{
	(void)ctx;
	return p[0] * exp(-x / p[1]) + p[2];
}

static void nonlinear_fit_covers_and_complains(void **state)
{
	gsl_rng *r = gsl_rng_alloc(gsl_rng_mt19937);
	struct nlfit_model model = { 3, decay, NULL, NULL };
	double x[50], y[50], start[] = { 1, 1, 0 }, nan_start[] = { 1, NAN, 0 };
	struct nlfit fit;
	struct err err = { 0 };
	int covered = 0;

	(void)state;
	gsl_rng_set(r, seed);
	for (int t = 0; t < 300; t++) {
		for (int i = 0; i < 50; i++) {
			x[i] = 0.2 * i;
			y[i] = 5 * exp(-x[i] / 2.5) + 1 + gsl_ran_gaussian(r, 0.1);
		}
		if (nlfit(&model, x, y, NULL, 50, start, &fit, &err))
			fail_msg("%s", err.what);
		covered += fabs(fit.param[1] - 2.5) < 2 * fit.u[1];
	}
	print_message("# time constant within k = 2 in %d of 300 fits, seed %lu\n", covered, seed);
	assert_true(covered >= 276 && covered <= 297);
	assert_int_equal(nlfit(&model, x, y, NULL, 3, start, &fit, &err), RC_ARG);
	assert_int_equal(nlfit(&model, x, y, NULL, 50, nan_start, &fit, &err), RC_ARG);
	start[1] = -1e-9; /* overflows at once */
	assert_int_equal(nlfit(&model, x, y, NULL, 50, start, &fit, &err), RC_SINGULAR);
	gsl_rng_free(r);
}

static void coefficients_of_one_fit_share_their_degrees_of_freedom(void **state)
{
	struct unc_ctx *ctx = unc_ctx_new();

	(void)state;
	uint32_t a = unc_source(ctx, "fit 1", DIST_NORMAL, 8), b = unc_source_pooled(ctx, "fit 2", DIST_NORMAL, a);
	struct unc both = unc_with(ctx, unc_from(ctx, 0, a, 3), b, 4);
	near(unc_dof(ctx, both), 8, 1e-12);
	near(unc_u(both), 5, 1e-12);
	unc_ctx_free(ctx);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(exact_polynomials_come_back),
		cmocka_unit_test(order_shift_and_scale_do_not_matter),
		cmocka_unit_test(weights_count_points),
		cmocka_unit_test(bands_cover),
		cmocka_unit_test(robust_resists_and_flags),
		cmocka_unit_test(rounding_is_no_scatter),
		cmocka_unit_test(says_what_is_wrong),
		cmocka_unit_test(the_inverse_says_when_there_is_none),
		cmocka_unit_test(the_fast_line_is_the_same_line),
		cmocka_unit_test(york_without_errors_in_x_is_the_weighted_line),
		cmocka_unit_test(york_is_symmetric),
		cmocka_unit_test(nonlinear_fit_covers_and_complains),
		cmocka_unit_test(coefficients_of_one_fit_share_their_degrees_of_freedom),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
