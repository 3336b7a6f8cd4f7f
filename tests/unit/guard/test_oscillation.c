/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Signals whose cycles are known by construction. Ringing down: x(t) = A exp(-zeta w t) cos(w' t), so one half cycle is
 * r = exp(-pi zeta / sqrt(1 - zeta^2)) of the one before: 0.73 for zeta 0.1, 0.91 for zeta 0.03. It has faded to half
 * after ln 0.5 / ln r of them, 2 and 7, the first not counted in, and the count begins anew: four cycles at most, never
 * six. Growing: x(t) = A exp(s t) sin(w t), half a cycle is exp(s pi / w) of the one before. */
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

/* Each sample 1.2 above or below its neighbours: far less than a quarter of the swing. */
static double with_a_rough_edge(double t)
{
	return steady_2Hz(t) + ((int)floor(t / DT_S + 0.5) % 2 ? 0.6 : -0.6);
}
static double each_sample(double t)
{
	return (int)floor(t / DT_S + 0.5) % 2 ? 12 : 0;
}

static void counts_what_swings_on(void **state)
{
	(void)state;
	/* In 5 s of 2 Hz there are ten cycles; the first swing begins the count, so at least eight are counted. */
	assert_in_range(most_cycles(steady_2Hz, 5), 8, 10);
	assert_in_range(most_cycles(growing, 5), 8, 10);
	assert_in_range(most_cycles(triangle_2Hz, 5), 8, 10);
	assert_in_range(most_cycles(swing_after_a_step, 5), 6, 10);
	assert_in_range(most_cycles(with_a_rough_edge, 5), 8, 10);
	assert_in_range(most_cycles(each_sample, 0.405), 18, 20); /* 40 swings */
	assert_true(most_cycles(fast_29Hz, 5) >= 30);             /* of 146 */
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
	assert_int_equal(oscillation_step(&osc, 60, SWING, DT_S), 0);
	for (int i = 0; i < 500; i++)
		n = oscillation_step(&osc, steady_2Hz(i * DT_S), SWING, DT_S);
	assert_in_range(n, 8, 10); /* and sees what comes after */
}

static void what_has_ended_is_forgotten(void **state)
{
	struct guard_osc osc = { 0 };
	unsigned n = 0;

	(void)state;
	for (int i = 0; i < 300; i++)
		n = oscillation_step(&osc, steady_2Hz(i * DT_S), SWING, DT_S);
	assert_true(n >= 4);
	for (int i = 0; i < 300; i++)
		n = oscillation_step(&osc, 60, SWING, DT_S);
	assert_int_equal(n, 0);
}

/* Ends of swings, each reached in one step after so many seconds. Did it grow by then? */
static bool has_grown(struct guard_osc *osc, double end, double after_s)
{
	oscillation_step(osc, end, SWING, after_s);
	return oscillation_grows(osc);
}

/* Swings of 6, 12, 24 and 48, each twice the one before: the fourth is counted when the fifth begins. Of 3, 9, 27, 81,
 * 243, each three times the one before, only two are beyond 10 by then; the fifth is the third. */
static void four_that_grow_are_enough(void **state)
{
	static const double end[] = { 0, 6, -6, 18, -30 }, steep[] = { 0, 3, -6, 21, -60, 183 };
	struct guard_osc osc = { 0 }, steeper = { 0 }, fivefold = { 0 };

	(void)state;
	for (size_t i = 0; i < sizeof end / sizeof end[0]; i++)
		assert_false(has_grown(&osc, end[i], 0.1));
	assert_true(has_grown(&osc, 0, 0.1));
	for (size_t i = 0; i < sizeof steep / sizeof steep[0]; i++)
		assert_false(has_grown(&steeper, steep[i], 0.1));
	assert_true(has_grown(&steeper, 0, 0.1));
	/* 3, 15, 75, 375: more than four times each, which is no growing oscillation */
	static const double far[] = { 0, 3, -12, 63, -312, 0 };
	for (size_t i = 0; i < sizeof far / sizeof far[0]; i++)
		assert_false(has_grown(&fivefold, far[i], 0.1));
}

/* A shaft at 24 rpm, read by uneven teeth between 22.4 and 26.4, stalls on its drive's current limit: down to 11. Its
 * load is eased, the drive still has all its current, so it passes the 24 rpm by half of what it had lost, to 30.5, and
 * comes back with a quarter of that: 22.4. Swings of 3.1, 4, 15.4 and 19.5, each larger by a tenth and more and to less
 * than four times: a fall and a recovery. */
static void a_stall_and_its_recovery_are_no_growth(void **state)
{
	static const double end[] = { 25.5, 22.4, 26.4, 11, 30.5, 22.4, 24, 22.4, 26.4, 22.4 };
	struct guard_osc osc = { 0 };

	(void)state;
	for (size_t i = 0; i < sizeof end / sizeof end[0]; i++)
		assert_false(has_grown(&osc, end[i], 0.1));
	/* 12, 14, 17: a shaft that hangs at the limit; 38 when its load is let go meanwhile. */
	for (int lets_go = 0; lets_go < 2; lets_go++) {
		struct guard_osc hangs = { 0 };

		assert_false(has_grown(&hangs, 40, 0.1));
		assert_false(has_grown(&hangs, 28, 0.5));
		assert_false(has_grown(&hangs, 42, 0.5));
		assert_false(has_grown(&hangs, 25, 0.3));
		if (lets_go)
			oscillation_let_go(&hangs);
		assert_false(has_grown(&hangs, 63, 0.1));
		assert_int_equal(has_grown(&hangs, 50, 0.1), !lets_go);
		if (lets_go) /* the fall was the first, 38 the second: 42 and 47 are the third and the fourth */
			assert_true(!has_grown(&hangs, 21, 0.1) && !has_grown(&hangs, 68, 0.1) &&
				    has_grown(&hangs, 16, 0.1));
	}
}

/* 3, 9, 27 in 1.5 s, 81, 243: the slow one begins the count again. */
static void a_slow_swing_ends_the_growth(void **state)
{
	static const double end[] = { 0, 3, -6, 21, -60, 183 };
	struct guard_osc osc = { 0 };

	(void)state;
	for (size_t i = 0; i < sizeof end / sizeof end[0]; i++)
		assert_false(has_grown(&osc, end[i], i == 4 ? 1.5 : 0.1));
	assert_false(has_grown(&osc, 0, 0.1));
}

/* Cycles from the first swing of the signal to the tick that says that it grows; 0: never. */
static double grows_after_s(signal_fn *signal, double for_s)
{
	struct guard_osc osc = { 0 };

	for (double t_s = 0; t_s < for_s; t_s += DT_S) {
		oscillation_step(&osc, signal(t_s), SWING, DT_S);
		if (oscillation_grows(&osc))
			return t_s;
	}
	return 0;
}

/* 5 Hz, each half cycle exp(0.15) = 1.16 of the one before: 5 N.m peak to peak at 1 s, 10 at 1.46 s. */
static double grows_5Hz(double t)
{
	return 60 + 2.5 * exp(1.5 * (t - 1)) * sin(2 * M_PI * 5 * t);
}
/* Half a cycle 1.05 of the one before: six cycles of it are stopped as any other. */
static double grows_slowly(double t)
{
	return 60 + 2.5 * exp(0.5 * (t - 1)) * sin(2 * M_PI * 5 * t);
}
static double grows_below(double t)
{
	return 60 + 4.9 * fmin(1, exp(1.5 * (t - 3))) * sin(2 * M_PI * 5 * t);
}

/* A load that comes at once, after noise whose last swings happened to grow: down by 50, up by 59, and over. */
static double dip(double t)
{
	if (t < 1)
		return t < 0.3 ? 55 : grows_5Hz(t); /* from below, 4 peak to peak at the last peak */
	return t < 1.3   ? 60 - 50 * sin(M_PI / 2 * (t - 1) / 0.3)
	       : t < 1.5 ? 10 + 59 * (t - 1.3) / 0.2
			 : 60 + 9 * exp(-20 * (t - 1.5));
}

static void what_grows_is_seen_within_two_cycles(void **state)
{
	double steady_s = 0;

	(void)state;
	/* The first swing of 10 is over at 1.46 s or half a cycle later; two cycles of 0.2 s from there. */
	assert_in_range(grows_after_s(grows_5Hz, 5) * 1000, 1460, 1460 + 400);
	steady_s += grows_after_s(grows_slowly, 5) + grows_after_s(steady_2Hz, 20) + grows_after_s(ring_down, 20) +
		    grows_after_s(ring_down_slowly, 20) + grows_after_s(ring_down_often, 60) +
		    grows_after_s(staircase, 60) + grows_after_s(up_and_down, 60) + grows_after_s(grows_below, 20) +
		    grows_after_s(dip, 20);
	assert_true(steady_s <= 0);
	srand(1);
	assert_true(grows_after_s(noise, 120) <= 0);
}

/* Jumps at the words 1, 3 and 6 are two in any five; with one at 7 they are three. */
static void three_jumps_count_within_five_words(void **state)
{
	static const double rotor_rpm[] = { 60, 90, 90, 60, 60, 60, 90 };
	struct guard_rattle r = { .rotor_rpm = NAN };

	(void)state;
	for (size_t i = 0; i < sizeof rotor_rpm / sizeof rotor_rpm[0]; i++)
		assert_false(rattle_step(&r, rotor_rpm[i], 60, 10));
	assert_true(rattle_step(&r, 60, 60, 10));
}

/* A rotor that swings by 55 rpm at 4.8 Hz, a word each 0.2 s: 55 sin(2 pi 4.8 * 0.2 n) = 0, -14, -27, -38. Less than a
 * tenth of a rpm of that is in the heavy shaft, which slows down slowly. */
static void a_rotor_that_jumps_against_its_shaft_is_seen(void **state)
{
	struct guard_rattle r = { .rotor_rpm = NAN };

	(void)state;
	assert_false(rattle_step(&r, 60, 60, 10));
	assert_false(rattle_step(&r, 60 + 14, 59.5, 10));
	assert_false(rattle_step(&r, 60 + 27, 59, 10));
	assert_true(rattle_step(&r, 60 + 38, 58.5, 10));
	assert_false(rattle_step(&r, NAN, 59, 10));
	assert_false(rattle_step(&r, 20, 59, 10));
	assert_false(rattle_step(&r, 90, NAN, 10));
	assert_false(rattle_step(&r, 20, 60, 10));
	assert_false(rattle_step(&r, 90, 60, 10)); /* one jump after a shaft that was not known */
	assert_false(rattle_step(&r, 20, 60, 10));
	assert_true(rattle_step(&r, 90, 60, 10));
}

/* A rotor that swings by 55 rpm at 4.9 Hz, a word each 0.2 s: 55 sin(2 pi 4.9 * 0.2 n) = 0, -6.9, -13.7, -20.2, -26.5,
 * -32.3. No word is 10 rpm from the one before it; the fourth, fifth and sixth are more than 20 rpm from the shaft. */
static void a_swing_nearly_in_step_with_the_words_is_seen(void **state)
{
	struct guard_rattle r = { .rotor_rpm = NAN };

	(void)state;
	for (int n = 0; n < 6; n++) {
		double off_rpm = 55 * sin(2 * M_PI * 4.9 * 0.2 * n);
		assert_int_equal(rattle_step(&r, 60 - off_rpm, 60, 10), n == 5);
	}
}

static void a_rotor_that_swings_before_a_standing_shaft_is_seen(void **state)
{
	static const double rotor_rpm[] = { 12, -9, 14, -13 };
	struct guard_rattle r = { .rotor_rpm = NAN };

	(void)state;
	for (int n = 0; n < 4; n++)
		assert_int_equal(rattle_step(&r, rotor_rpm[n], 0, 10), n == 3);
}

static void what_turns_together_or_stays_is_no_rattle(void **state)
{
	static const struct {
		const char *name;
		double rotor_rpm[6], speed_rpm[6];
	} rows[] = {
		{ "both change", { 0, 30, 60, 30, 0, -30 }, { 0, 25, 52, 35, 5, -22 } },
		{ "dead pick-up", { 60, 60, 60, 60, 60, 60 }, { 60, 60, 0, 0, 0, 0 } },
		{ "dead pick-up, a rotor that runs down and turns round", { 53, 44, 21, 11, -8, -19 }, { 0 } },
		{ "drive that repeats itself", { 60, 60, 60, 60, 60, 60 }, { 60, 40, 20, 0, -20, -40 } },
		{ "a brake that bites at once", { 24, 24, 8, 24, 25, 24 }, { 24, 23, 20, 16, 20, 23 } },
		{ "one word that is wrong", { 60, 60, 60, 90, 90, 90 }, { 60, 60, 60, 60, 60, 60 } },
		{ "a pick-up that slips by half", { 60, 61, 60, 66, 72, 78 }, { 30, 31, 30, 33, 36, 39 } },
		{ "a shaft that gains speed, an old word", { 0, 6, 30, 54, 78, 85 }, { 24, 48, 72, 96, 96, 90 } },
		{ "within the limit", { 60, 69, 60, 69, 60, 69 }, { 60, 60, 60, 60, 60, 60 } },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct guard_rattle r = { .rotor_rpm = NAN };
		for (int n = 0; n < 6; n++)
			if (rattle_step(&r, rows[i].rotor_rpm[n], rows[i].speed_rpm[n], 10))
				fail_msg("%s: word %d", rows[i].name, n);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(counts_what_swings_on),
		cmocka_unit_test(leaves_alone_what_is_no_limit_cycle),
		cmocka_unit_test(a_pause_begins_the_count_again),
		cmocka_unit_test(not_a_number_forgets),
		cmocka_unit_test(what_has_ended_is_forgotten),
		cmocka_unit_test(four_that_grow_are_enough),
		cmocka_unit_test(a_stall_and_its_recovery_are_no_growth),
		cmocka_unit_test(a_slow_swing_ends_the_growth),
		cmocka_unit_test(three_jumps_count_within_five_words),
		cmocka_unit_test(what_grows_is_seen_within_two_cycles),
		cmocka_unit_test(a_rotor_that_jumps_against_its_shaft_is_seen),
		cmocka_unit_test(a_swing_nearly_in_step_with_the_words_is_seen),
		cmocka_unit_test(a_rotor_that_swings_before_a_standing_shaft_is_seen),
		cmocka_unit_test(what_turns_together_or_stays_is_no_rattle),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
