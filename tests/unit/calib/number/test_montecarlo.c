/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Published examples are in tests/published/test_jcgm101.c. Here: against slow obvious code and closed forms. */
#include "calib/number/montecarlo.h"

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

static unsigned long seed(void)
{
	const char *given = getenv("BRIDLE_SEED");

	return given ? strtoul(given, NULL, 10) : 8128;
}

static struct mc_input in(double value, double u, enum dist dist)
{
	return (struct mc_input){ .value = value, .u = u, .dof = INFINITY, .dist = dist };
}

static int sum_of_three(void *handle, const double *const *x, double *const *y, size_t n)
{
	(void)handle;
	for (size_t i = 0; i < n; i++)
		y[0][i] = x[0][i] + 2 * x[1][i] - 3 * x[2][i];
	return 0;
}

/* y0 = x0 x1, y1 = x0/x1, y2 = x2 itself */
static int product_and_ratio(void *handle, const double *const *x, double *const *y, size_t n)
{
	(void)handle;
	for (size_t i = 0; i < n; i++) {
		y[0][i] = x[0][i] * x[1][i];
		y[1][i] = x[0][i] / x[1][i];
		y[2][i] = x[2][i];
	}
	return 0;
}

static int itself(void *handle, const double *const *x, double *const *y, size_t n)
{
	(void)handle;
	memcpy(y[0], x[0], n * sizeof **y);
	return 0;
}

static int root(void *handle, const double *const *x, double *const *y, size_t n)
{
	(void)handle;
	for (size_t i = 0; i < n; i++)
		y[0][i] = sqrt(x[0][i]);
	return 0;
}

static int refuses(void *handle, const double *const *x, double *const *y, size_t n)
{
	(void)handle;
	(void)x;
	(void)y;
	(void)n;
	return 1;
}

static int ascending(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;

	return (x > y) - (x < y);
}

/* JCGM 101, 7.7, word by word on a fully sorted array. */
static void slow_intervals(double *v, size_t M, double p, double symmetric[2], double shortest[2])
{
	double pM = p * (double)M;
	size_t q = fabs(pM - nearbyint(pM)) < 1e-9 ? (size_t)nearbyint(pM) : (size_t)floor(pM + 0.5);
	size_t r = (M - q) % 2 == 0 ? (M - q) / 2 : (size_t)floor(((double)(M - q) + 1) / 2);

	qsort(v, M, sizeof *v, ascending);
	symmetric[0] = v[r - 1];
	symmetric[1] = v[r + q - 1];
	double best = INFINITY;
	for (size_t k = 1; k <= M - q; k++) {
		if (v[k + q - 1] - v[k - 1] < best) {
			best = v[k + q - 1] - v[k - 1];
			shortest[0] = v[k - 1];
			shortest[1] = v[k + q - 1];
		}
	}
}

static void intervals_match_the_slow_way(void **state)
{
	static const double coverages[] = { 0.5, 0.6827, 0.9, 0.95, 0.99, 0.05 };
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	(void)state;
	print_message("# seed %lu (BRIDLE_SEED)\n", seed());
	gsl_rng_set(rng, seed());
	for (int round = 0; round < 300; round++) {
		/* from 40000 on the tails are gathered by a sample first */
		size_t n = (round % 5 ? 200 : 40000) + gsl_rng_uniform_int(rng, 2000);
		double *a = malloc(n * sizeof *a), *b = malloc(n * sizeof *b), fast[4], slow[4];
		double p = coverages[round % 6];
		for (size_t i = 0; i < n; i++) /* skewed; every third round full of equal values */
			a[i] = round % 3 ? pow(gsl_rng_uniform(rng), 3) : (double)gsl_rng_uniform_int(rng, 40);
		memcpy(b, a, n * sizeof *a);
		assert_true(montecarlo_intervals(a, n, p, fast, fast + 2));
		slow_intervals(b, n, p, slow, slow + 2);
		for (int k = 0; k < 4; k++)
			assert_true(fabs(fast[k] - slow[k]) < 1e-15);
		free(a);
		free(b);
	}
	double two[2] = { 1, 2 }, out[4];
	assert_false(montecarlo_intervals(two, 2, 0.95, out, out + 2));
	assert_false(montecarlo_intervals(two, 2, NAN, out, out + 2));
	gsl_rng_free(rng);
}

