/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/steady.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#define RATE_HZ 100.0

static void feed_ramp(struct steady *s, double from_s, double to_s, double slope_a, double slope_b)
{
	for (int i = 0; from_s + i / RATE_HZ < to_s; i++) {
		double t = from_s + i / RATE_HZ;
		steady_add(s, t, (const double[]){ 7 + slope_a * t, slope_b * t });
	}
}

/* An exact ramp has its own slope and no error (derived by hand). */
static void tells_the_slope_of_a_ramp(void **state)
{
	const struct steady_limit limits[2] = { { .slope_per_s = 1 }, { .slope_per_s = 1 } };
	struct steady s;

	(void)state;
	steady_begin(&s, 3, limits, 2);
	feed_ramp(&s, 10, 14, 0.25, -0.5);
	assert_true(fabs(steady_slope(&s, 0).slope_per_s - 0.25) < 1e-9);
	assert_true(fabs(steady_slope(&s, 1).slope_per_s + 0.5) < 1e-9);
	assert_true(steady_slope(&s, 0).u_per_s < 1e-9);
	assert_true(steady_is(&s));
}

static void is_not_steady_before_the_window_is_full(void **state)
{
	const struct steady_limit limits[2] = { { .slope_per_s = 1 }, { .slope_per_s = 1 } };
	struct steady s;

	(void)state;
	steady_begin(&s, 3, limits, 2);
	feed_ramp(&s, 10, 12.9, 0, 0);
	assert_false(steady_is(&s));
	assert_true(isnan(steady_slope(&s, 0).slope_per_s));
	feed_ramp(&s, 12.9, 13.2, 0, 0);
	assert_true(steady_is(&s));
	steady_clear(&s);
	assert_false(steady_is(&s));
}

static void names_the_channel_that_moves(void **state)
{
	const struct steady_limit limits[2] = { { .slope_per_s = 0.3 }, { .slope_per_s = 0.3 } };
	struct steady s;

	(void)state;
	steady_begin(&s, 2, limits, 2);
	feed_ramp(&s, 0, 3, 0.2, 0.4);
	assert_false(steady_is(&s));
	assert_int_equal(steady_worst(&s), 1);
	assert_true(steady_is_lost(&s));
}

static void a_channel_that_is_not_judged_may_move(void **state)
{
	const struct steady_limit limits[2] = { { .slope_per_s = 0.3 }, { .slope_per_s = INFINITY } };
	struct steady s;

	(void)state;
	steady_begin(&s, 2, limits, 2);
	feed_ramp(&s, 0, 3, 0, 40);
	assert_true(steady_is(&s));
	assert_false(steady_is_lost(&s));
}

static void what_is_not_a_number_is_not_steady(void **state)
{
	static const struct {
		bool lenient, steady;
	} rows[] = { { false, false }, { true, true } };

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		const struct steady_limit limit = { .slope_per_s = 1, .lenient = rows[i].lenient };
		const double nothing = NAN;
		struct steady s;
		steady_begin(&s, 2, &limit, 1);
		for (int k = 0; k < 300; k++)
			steady_add(&s, k / RATE_HZ, &nothing);
		assert_int_equal(steady_is(&s), rows[i].steady);
	}
}

/* A reading that steps by its resolution in the middle of the window has the slope 1.5 d/W (least squares of a step:
 * sum (t - t0)(y - y0) / sum (t - t0)^2 = (d W^2/8) / (W^3/12) = 1.5 d/W), which is no motion. */
static void a_step_of_the_resolution_is_no_motion(void **state)
{
	const struct steady_limit limits[2] = { { .slope_per_s = 0.01, .resolution = 0.1, .lenient = true },
						{ .slope_per_s = 0.01, .lenient = true } };
	struct steady s;

	(void)state;
	steady_begin(&s, 4, limits, 2);
	for (int i = 0; i < 404; i++) {
		double y = i < 202 ? 30.0 : 30.1;
		steady_add(&s, i / RATE_HZ, (const double[]){ y, y });
	}
	assert_true(fabs(steady_slope(&s, 0).slope_per_s - 1.5 * 0.1 / 4) < 0.002);
	assert_true(steady_slope(&s, 0).u_per_s > steady_slope(&s, 1).u_per_s);
	assert_true(steady_slope(&s, 0).u_per_s >= 1.5 * 0.1 / 4 / sqrt(3));
}

static double uniform(uint64_t *seed)
{
	*seed = *seed * 6364136223846793005u + 1442695040888963407u;
	return (double)(*seed >> 11) / 9007199254740992.0 - 0.5;
}

/* White noise of standard deviation sd at rate f over a window W: u(slope) = sd sqrt(12 / (f W^3)) for many samples
 * (least squares of equally spaced points). The slopes found must scatter by that, and the stated u must say so. */
