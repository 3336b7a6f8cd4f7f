/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Expected values by hand from the law of propagation (JCGM 100:2008, 5.1.2 and 5.2.2). */
#include "calib/number/uncertain.h"

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

static void near_rel(double found, double expected, double rel, const char *what)
{
	if (!(fabs(found - expected) <= rel * fabs(expected)))
		fail_msg("%s: found %.17g, expected %.17g", what, found, expected);
}

static int setup(void **state)
{
	*state = unc_ctx_new();
	return *state ? 0 : -1;
}

static int teardown(void **state)
{
	bool failed = unc_failed(*state);

	unc_ctx_free(*state);
	return failed ? -1 : 0;
}

/* Numbers of the shape of the work: two torques on one lever. */
static struct unc torque(struct unc_ctx *ctx, double force_N, double u_force_N, struct unc arm)
{
	struct unc force = unc_from(ctx, force_N, unc_source(ctx, "force", DIST_NORMAL, INFINITY), u_force_N);

	return unc_mul(ctx, force, arm);
}

static void the_four_rules(void **state)
{
	struct unc_ctx *ctx = *state;
	struct unc a = unc_from(ctx, 3, unc_source(ctx, "a", DIST_NORMAL, 9), 0.3);
	struct unc b = unc_from(ctx, 4, unc_source(ctx, "b", DIST_RECT, INFINITY), 0.4);

	near_rel(unc_u(unc_add(ctx, a, b)), 0.5, 1e-15, "sum"); /* 3-4-5 */
	near_rel(unc_u(unc_sub(ctx, a, b)), 0.5, 1e-15, "difference");
	near_rel(unc_u(unc_mul(ctx, a, b)), 12 * sqrt(0.01 + 0.01), 1e-14, "product: relative squares add");
	near_rel(unc_u(unc_div(ctx, a, b)), 0.75 * sqrt(0.02), 1e-14, "quotient");
	near_rel(unc_u(unc_scale(ctx, a, -2)), 0.6, 1e-15, "scale");
	near_rel(unc_u(unc_apply(ctx, a, log(3), 1.0 / 3)), 0.1, 1e-15, "logarithm");
	near_rel(unc_u(unc_with(ctx, a, a.part[0].source, 0.1)), 0.4, 1e-15, "same source adds with sign");
	near_rel(unc_u(unc_with(ctx, a, a.part[0].source, -0.1)), 0.2, 1e-15, "same source adds with sign");
	assert_true(unc_sub(ctx, a, a).n == 0);
	assert_true(unc_u(unc_sub(ctx, a, a)) < 1e-300);
	near_rel(unc_u(unc_add(ctx, a, unc_scale(ctx, a, -3))), 0.6, 1e-15,
		 "the same error, three times the other way");
	assert_true(fabs(unc_part_of(a, 12345)) < 1e-300);
	assert_string_equal(unc_source_name(ctx, b.part[0].source), "b");
	assert_int_equal(unc_source_dist(ctx, b.part[0].source), DIST_RECT);
	assert_int_equal(unc_source_count(ctx), 2);
}

static void a_ratio_on_one_rig_loses_the_lever(void **state)
{
	struct unc_ctx *ctx = *state;
	uint32_t lever = unc_source(ctx, "arm", DIST_RECT, INFINITY);
	struct unc arm = unc_from(ctx, 0.25, lever, 0.01);                           /* 4 %: a bad lever */
	struct unc t1 = torque(ctx, 40, 0.04, arm), t2 = torque(ctx, 80, 0.08, arm); /* 0.1 % each */
	struct unc ratio = unc_div(ctx, t1, t2);

	near_rel(unc_u(t1) / t1.value, sqrt(0.04 * 0.04 + 1e-6), 1e-12, "one torque has the lever");
	assert_true(fabs(unc_part_of(ratio, lever)) < 1e-15);
	near_rel(unc_u(ratio) / ratio.value, 1e-3 * sqrt(2), 1e-12, "the ratio has the two forces only");
}