static void same_digits_for_any_number_of_threads(void **state)
{
	struct mc_input inputs[3] = { in(1, 0.1, DIST_NORMAL), in(2, 0.2, DIST_TRI), in(3, 0.3, DIST_RECT) };
	struct mc_model m = { .n_inputs = 3, .n_outputs = 3, .inputs = inputs, .eval = product_and_ratio };
	static struct mc_result first, other;

	(void)state;
	for (int adaptive = 0; adaptive < 2; adaptive++) {
		struct mc_options o = {
			.trials = adaptive ? 0 : 123457, .seed = 5, .coverage = 0.95, .digits = 1, .threads = 1
		};
		assert_int_equal(montecarlo_run(&m, &o, &first, NULL), RC_OK);
		for (unsigned threads = 2; threads <= 7; threads++) {
			o.threads = threads;
			memset(&other, 0, sizeof other);
			assert_int_equal(montecarlo_run(&m, &o, &other, NULL), RC_OK);
			assert_int_equal(first.trials, other.trials);
			for (size_t j = 0; j < 3; j++)
				assert_memory_equal(&first.output[j], &other.output[j], sizeof first.output[j]);
		}
		o.seed = 6;
		assert_int_equal(montecarlo_run(&m, &o, &other, NULL), RC_OK);
		assert_true(fabs(first.output[0].mean - other.output[0].mean) > 0);
	}
}

