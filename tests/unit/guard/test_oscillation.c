/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Signals whose cycles are known by construction. Ringing down: x(t) = A exp(-zeta w t) cos(w' t), so one half cycle is
 * r = exp(-pi zeta / sqrt(1 - zeta^2)) of the one before: 0.73 for zeta 0.1, 0.91 for zeta 0.03. It has faded to half
 * after ln 0.5 / ln r of them, 2 and 7, the first not counted in, and the count begins anew: four cycles at most, never
 * six. */
#include "guard/oscillation.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

#define DT_S 0.01
#define SWING 10.0

typedef double signal_fn(double t_s);

static unsigned most_cycles(signal_fn *signal, double for_s)
{
	struct guard_osc osc = { 0 };
	unsigned most = 0;

	for (double t_s = 0; t_s < for_s; t_s += DT_S) {
		unsigned n = oscillation_step(&osc, signal(t_s), SWING, DT_S);
		most = n > most ? n : most;
	}
	return most;
}

static double steady_2Hz(double t)
{
	return 60 + 6 * sin(2 * M_PI * 2 * t);
}
static double too_small(double t)
{
	return 60 + 4.9 * sin(2 * M_PI * 2 * t);
}
static double growing(double t)
{
	return 60 + 5.5 * exp(0.1 * t) * sin(2 * M_PI * 2 * t);
}
static double slow_0_4Hz(double t)
{
	return 60 + 30 * sin(2 * M_PI * 0.4 * t);
}
static double ring_down(double t)
{
	return 100 * exp(-0.1 * 2 * M_PI * 3 * t) * cos(2 * M_PI * 3 * t);
}
static double ring_down_slowly(double t)
{
	return 200 * exp(-0.03 * 2 * M_PI * 3 * t) * cos(2 * M_PI * 3 * t);
}
/* 3.4 samples a cycle: each swing is cut at another place. */
static double fast_29Hz(double t)
{
	return 60 + 12 * sin(2 * M_PI * 29.3 * t);
}
static double swing_after_a_step(double t)
{
	return 60 + 100 * exp(-4 * t) * cos(2 * M_PI * 2 * t) + 6 * sin(2 * M_PI * 2 * t);
}
static double ring_down_often(double t)
{
	return ring_down(fmod(t, 4));
} /* a step every 4 s */
static double staircase(double t)
{
	return 10 * floor(t / 3);
}
static double up_and_down(double t)
{
	return fmod(t, 6) < 3 ? 0 : 40;
}
static double ramp(double t)
{
	return 5 * t;
}
static double triangle_2Hz(double t)
{
	return 12 * fabs(2 * (2 * t - floor(2 * t + 0.5)));
}
static double bursts(double t)
{
	return fmod(t, 3) < 1.5 ? 60 + 8 * sin(2 * M_PI * 2 * t) : 60;
}
static double noise(double t)
{
	(void)t;
	return 60 + 9.0 * ((double)rand() / RAND_MAX - 0.5); /* 9 peak to peak, a little below the swing */
}

static void counts_what_swings_on(void **state)
{
	(void)state;
	/* In 5 s of 2 Hz there are ten cycles; the first swing begins the count, so at least eight are counted. */
	assert_in_range(most_cycles(steady_2Hz, 5), 8, 10);
	assert_in_range(most_cycles(growing, 5), 8, 10);
	assert_in_range(most_cycles(triangle_2Hz, 5), 8, 10);
	assert_in_range(most_cycles(swing_after_a_step, 5), 6, 10);
	assert_true(most_cycles(fast_29Hz, 5) >= 30); /* of 146 */
}

static void leaves_alone_what_is_no_limit_cycle(void **state)
{
	static const struct {
		const char *name;
		signal_fn *signal;
	} rows[] = {
		{ "too small", too_small },
		{ "slower than a half cycle in 1 s", slow_0_4Hz },
		{ "ringing down", ring_down },
		{ "ringing down slowly", ring_down_slowly },
		{ "ringing down after each step", ring_down_often },
		{ "staircase", staircase },
		{ "up and down", up_and_down },
		{ "ramp", ramp },
		{ "noise", noise },
	};

	(void)state;
	srand(1);
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		unsigned n = most_cycles(rows[i].signal, 120);
		if (n > 4)
			fail_msg("%s: %u cycles", rows[i].name, n);
	}
}

static void a_pause_begins_the_count_again(void **state)
{
	(void)state;
	assert_in_range(most_cycles(bursts, 60), 2, 3); /* three cycles a burst */
}

static void not_a_number_forgets(void **state)
{
	struct guard_osc osc = { 0 };
	unsigned n = 0;

	(void)state;
	for (int i = 0; i < 300; i++)
		n = oscillation_step(&osc, steady_2Hz(i * DT_S), SWING, DT_S);
	assert_true(n >= 4);
	assert_int_equal(oscillation_step(&osc, NAN, SWING, DT_S), 0);
	assert_int_equal(oscillation_step(&osc, 60, SWING, DT_S), 0);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(counts_what_swings_on),
		cmocka_unit_test(leaves_alone_what_is_no_limit_cycle),
		cmocka_unit_test(a_pause_begins_the_count_again),
		cmocka_unit_test(not_a_number_forgets),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
