/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Slopes made by hand, and what a thermometer of whole degrees cannot tell. */
#include "calib/thermal/steepness.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include "tests/unit/near.h"

#define ROWS 61
static double t[ROWS], warm[ROWS], air[ROWS], room[ROWS];

static void a_slope_by_hand(void **state)
{
	struct steepness s;

	(void)state;
	for (int i = 0; i < ROWS; i++) {
		t[i] = 30 * i;
		warm[i] = 50 + 3.0 * t[i] / 3600;
		air[i] = 20 + 1.0 * t[i] / 3600;
	}
	assert_true(steepness_of(t, warm, air, 0, ROWS - 1, room, &s));
	assert_near(s.K_per_h, 2, 1e-9);
	/* steps of 0.025 K and 0.00833 K in half an hour, rectangular */
	assert_near(s.u_K_per_h, 2 * hypot(0.025, 0.025 / 3) / sqrt(3), 1e-6);
	warm[7] = NAN;
	assert_true(!steepness_of(t, warm, air, 5, ROWS - 1, room, &s));
	warm[7] = 50;
	assert_true(!steepness_of(t, warm, air, 3, 4, room, &s));
}

/* 6 K/h in whole degrees: 150 s of it are one reading again and again. A degree in 150 s is 24 K/h. */
static void whole_degrees_hide_a_slope(void **state)
{
	struct steepness s;

	(void)state;
	for (int i = 0; i < ROWS; i++) {
		t[i] = 15 * i;
		warm[i] = floor(50.4 + 6 * t[i] / 3600);
		air[i] = 20;
	}
	assert_near(warm[ROWS - 1], warm[ROWS - 11], 0);
	assert_true(steepness_of(t, warm, air, ROWS - 11, ROWS - 1, room, &s));
	assert_near(s.K_per_h, 0, 1e-9);
	assert_near(s.u_K_per_h, 24 / sqrt(3), 1e-9);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_slope_by_hand),
		cmocka_unit_test(whole_degrees_hide_a_slope),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
