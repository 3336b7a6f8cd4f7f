/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/supply.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <math.h>

#include <cmocka.h>

#include "tests/unit/near.h"

static const struct supply_params params = {
	.set_V = 48,
	.limit_A = 12,
	.inner_ohm = 0.01,
	.cable_ohm = 0.09,
	.farad = 2e-3,
	.chopper_V = 60,
};

static void charges_at_its_limit_then_holds_its_voltage(void **state)
{
	struct supply s;

	(void)state;
	supply_init(&s, &params, 50e-6);
	supply_step(&s, true, 0);
	assert_true(s.limiting);
	assert_near(s.bus_V, 12 * 50e-6 / 2e-3, 1e-12); /* I t / C */
	for (int i = 0; i < 1000; i++)
		supply_step(&s, true, 0);
	assert_false(s.limiting);
	assert_near(s.bus_V, 48, 1e-6);
}

static void sags_by_its_resistances(void **state)
{
	struct supply s;

	(void)state;
	supply_init(&s, &params, 50e-6);
	for (int i = 0; i < 2000; i++)
		supply_step(&s, true, 8);
	assert_near(s.current_A, 8, 1e-9);
	assert_near(s.bus_V, 48 - 8 * 0.1, 1e-9);
	assert_near(supply_terminal_V(&s, true), 48 - 8 * 0.01, 1e-9);
}

/* The step is exact: one of 1 ms equals twenty of 50 us, and both the exponential by hand. */
static void step_does_not_matter(void **state)
{
	struct supply coarse, fine;

	(void)state;
	supply_init(&coarse, &params, 1e-3);
	supply_init(&fine, &params, 50e-6);
	coarse.bus_V = fine.bus_V = 47.5;
	supply_step(&coarse, true, 3);
	for (int i = 0; i < 20; i++)
		supply_step(&fine, true, 3);
	assert_near(coarse.bus_V, fine.bus_V, 1e-12);
	assert_near(coarse.bus_V, 47.7 + (47.5 - 47.7) * exp(-1e-3 / (0.1 * 2e-3)), 1e-12);
}

static void sags_without_end_past_its_limit(void **state)
{
	struct supply s;

	(void)state;
	supply_init(&s, &params, 50e-6);
	s.bus_V = 47;
	for (int i = 0; i < 100; i++)
		supply_step(&s, true, 12.5);
	assert_true(s.limiting);
	assert_near(s.current_A, 12, 1e-12);
	assert_true(s.bus_V < 47 - 0.45 * 100 * 50e-6 / 2e-3);
	for (int i = 0; i < 50000; i++)
		supply_step(&s, true, 12.5);
	assert_near(s.bus_V, 0, 1e-12); /* and never below nothing */
}

static void takes_nothing_back(void **state)
{
	struct supply s;

	(void)state;
	supply_init(&s, &params, 50e-6);
	s.bus_V = 48;
	for (int i = 0; i < 10000; i++) {
		supply_step(&s, true, -2);
		assert_true(s.current_A >= 0);
		assert_true(s.bus_V <= 60);
	}
	assert_near(s.bus_V, 60, 1e-9);
	/* All that the drive gave is in the capacitor or burnt: the voltage of each step's current is its mean. */
	assert_near(s.burnt_J + 1e-3 * (60 * 60 - 48 * 48), 2 * (54 * 12e-3 + 60 * (0.5 - 12e-3)), 0.05);
}

static void open_contact_feeds_nothing(void **state)
{
	struct supply s;

	(void)state;
	supply_init(&s, &params, 50e-6);
	s.bus_V = 48;
	supply_step(&s, false, 1);
	assert_near(s.current_A, 0, 1e-15);
	assert_near(s.bus_V, 48 - 50e-6 / 2e-3, 1e-12);
	assert_near(supply_terminal_V(&s, false), 48, 1e-12);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(charges_at_its_limit_then_holds_its_voltage),
		cmocka_unit_test(sags_by_its_resistances),
		cmocka_unit_test(step_does_not_matter),
		cmocka_unit_test(sags_without_end_past_its_limit),
		cmocka_unit_test(takes_nothing_back),
		cmocka_unit_test(open_contact_feeds_nothing),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
