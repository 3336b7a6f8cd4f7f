/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The generator against its published first numbers, the ziggurat against the normal distribution in every bin, the
 * tail beyond the base layer included. */
#include "calib/number/mc_rng.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_randist.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

/* State 1, 2, 3, 4: first outputs of xoshiro256++ as its authors' code gives them; also worked by hand for the first:
 * rotl(1 + 4, 23) + 1 = 5 2^23 + 1 = 41943041. */
static void first_numbers(void **state)
{
	static const uint64_t expected[] = { UINT64_C(41943041), UINT64_C(58720359), UINT64_C(3588806011781223),
					     UINT64_C(3591011842654386) };
	struct mc_rng r = { { 1, 2, 3, 4 } };

	(void)state;
	for (size_t i = 0; i < 4; i++)
		assert_true(mc_next(&r) == expected[i]);
}

static void streams_differ(void **state)
{
	(void)state;
	uint64_t first[200];
	for (uint64_t i = 0; i < 200; i++) {
		struct mc_rng r;
		mc_rng_seed(&r, i / 10, i % 10);
		first[i] = mc_next(&r);
		for (uint64_t k = 0; k < i; k++)
			assert_true(first[i] != first[k]);
	}
	/* what GSL's distributions draw from is the same stream */
	gsl_rng *g = gsl_rng_alloc(&mc_rng_type);
	struct mc_rng r;
	gsl_rng_set(g, 42);
	mc_rng_seed(&r, 42, 0);
	for (int i = 0; i < 100; i++)
		assert_true(fabs(gsl_rng_uniform(g) - mc_uniform(&r)) < 1e-300);
	gsl_rng_free(g);
}

/* Chi-square over bins of 0.25, the last ones open: beyond 5 the counts are too small to judge. */
static void normal_in_every_bin(void **state)
{
	enum { BINS = 42 };
	static double count[BINS];
	static struct ziggurat z;
	struct mc_rng r;
	const double n = 2e7;
	double chi2 = 0, beyond = 0;
	const char *given = getenv("BRIDLE_SEED");
	unsigned long seed = given ? strtoul(given, NULL, 10) : 3141;

	(void)state;
	print_message("# seed %lu (BRIDLE_SEED)\n", seed);
	ziggurat_init(&z);
	mc_rng_seed(&r, seed, 0);
	for (int i = 0; i < (int)n; i++) {
		double x = mc_normal(&z, &r), bin = floor(x / 0.25) + BINS / 2;
		count[bin < 0 ? 0 : bin > BINS - 1 ? BINS - 1 : (int)bin]++;
		beyond += fabs(x) > 4.2;
	}
	for (int b = 0; b < BINS; b++) {
		double low = b == 0 ? -INFINITY : 0.25 * (b - BINS / 2),
		       high = b == BINS - 1 ? INFINITY : 0.25 * (b + 1 - BINS / 2);
		double expected =
			n * (gsl_cdf_ugaussian_P(high < 0 ? high : -low) - gsl_cdf_ugaussian_P(high < 0 ? low : -high));
		chi2 += (count[b] - expected) * (count[b] - expected) / expected;
	}
	double p = gsl_cdf_chisq_Q(chi2, BINS - 1);
	print_message("# chi-square %.1f for %d degrees of freedom, p = %.3g\n", chi2, BINS - 1, p);
	assert_true(p > 1e-5 && p < 1 - 1e-5);
	double tail = n * 2 * gsl_cdf_ugaussian_Q(4.2); /* 534 expected */
	assert_true(fabs(beyond - tail) < 5 * sqrt(tail));
}

/* 256 layers of equal area: the last one closes at the top of the bell. */
static void layers_close(void **state)
{
	static struct ziggurat z;
	double area;

	(void)state;
	ziggurat_init(&z);
	area = z.x[1] * exp(-0.5 * z.x[1] * z.x[1]) + sqrt(acos(0.0)) * erfc(z.x[1] / sqrt(2));
	for (int i = 1; i < ZIGGURAT; i++) {
		assert_true(z.x[i] > z.x[i + 1]);
		assert_true(fabs(z.x[i] * (z.f[i + 1] - z.f[i]) / area - 1) < 1e-6);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(first_numbers),
		cmocka_unit_test(streams_differ),
		cmocka_unit_test(layers_close),
		cmocka_unit_test(normal_in_every_bin),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
