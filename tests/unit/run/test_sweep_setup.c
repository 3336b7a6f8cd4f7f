/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Expected values: by hand, the zero is turned at 0.3 of the speed (docs/method.md). */
#include "run/sweep_setup.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>

#include <cmocka.h>

static double zero_rpm(enum plan_drive drive, size_t n, double first_rpm, double second_rpm)
{
	struct session *s = calloc(1, sizeof *s);

	assert_non_null(s);
	s->actuator.speed_mode_rpm = 90;
	s->plan.drive = drive;
	s->plan.n_speeds = n;
	s->plan.speed_rpm[0] = first_rpm;
	s->plan.speed_rpm[1] = second_rpm;
	struct sweep_config c = sweep_config_of(s, 0);
	free(s);
	return sweep_zero_rpm(&c);
}

static void the_zero_is_turned_at_a_part_of_the_fastest_speed(void **state)
{
	(void)state;
	assert_true(fabs(zero_rpm(PLAN_SPEED, 1, 60, NAN) - 18) < 1e-9);
	assert_true(fabs(zero_rpm(PLAN_SPEED, 2, 60, -80) - 24) < 1e-9);
}

/* A zero at rest holds the friction of the brake: up to its whole drag. */
static void a_plan_without_a_speed_turns_it_too(void **state)
{
	(void)state;
	assert_true(fabs(zero_rpm(PLAN_DRIVE_CURRENT, 1, NAN, NAN) - 27) < 1e-9);
	assert_true(fabs(zero_rpm(PLAN_DRIVE_CURRENT, 0, NAN, NAN) - 27) < 1e-9);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(the_zero_is_turned_at_a_part_of_the_fastest_speed),
		cmocka_unit_test(a_plan_without_a_speed_turns_it_too),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