static void a_mean_of_a_hundred_keeps_the_lever_and_loses_noise(void **state)
{
	struct unc_ctx *ctx = *state;
	uint32_t lever = unc_source(ctx, "arm", DIST_RECT, INFINITY);
	struct unc arm = unc_from(ctx, 0.25, lever, 0.0025), t[100], by_sum = unc_exact(0);
	double share[100];

	for (int i = 0; i < 100; i++) {
		t[i] = torque(ctx, 40, 0.4, arm);
		share[i] = 0.01;
		by_sum = unc_add(ctx, by_sum, t[i]);
	}
	struct unc mean = unc_combine(ctx, 10, t, share, 100);
	near_rel(fabs(unc_part_of(mean, lever)), 10 * 0.01, 1e-12, "the lever stays whole");
	near_rel(sqrt(pow(unc_u(mean), 2) - 0.01), 0.01, 1e-9, "noise falls by sqrt 100");
	by_sum = unc_scale(ctx, by_sum, 0.01);
	near_rel(unc_u(by_sum), unc_u(mean), 1e-12, "sum of pairs is the combination");
	assert_true(unc_u(unc_sub(ctx, by_sum, mean)) < 1e-12 * unc_u(mean)); /* and is the same number */
}

/* Property: order of operations does not matter. Random expressions of sums and products, seed printed. */
static void order_does_not_matter(void **state)
{
	struct unc_ctx *ctx = *state;
	const char *given = getenv("BRIDLE_SEED");
	unsigned long seed = given ? strtoul(given, NULL, 10) : 20240611;
	gsl_rng *rng = gsl_rng_alloc(gsl_rng_mt19937);

	print_message("# seed %lu (BRIDLE_SEED)\n", seed);
	gsl_rng_set(rng, seed);
	for (int round = 0; round < 200; round++) {
		struct unc x[6], forward = unc_exact(0), backward = unc_exact(0), product = unc_exact(1),
				 reversed = unc_exact(1);
		for (int i = 0; i < 6; i++) {
			uint32_t shared = i < 3 || round == 0 ? unc_source(ctx, "own", DIST_NORMAL, INFINITY)
							      : x[i - 3].part[0].source;
			x[i] = unc_from(ctx, 0.5 + gsl_rng_uniform(rng), shared, gsl_rng_uniform(rng) - 0.5);
		}
		for (int i = 0; i < 6; i++) {
			forward = unc_add(ctx, forward, x[i]);
			backward = unc_add(ctx, backward, x[5 - i]);
			product = unc_mul(ctx, product, x[i]);
			reversed = unc_mul(ctx, reversed, x[5 - i]);
		}
		near_rel(unc_u(forward), unc_u(backward), 1e-9, "sum");
		near_rel(unc_u(product), unc_u(reversed), 1e-9, "product");
		near_rel(unc_u(unc_div(ctx, product, x[2])),
			 unc_u(unc_mul(ctx, unc_mul(ctx, unc_mul(ctx, unc_mul(ctx, x[0], x[1]), x[3]), x[4]), x[5])),
			 1e-9, "taking a factor out again");
	}
	gsl_rng_free(rng);
}

static void degrees_of_freedom(void **state)
{
	struct unc_ctx *ctx = *state;
	struct unc a = unc_from(ctx, 1, unc_source(ctx, "a", DIST_T, 9), 1.0);
	struct unc b = unc_from(ctx, 1, unc_source(ctx, "b", DIST_T, 4), 1.0);
	struct unc c = unc_from(ctx, 1, unc_source(ctx, "c", DIST_RECT, INFINITY), 1.0);

	near_rel(unc_dof(ctx, a), 9, 1e-15, "one source keeps its own");
	near_rel(unc_dof(ctx, unc_add(ctx, a, b)), 4.0 / (1.0 / 9 + 1.0 / 4), 1e-14, "G.2b by hand");
	near_rel(unc_dof(ctx, unc_add(ctx, a, c)), 4.0 * 9, 1e-14, "an infinite one dilutes");
	assert_true(isinf(unc_dof(ctx, c)));
	assert_true(isinf(unc_dof(ctx, unc_exact(1))));
}