static void states_the_error_of_a_noisy_slope(void **state)
{
	const char *given = getenv("BRIDLE_SEED");
	uint64_t seed = given ? strtoull(given, NULL, 10) : 20260301;
	const double sd = 1 / sqrt(12), window = 2, expected = sd * sqrt(12 / (RATE_HZ * window * window * window));
	const struct steady_limit limit = { .slope_per_s = 1 };
	double sum2 = 0, u2 = 0;
	struct steady s;

	(void)state;
	print_message("# seed %llu\n", (unsigned long long)seed);
	for (int trial = 0; trial < 400; trial++) {
		steady_begin(&s, window, &limit, 1);
		for (int i = 0; i <= 200; i++) {
			double y = uniform(&seed);
			steady_add(&s, i / RATE_HZ, &y);
		}
		struct steady_slope k = steady_slope(&s, 0);
		sum2 += k.slope_per_s * k.slope_per_s;
		u2 += k.u_per_s * k.u_per_s;
	}
	/* 400 trials: a standard deviation is known to 1/sqrt(800) = 3.5 %, so 15 % is four of those */
	assert_true(fabs(sqrt(sum2 / 400) / expected - 1) < 0.15);
	assert_true(fabs(sqrt(u2 / 400) / expected - 1) < 0.3);
}

/* Noise of sd 0.29 at 100 Hz over 2 s: the slope is known to 0.035 a second. A limit of 0.01 cannot be shown to be
 * kept, nor to be passed: a strict channel is not steady, a lenient one is. */
static void in_doubt_the_strict_channel_waits_and_the_lenient_one_passes(void **state)
{
	static const struct {
		bool lenient;
	} rows[] = { { false }, { true } };
	size_t steady[2] = { 0 };

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		const struct steady_limit limit = { .slope_per_s = 0.01, .lenient = rows[i].lenient };
		uint64_t seed = 7;
		for (int trial = 0; trial < 50; trial++) {
			struct steady s;
			steady_begin(&s, 2, &limit, 1);
			for (int k = 0; k <= 200; k++) {
				double y = uniform(&seed);
				steady_add(&s, k / RATE_HZ, &y);
			}
			steady[i] += steady_is(&s);
		}
	}
	assert_true(steady[0] <= 5);
	assert_true(steady[1] >= 30);
}

/* A channel that tells five times a second in 100 rows: of a window of 3 s the slope is known to sd sqrt(12 / (f W^3))
 * with f its own rate. Each reading stands in 20 rows, more than a bin holds: only the correlation of neighbouring bins
 * says that the line through them is no better than that. */
static void a_slow_channel_counts_by_its_readings(void **state)
{
	const double window = 3, rate_Hz = 5, sd = 1 / sqrt(12);
	const double expected = sd * sqrt(12 / (rate_Hz * window * window * window));
	const struct steady_limit limit = { .slope_per_s = 1, .lenient = true };
	uint64_t seed = 20260302;
	double sum2 = 0, u2 = 0, y = 0;

	(void)state;
	for (int trial = 0; trial < 400; trial++) {
		struct steady s;
		steady_begin(&s, window, &limit, 1);
		for (int i = 0; i <= 320; i++) {
			y = i % 20 == 0 ? uniform(&seed) : y;
			steady_add(&s, i / RATE_HZ, &y);
		}
		struct steady_slope k = steady_slope(&s, 0);
		sum2 += k.slope_per_s * k.slope_per_s;
		u2 += k.u_per_s * k.u_per_s;
	}
	/* 15 or 16 readings, so that the error of the line itself is coarser than above */
	assert_true(fabs(sqrt(sum2 / 400) / expected - 1) < 0.2);
	assert_true(fabs(sqrt(u2 / 400) / expected - 1) < 0.25);
}

/* A limit of nothing is kept by what stands still alone; before the window is full nothing is lost and none is worst.
 */
static void a_limit_of_nothing_is_the_worst_to_pass(void **state)
{
	const struct steady_limit limits[2] = { { .slope_per_s = 0.1 }, { .slope_per_s = 0 } };
	struct steady s;

	(void)state;
	steady_begin(&s, 2, limits, 2);
	feed_ramp(&s, 0, 1.5, 40, 0.001);
	assert_false(steady_is_lost(&s));
	assert_int_equal(steady_worst(&s), -1);
	feed_ramp(&s, 1.5, 3, 40, 0.001);
	assert_int_equal(steady_worst(&s), 1);
	steady_clear(&s);
	feed_ramp(&s, 3, 6, 0, 0);
	assert_true(steady_is(&s));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(tells_the_slope_of_a_ramp),
		cmocka_unit_test(is_not_steady_before_the_window_is_full),
		cmocka_unit_test(names_the_channel_that_moves),
		cmocka_unit_test(a_slow_channel_counts_by_its_readings),
		cmocka_unit_test(a_channel_that_is_not_judged_may_move),
		cmocka_unit_test(what_is_not_a_number_is_not_steady),
		cmocka_unit_test(a_step_of_the_resolution_is_no_motion),
		cmocka_unit_test(states_the_error_of_a_noisy_slope),
		cmocka_unit_test(in_doubt_the_strict_channel_waits_and_the_lenient_one_passes),
		cmocka_unit_test(a_limit_of_nothing_is_the_worst_to_pass),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
