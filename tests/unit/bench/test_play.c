/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/play.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <math.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define NEAR 1e-12

static double sweep(struct play_bank *bank, double from, double to, int steps)
{
	double y = 0;

	for (int i = 1; i <= steps; i++)
		y = play_step(bank, from + (to - from) * i / steps);
	return y;
}

/* Independent: a play bank by its definition as a clamp, three plays written out. */
static void follows_the_definition(void **state)
{
	const double path[] = { 0.1, 0.6, 0.3, 0.9, 0.85, 0.2, 0.5 };
	struct play_bank bank;
	double want[PLAY_COUNT] = { 0 };

	(void)state;
	play_init(&bank, 0.03, 0.2);
	for (size_t i = 0; i < sizeof path / sizeof path[0]; i++) {
		double sum = bank.direct * path[i];

		for (int k = 0; k < PLAY_COUNT; k++) {
			double r = 0.2 * (k + 1) / PLAY_COUNT;

			if (want[k] < path[i] - r)
				want[k] = path[i] - r;
			if (want[k] > path[i] + r)
				want[k] = path[i] + r;
			sum += bank.weight[k] * want[k];
		}
		assert_near(play_step(&bank, path[i]), sum, NEAR);
	}
}

static void first_rise_ends_at_one_and_return_keeps_the_memory(void **state)
{
	struct play_bank bank;

	(void)state;
	play_init(&bank, 0.014, 0.18);
	assert_near(sweep(&bank, 0, 1, 50), 1, NEAR);
	assert_near(sweep(&bank, 1, 0, 50), 0.014, NEAR);
}

static void falling_lies_above_rising(void **state)
{
	struct play_bank bank;

	(void)state;
	for (double x = 0.05; x < 0.96; x += 0.05) {
		double rising, falling;

		play_init(&bank, 0.02, 0.2);
		rising = sweep(&bank, 0, x, 20);
		sweep(&bank, x, 1, 20);
		falling = sweep(&bank, 1, x, 20);
		assert_true(falling > rising);
	}
}

static void minor_loops_close(void **state)
{
	struct play_bank bank;

	(void)state;
	play_init(&bank, 0.05, 0.3);
	sweep(&bank, 0, 1, 10);
	for (double low = 0.1; low < 0.8; low += 0.1) {
		double before, after;

		before = sweep(&bank, 1, 0.9, 7);
		sweep(&bank, 0.9, low, 11);
		after = sweep(&bank, low, 0.9, 13);
		/* Back at the turning point by way of a smaller excursion: the memory of it is wiped out. */
		sweep(&bank, 0.9, 1, 5);
		assert_near(sweep(&bank, 1, 0.9, 3), before, NEAR);
		assert_true(after <= before + NEAR);
	}
}

static void knows_no_rate(void **state)
{
	struct play_bank slow, fast;

	(void)state;
	play_init(&slow, 0.05, 0.3);
	play_init(&fast, 0.05, 0.3);
	sweep(&slow, 0, 0.8, 1000);
	sweep(&fast, 0, 0.8, 1);
	assert_near(sweep(&slow, 0.8, 0.35, 1000), sweep(&fast, 0.8, 0.35, 1), NEAR);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(follows_the_definition),
		cmocka_unit_test(first_rise_ends_at_one_and_return_keeps_the_memory),
		cmocka_unit_test(falling_lies_above_rising),
		cmocka_unit_test(minor_loops_close),
		cmocka_unit_test(knows_no_rate),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