static void coverage_factor_at_the_edges(void **state)
{
	(void)state;
	assert_true(isnan(unc_coverage_factor(0.5, 0.95)));
	assert_true(isnan(unc_coverage_factor(NAN, 0.95)));
	assert_true(isnan(unc_coverage_factor(5, 1)));
	assert_true(isnan(unc_coverage_factor(5, 0)));
	assert_true(isnan(unc_coverage_factor(5, NAN)));
	near_rel(unc_coverage_factor(1, 0.5), 1.0, 1e-12, "Cauchy: quartile at 1");
	near_rel(unc_coverage_factor(2, 0.9), 0.9 * sqrt(2 / (1 - 0.81)), 1e-12, "closed form for 2 dof");
	near_rel(unc_coverage_factor(INFINITY, 0.95), 1.959963984540054, 1e-12, "normal");
	near_rel(unc_coverage_factor(1e10, 0.95), 1.959963984540054, 1e-8, "nearly normal");
	/* fractional dof lie between their neighbours */
	double k = unc_coverage_factor(4.5, 0.95);
	assert_true(k < unc_coverage_factor(4, 0.95) && k > unc_coverage_factor(5, 0.95));
}

static void budget_is_sorted_and_whole(void **state)
{
	struct unc_ctx *ctx = *state;
	struct unc_budget_row row[4];
	struct unc x = unc_exact(5);

	for (int i = 0; i < 4; i++)
		x = unc_with(ctx, x, unc_source(ctx, "s", DIST_NORMAL, INFINITY), (i == 2 ? -1 : 1) * (1.0 + i));
	assert_int_equal(unc_budget(x, row, 4), 4);
	near_rel(row[0].share + row[1].share + row[2].share + row[3].share, 1, 1e-14, "shares");
	near_rel(row[0].share, 16.0 / 30, 1e-14, "largest first");
	near_rel(row[1].u, -3, 1e-14, "keeps its sign");
	assert_int_equal(unc_budget(x, row, 2), 2);
	assert_int_equal(unc_budget(unc_exact(1), row, 4), 0);
}

static void extremes(void **state)
{
	struct unc_ctx *ctx = *state;
	struct unc tiny = unc_from(ctx, 1, unc_source(ctx, "t", DIST_NORMAL, INFINITY), 1e-200);
	struct unc huge = unc_from(ctx, 1, unc_source(ctx, "h", DIST_NORMAL, INFINITY), 1e200);

	tiny = unc_with(ctx, tiny, unc_source(ctx, "t2", DIST_NORMAL, INFINITY), 1e-200);
	near_rel(unc_u(tiny), sqrt(2) * 1e-200, 1e-14, "squares would underflow");
	huge = unc_with(ctx, huge, unc_source(ctx, "h2", DIST_NORMAL, INFINITY), 1e200);
	near_rel(unc_u(huge), sqrt(2) * 1e200, 1e-14, "squares would overflow");
	assert_true(isnan(unc_u(unc_mul(ctx, unc_exact(NAN), tiny))));
	assert_true(!isfinite(unc_div(ctx, tiny, unc_exact(0)).value));
}

static void a_source_that_is_not_there_is_a_failure(void **state)
{
	struct unc_ctx *ctx = unc_ctx_new();

	(void)state;
	assert_true(isnan(unc_from(ctx, 1, 7, 1).value));
	assert_true(unc_failed(ctx));
	unc_ctx_free(ctx);
	unc_ctx_free(NULL);
}

int main(void)
{
#define T(f) cmocka_unit_test_setup_teardown(f, setup, teardown)
	static const struct CMUnitTest tests[] = {
		T(the_four_rules),
		T(a_ratio_on_one_rig_loses_the_lever),
		T(a_mean_of_a_hundred_keeps_the_lever_and_loses_noise),
		T(order_does_not_matter),
		T(degrees_of_freedom),
		T(coverage_factor_at_the_edges),
		T(budget_is_sorted_and_whole),
		T(extremes),
		T(a_source_that_is_not_there_is_a_failure),

	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