/* Mean and standard deviation of each distribution against its closed form, within five of their own sigmas. */
static void distributions_have_their_moments(void **state)
{
	static const struct {
		enum dist dist;
		double dof, beta, sd, kurtosis;
	} rows[] = {
		{ DIST_NORMAL, INFINITY, 0, 1, 3 },
		{ DIST_RECT, INFINITY, 0, 1, 1.8 },
		{ DIST_TRI, INFINITY, 0, 1, 2.4 },
		{ DIST_TRAPEZOID, INFINITY, 0.5, 1, 2.016 },
		{ DIST_T, 10, 0, 1.1180339887498949, 4 }, /* sqrt(10/8); kurtosis 3 + 6/(10-4) */
		/* limits doubtful by d = w/sqrt(2 dof): variance w^2/3 + d^2/9, w = sqrt 3 (JCGM 101, 6.4.3.3) */
		{ DIST_RECT, 2, 0, 1.0408329997330663, 2.2 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct mc_input input = {
			.value = 7, .u = 1, .dof = rows[i].dof, .beta = rows[i].beta, .dist = rows[i].dist
		};
		struct mc_model m = { .n_inputs = 1, .n_outputs = 1, .inputs = &input, .eval = itself };
		struct mc_options o = { .trials = 1000000, .seed = seed(), .coverage = 0.95, .digits = 2 };
		static struct mc_result r;
		assert_int_equal(montecarlo_run(&m, &o, &r, NULL), RC_OK);
		double s_mean = rows[i].sd / 1000, s_u = rows[i].sd * sqrt((rows[i].kurtosis - 1) / 4e6);
		if (!(fabs(r.output[0].mean - 7) < 5 * s_mean && fabs(r.output[0].u - rows[i].sd) < 5 * s_u))
			fail_msg("row %zu: mean %.6f sd %.6f, expected 7, %.6f", i, r.output[0].mean, r.output[0].u,
				 rows[i].sd);
		/* and the run knows its own scatter, to a factor that 32 groups allow */
		assert_true(r.output[0].s_mean > 0.5 * s_mean && r.output[0].s_mean < 1.7 * s_mean);
	}
}

/* Quantiles: closed forms of the coverage factor at 95 % (GUM G.2.3 for the rectangle: 1.65). */
static void distributions_have_their_quantiles(void **state)
{
	static const struct {
		enum dist dist;
		double dof, beta, k;
	} rows[] = {
		{ DIST_NORMAL, INFINITY, 0, 1.959963984540054 },
		{ DIST_RECT, INFINITY, 0, 1.6454482671904334 }, /* 0.95 sqrt 3 */
		{ DIST_TRI, INFINITY, 0, 1.901766744741498 },   /* sqrt 6 (1 - sqrt 0.05) */
		/* trapezoid, top B of the base: a (1 - sqrt(0.05 (1 - B^2))), a = sqrt(6/(1 + B^2)); B = 0.5 */
		{ DIST_TRAPEZOID, INFINITY, 0.5, 1.7666261613087357 },
		{ DIST_T, 4, 0, 2.7764451051977987 }, /* Student's t table */
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct mc_input input = { .u = 1, .dof = rows[i].dof, .beta = rows[i].beta, .dist = rows[i].dist };
		struct mc_model m = { .n_inputs = 1, .n_outputs = 1, .inputs = &input, .eval = itself };
		struct mc_options o = { .trials = 1000000, .seed = seed(), .coverage = 0.95, .digits = 2 };
		static struct mc_result r;
		assert_int_equal(montecarlo_run(&m, &o, &r, NULL), RC_OK);
		struct mc_output *out = &r.output[0];
		if (!(fabs(out->symmetric[1] - rows[i].k) < 6 * out->s_high &&
		      fabs(out->symmetric[0] + rows[i].k) < 6 * out->s_low))
			fail_msg("row %zu: [%.5f, %.5f], expected +-%.5f", i, out->symmetric[0], out->symmetric[1],
				 rows[i].k);
		assert_true(out->shortest[1] - out->shortest[0] <= out->symmetric[1] - out->symmetric[0]);
	}
}

/* Property: on a linear model of normal inputs the two ways agree, and the program says so. */
static void linear_law_agrees_on_linear_models(void **state)
{
	static const double r[9] = { 1, 0.6, -0.3, 0.6, 1, 0.2, -0.3, 0.2, 1 };
	struct mc_input inputs[3] = { in(1, 0.1, DIST_NORMAL), in(2, 0.2, DIST_NORMAL), in(3, 0.3, DIST_NORMAL) };
	struct mc_model m = { .n_inputs = 3, .n_outputs = 1, .inputs = inputs, .eval = sum_of_three };
	struct mc_options o = { .seed = 3, .coverage = 0.95, .digits = 2 };
	static struct mc_result drawn;
	static struct mc_linear_result law;
	double d[2];

	(void)state;
	for (int correlated = 0; correlated < 2; correlated++) {
		m.correlation = correlated ? r : NULL;
		assert_int_equal(montecarlo_linear(&m, 0.95, &law, NULL), RC_OK);
		/* by hand: c u = 0.1, 0.4, -0.9; cross terms 2 (0.04*0.6 + 0.09*0.3 - 0.36*0.2) */
		double variance = 0.01 + 0.16 + 0.81 + (correlated ? 2 * (0.024 + 0.027 - 0.072) : 0);
		assert_true(fabs(law.output[0].u - sqrt(variance)) < 1e-12);
		assert_true(fabs(law.output[0].value + 4) < 1e-12);
		assert_true(fabs(law.output[0].sensitivity[2] + 3) < 1e-9);
		assert_int_equal(montecarlo_run(&m, &o, &drawn, NULL), RC_OK);
		assert_true(drawn.stabilised);
		assert_true(fabs(drawn.output[0].u - law.output[0].u) < drawn.output[0].delta / 2);
		assert_true(montecarlo_linear_valid(&law.output[0], &drawn.output[0], d));
	}
}

static void and_is_refuted_where_the_model_bends(void **state)
{
	struct mc_input x = in(0.04, 0.02, DIST_RECT); /* root of nearly nothing */
	struct mc_model m = { .n_inputs = 1, .n_outputs = 1, .inputs = &x, .eval = root };
	struct mc_options o = { .trials = 200000, .seed = 3, .coverage = 0.95, .digits = 1 };
	static struct mc_result drawn;
	static struct mc_linear_result law;
	double d[2];

	(void)state;
	assert_int_equal(montecarlo_linear(&m, 0.95, &law, NULL), RC_OK);
	assert_true(fabs(law.output[0].sensitivity[0] - 2.5) < 1e-6); /* 1/(2 sqrt 0.04) */
	assert_int_equal(montecarlo_run(&m, &o, &drawn, NULL), RC_OK);
	assert_false(montecarlo_linear_valid(&law.output[0], &drawn.output[0], d));
}

static void outputs_are_correlated(void **state)
{
	struct mc_input inputs[3] = { in(10, 0.1, DIST_NORMAL), in(20, 0.2, DIST_NORMAL), in(1, 0, DIST_NORMAL) };
	struct mc_model m = { .n_inputs = 3, .n_outputs = 3, .inputs = inputs, .eval = product_and_ratio };
	struct mc_options o = { .trials = 400000, .seed = 11, .coverage = 0.95, .digits = 2 };
	static struct mc_result drawn;
	static struct mc_linear_result law;

	(void)state;
	assert_int_equal(montecarlo_run(&m, &o, &drawn, NULL), RC_OK);
	assert_int_equal(montecarlo_linear(&m, 0.95, &law, NULL), RC_OK);
	/* product and ratio of two with equal relative uncertainty: (1 - 1)/2 = 0 */
	assert_true(fabs(law.correlation[0][1]) < 1e-9);
	assert_true(fabs(drawn.correlation[0][1]) < 5 / sqrt(400000));
	assert_true(isnan(law.correlation[0][2]) && isnan(drawn.correlation[0][2])); /* a constant */
	assert_true(fabs(drawn.correlation[1][1] - 1) < 1e-15);
	assert_true(fabs(drawn.output[2].u) < 1e-300 && fabs(drawn.output[2].mean - 1) < 1e-15);
	/* ratio of normals, second order: E = (10/20)(1 + 0.01^2) */
	assert_true(fabs(drawn.output[1].mean - 0.5 * (1 + 1e-4)) < 6 * drawn.output[1].s_mean);
}

static void degrees_of_freedom_reach_the_factor(void **state)
{
	struct mc_input inputs[3] = { in(1, 1, DIST_T), in(1, 0.5, DIST_NORMAL), in(1, 0, DIST_NORMAL) };
	struct mc_model m = { .n_inputs = 3, .n_outputs = 1, .inputs = inputs, .eval = sum_of_three };
	static struct mc_linear_result law;

	(void)state;
	inputs[0].dof = 9; /* u = 1 with 9 dof, and 2 x 0.5 = 1 with infinite: nu = (sqrt 2)^4/(1/9) = 36 */
	assert_int_equal(montecarlo_linear(&m, 0.95, &law, NULL), RC_OK);
	assert_true(fabs(law.output[0].dof - 36) < 1e-6);
	assert_true(fabs(law.output[0].k - 2.0280940009804502) < 1e-6); /* t 0.975, 36 dof: table of Student's t */
}

static void refusals(void **state)
{
	static const double r[9] = { 1, 0.5, 0, 0.5, 1, 0, 0, 0, 1 };
	static const double impossible[9] = { 1, 0.9, -0.9, 0.9, 1, 0.9, -0.9, 0.9, 1 };
	struct mc_input inputs[3] = { in(1, 0.1, DIST_NORMAL), in(2, 0.2, DIST_RECT), in(3, 0.3, DIST_NORMAL) };
	struct mc_model m = { .n_inputs = 3, .n_outputs = 1, .inputs = inputs, .eval = sum_of_three };
	struct mc_options good = { .trials = 10000, .seed = 3, .coverage = 0.95, .digits = 2 }, o = good;
	static struct mc_result ret;
	static struct mc_linear_result law;
	struct err err = { 0 };

	(void)state;
	ret.trials = 77;
	m.correlation = r;
	assert_int_equal(montecarlo_run(&m, &o, &ret, &err), RC_ARG);
	assert_non_null(strstr(err.what, "not normal"));
	inputs[1].dist = DIST_NORMAL;
	m.correlation = impossible;
	assert_int_equal(montecarlo_run(&m, &o, &ret, &err), RC_SINGULAR);
	assert_int_equal(montecarlo_linear(&m, 0.95, &law, &err), RC_SINGULAR);
	m.correlation = NULL;
	o.trials = 1999; /* 100/(1 - 0.95) = 2000 */
	assert_int_equal(montecarlo_run(&m, &o, &ret, &err), RC_ARG);
	assert_non_null(strstr(err.what, "too few"));
	o = good;
	o.coverage = 1;
	assert_int_equal(montecarlo_run(&m, &o, &ret, &err), RC_ARG);
	o = good;
	o.digits = 0;
	assert_int_equal(montecarlo_run(&m, &o, &ret, &err), RC_ARG);
	o = good;
	inputs[0].u = -1;
	assert_int_equal(montecarlo_run(&m, &o, &ret, &err), RC_ARG);
	assert_int_equal(montecarlo_linear(&m, 0.95, &law, &err), RC_ARG);
	inputs[0].u = NAN;
	assert_int_equal(montecarlo_run(&m, &o, &ret, &err), RC_ARG);
	inputs[0] = in(0.1, 1, DIST_NORMAL); /* reaches below zero */
	m.eval = root;
	m.n_outputs = 1;
	assert_int_equal(montecarlo_run(&m, &o, &ret, &err), RC_RANGE);
	assert_non_null(strstr(err.what, "not finite"));
	inputs[0] = in(-1, 0.1, DIST_NORMAL);
	assert_int_equal(montecarlo_linear(&m, 0.95, &law, &err), RC_RANGE);
	m.eval = refuses;
	assert_int_equal(montecarlo_run(&m, &o, &ret, &err), RC_ARG);
	m.n_inputs = 0;
	assert_int_equal(montecarlo_run(&m, &o, &ret, &err), RC_ARG);
	assert_int_equal(ret.trials, 77);
	o.trials = 2000; /* one short group is enough for a result */
	m = (struct mc_model){ .n_inputs = 3, .n_outputs = 1, .inputs = inputs, .eval = sum_of_three };
	assert_int_equal(montecarlo_run(&m, &o, &ret, &err), RC_OK);
	assert_int_equal(ret.trials, 2000);
	assert_true(isnan(ret.output[0].s_mean) && !ret.stabilised);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(intervals_match_the_slow_way),
		cmocka_unit_test(same_digits_for_any_number_of_threads),
		cmocka_unit_test(distributions_have_their_moments),
		cmocka_unit_test(distributions_have_their_quantiles),
		cmocka_unit_test(linear_law_agrees_on_linear_models),
		cmocka_unit_test(and_is_refuted_where_the_model_bends),
		cmocka_unit_test(outputs_are_correlated),
		cmocka_unit_test(degrees_of_freedom_reach_the_factor),
		cmocka_unit_test(refusals),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
