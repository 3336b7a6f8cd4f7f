/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/coverage.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>

static double factor(enum dist dist, size_t n, const double *u, double dof)
{
	struct unc_ctx *ctx = unc_ctx_new();
	struct unc x = unc_exact(10);
	double k;

	for (size_t i = 0; i < n; i++)
		x = unc_with(ctx, x, unc_source(ctx, "s", dist, dof), u[i]);
	unc_expanded(ctx, x, 0.95, &k);
	unc_ctx_free(ctx);
	return k;
}

/* One rectangle: 95 % of its half-width sqrt 3 u. One triangle: 1 - (1 - k/a)^2 = 0.95 with a = sqrt 6 u. Four equal
 * rectangles: JCGM 101:2008, 9.2.3, +-3.88 for u = 2 (exactly 2 sqrt 3 (2 - (3/5)^(1/4)) = 3.879407). Normal: 1.959964.
 * Student: t(0.975, 5) = 2.57058 (tables). */
static void factors_are_those_of_the_distributions(void **state)
{
	static const double one[] = { 0.7 }, four[] = { 1, 1, 1, 1 };
	(void)state;

	assert_true(fabs(factor(DIST_RECT, 1, one, INFINITY) - 0.95 * sqrt(3)) <
		    0.015); /* the sharp edge is a little rounded */
	assert_true(fabs(factor(DIST_TRI, 1, one, INFINITY) - sqrt(6) * (1 - sqrt(0.05))) < 0.005);
	assert_true(fabs(factor(DIST_RECT, 4, four, INFINITY) - 3.879407 / 2) < 0.001);
	assert_true(fabs(factor(DIST_NORMAL, 1, one, INFINITY) - 1.959964) < 1e-5);
	assert_true(fabs(factor(DIST_NORMAL, 1, one, 5) - 2.57058) < 1e-4);
}

/* The area of a trapezoid of half-width 1 and top b between -x and x, by adding up a million strips of it. */
static double area(double b, double x)
{
	double inside = 0, all = 0;

	for (int i = 0; i < 1000000; i++) {
		double at = (i + 0.5) * 1e-6, height = at < b ? 1 : (1 - at) / (1 - b);
		all += height;
		inside += at < x ? height : 0;
	}
	return inside / all;
}

static void one_distribution_exactly(void **state)
{
	static const double tops[] = { 0, 0.3, 0.8, 1 }, coverages[] = { 0.5, 0.6827, 0.95, 0.99 };

	(void)state;
	assert_true(fabs(dist_coverage_factor(DIST_RECT, 0, INFINITY, 0.95) - 0.95 * sqrt(3)) < 1e-12);
	assert_true(fabs(dist_coverage_factor(DIST_TRI, 0, INFINITY, 0.95) - sqrt(6) * (1 - sqrt(0.05))) < 1e-12);
	assert_true(fabs(dist_coverage_factor(DIST_T, 0, 5, 0.95) - 2.57058) < 1e-5); /* tables */
	for (size_t i = 0; i < 4; i++)
		for (size_t j = 0; j < 4; j++) {
			double k = dist_coverage_factor(DIST_TRAPEZOID, tops[i], INFINITY, coverages[j]);
			double x =
				k * sqrt((1 + tops[i] * tops[i]) / 6); /* JCGM 100:2008, 4.3.9, for a half-width of 1 */
			assert_true(fabs(area(tops[i], x) - coverages[j]) < 1e-5);
		}
	assert_true(isnan(dist_coverage_factor(DIST_RECT, 0, INFINITY, 1)));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(factors_are_those_of_the_distributions),
		cmocka_unit_test(one_distribution_exactly),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
