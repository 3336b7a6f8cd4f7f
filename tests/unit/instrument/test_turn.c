/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A shaft whose angle is a known function of time; its edges are found by bisection, independently of the code. */
#include "instrument/turn.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

/* cmocka's own compares in single precision */
#define assert_near(a, b, tolerance) assert_true(fabs((double)(a) - (double)(b)) <= (tolerance))

#define PER_REV 360.0

static bool is_zero(double x)
{
	return fabs(x) <= 0;
}

/* Angle in turns at time t_s. */
typedef double (*angle_fn)(double t_s, double p);

static double steady(double t_s, double rpm)
{
	return rpm / 60 * t_s + 0.3 / PER_REV;
}

/* Speeds up from 0: angle is p t^2 / 2, speed p t turns/s. */
static double speeding_up(double t_s, double p)
{
	return 0.5 * p * t_s * t_s + 0.3 / PER_REV;
}

static int64_t count(angle_fn angle, double t_s, double p)
{
	return (int64_t)floor(angle(t_s, p) * PER_REV);
}

/* Time of the last edge at or before t_s, or -1: the count differs just before it. */
static double last_edge(angle_fn angle, double t_s, double p)
{
	double lo = t_s - 1, hi = t_s;

	if (lo < 0)
		lo = 0;
	if (count(angle, lo, p) == count(angle, hi, p))
		return -1;
	while (hi - lo > 1e-9) {
		double mid = 0.5 * (lo + hi);

		if (count(angle, mid, p) == count(angle, t_s, p))
			hi = mid;
		else
			lo = mid;
	}
	return hi;
}

static void look(struct turn *turn, angle_fn angle, double t_s, double p, uint16_t zero)
{
	double edge_s = last_edge(angle, t_s, p);
	double age_s = edge_s < 0 ? 1 : t_s - edge_s;

	turn_take(turn, llround(t_s * 1e6), (uint16_t)(count(angle, t_s, p) + zero), age_s < 0.999999,
		  age_s < 0.999999 ? (uint32_t)llround(age_s * 1e6) : 999999);
}

static void is_exact_at_any_steady_speed(void **state)
{
	static const double speeds[] = { 0.4, 1, 3.7, 10, 80, -80, 250, -3000 };
	static const int rates[] = { 20, 100, 1000 };

	(void)state;
	for (size_t k = 0; k < sizeof rates / sizeof rates[0]; k++)
		for (size_t i = 0; i < sizeof speeds / sizeof speeds[0]; i++) {
			struct turn turn = { .per_rev = PER_REV, .sign = 1 };
			double pulse_s = 60 / PER_REV / fabs(speeds[i]), worst = 0;

			if (fabs(speeds[i]) / 60 * PER_REV / rates[k] > 32767)
				continue; /* beyond the counter's wrap */
			for (int n = 1; n <= 4 * rates[k]; n++) {
				look(&turn, steady, (double)n / rates[k], speeds[i], 65500);
				if ((double)n / rates[k] > 3 * pulse_s + 0.1)
					worst = fmax(worst, fabs(turn.speed_rpm / speeds[i] - 1));
			}
			/* edge times are whole microseconds, the stretch at least 20 ms: half of one at each end */
			if (!(worst < 1.01e-6 / 0.02))
				fail_msg("%g rev/min at %d Hz: off by %g", speeds[i], rates[k], worst);
		}
}

static void follows_a_ramp(void **state)
{
	struct turn turn = { .per_rev = PER_REV, .sign = 1 };

	(void)state;
	for (int n = 1; n < 300; n++) {
		double t_s = n * 0.01, rpm = 60 * 0.5 * t_s;

		look(&turn, speeding_up, t_s, 0.5, 0);
		/* seen over 20 to 30 ms that ended up to a pulse ago: at most one pulse and 30 ms old */
		if (t_s > 0.5) {
			double oldest_s = t_s - 0.03 - 2 / PER_REV / (0.5 * t_s);

			assert_true(turn.speed_rpm <= rpm * (1 + 1e-3));
			assert_true(turn.speed_rpm >= 60 * 0.5 * oldest_s);
		}
	}
}

static void falls_to_nothing_when_pulses_stop(void **state)
{
	struct turn turn = { .per_rev = PER_REV, .sign = 1 };
	double t_s = 0;

	(void)state;
	for (int n = 1; n <= 100; n++)
		look(&turn, steady, t_s = n * 0.01, 30, 0);
	assert_near(turn.speed_rpm, 30, 0.01);
	for (int n = 1; n <= 60; n++) { /* no pulse any more */
		double since_s = t_s + n * 0.01 - last_edge(steady, t_s, 30);

		turn_take(&turn, llround((t_s + n * 0.01) * 1e6), turn.last_raw, true,
			  (uint32_t)llround(since_s * 1e6));
		assert_true(turn.speed_rpm <= 1.2501 * 60 / PER_REV / since_s);
		assert_near(turn.edge_rpm, 30, 0.01); /* what it was at the last one */
		if (since_s > 0.5)
			assert_true(is_zero(turn.speed_rpm));
		else
			assert_true(turn.speed_rpm > 0);
	}
	/* The age in samples saturates; the standstill does not end by it. */
	turn_take(&turn, llround((t_s + 5) * 1e6), turn.last_raw, false, 999999);
	assert_true(is_zero(turn.speed_rpm));
	/* One pulse out of rest says that it moved, not how fast. */
	turn_take(&turn, llround((t_s + 5.01) * 1e6), (uint16_t)(turn.last_raw + 1), true, 20);
	assert_true(is_zero(turn.speed_rpm));
	/* Then it can be told: ten pulses in 10 ms is 1000 pulses/s. */
	turn_take(&turn, llround((t_s + 5.02) * 1e6), (uint16_t)(turn.last_raw + 10), true, 20);
	assert_near(turn.speed_rpm, 1000 / PER_REV * 60, 1e-6);
}

static void starts_fast_out_of_rest(void **state)
{
	struct turn turn = { .per_rev = PER_REV, .sign = 1 };

	(void)state;
	turn_take(&turn, 1000000, 100, false, 999999);
	assert_true(is_zero(turn.speed_rpm));
	/* 21 pulses since: 20 spaces of them in at most 9.9 ms, so at least 2020 pulses/s */
	turn_take(&turn, 1010000, 121, true, 100);
	assert_near(turn.speed_rpm, 20 / 0.0099 / PER_REV * 60, 1e-6);
}

static void a_shaft_that_trembles_on_an_edge_does_not_turn(void **state)
{
	struct turn turn = { .per_rev = PER_REV, .sign = 1 };
	double mean = 0;

	(void)state;
	turn_take(&turn, 0, 7, false, 999999);
	for (int n = 1; n <= 400; n++) {
		turn_take(&turn, n * 10000, (uint16_t)(7 + n % 2), true, (uint32_t)(500 + 37 * n % 4000));
		mean += turn.speed_rpm / 400;
		if (n > 4) /* at most one pulse over the shortest stretch */
			assert_true(fabs(turn.speed_rpm) <= 60 / PER_REV / 0.020);
	}
	assert_true(fabs(mean) < 0.2);
	assert_int_equal(turn.pulses, 0);
}

static void keeps_sign_angle_and_edges(void **state)
{
	struct turn turn = { .per_rev = PER_REV, .sign = -1 };

	(void)state;
	assert_true(isnan(turn_edge_s(&turn)));
	for (int n = 1; n <= 2000; n++)
		look(&turn, steady, n * 0.01, 900, 33000); /* 108000 pulses: beyond the 16 bits */
	assert_near(turn.speed_rpm, -900, 0.1);
	assert_int_equal(turn.pulses, -(count(steady, 20, 900) - count(steady, 0.01, 900)));
	assert_near(turn_angle_rev(&turn), (double)turn.pulses / PER_REV, 1e-12);
	assert_near(turn_edge_s(&turn), last_edge(steady, 20, 900), 1e-6);
}

static void without_a_pulse_count_there_is_no_speed(void **state)
{
	struct turn turn = { .per_rev = 0, .sign = 1 };

	(void)state;
	turn_take(&turn, 1000000, 0, true, 10);
	turn_take(&turn, 1010000, 5, true, 10);
	assert_true(isnan(turn.speed_rpm));
	assert_true(isnan(turn_angle_rev(&turn)));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(is_exact_at_any_steady_speed),
		cmocka_unit_test(follows_a_ramp),
		cmocka_unit_test(falls_to_nothing_when_pulses_stop),
		cmocka_unit_test(starts_fast_out_of_rest),
		cmocka_unit_test(a_shaft_that_trembles_on_an_edge_does_not_turn),
		cmocka_unit_test(keeps_sign_angle_and_edges),
		cmocka_unit_test(without_a_pulse_count_there_is_no_speed),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
