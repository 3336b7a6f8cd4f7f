/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/pole_clear.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#define DT_S 0.01
#define RPM 30.0

/* At 30 rpm a turn is 2 s: up in 2 s, half a turn on top, then by 1/e in each 0.7 turn down to a fiftieth, ln 50 * 0.7
 * = 2.74 turns: 4.24 turns or 8.5 s in all. */
static void up_stay_and_down_by_the_same_share(void **state)
{
	struct pole_clear c;
	double t_s = 0, before_A = 0, top_s = 0;

	(void)state;
	pole_clear_begin(&c, 0.6);
	while (!pole_clear_done(&c) && t_s < 60) {
		double now_A = pole_clear_step(&c, DT_S, RPM / 60 * DT_S, RPM, RPM);
		t_s += DT_S;
		assert_true(now_A <= 0.6 + 1e-12);
		if (now_A >= 0.6)
			top_s += DT_S;
		if (c.phase == POLE_CLEAR_DOWN && c.turned_rev - c.from_rev > DT_S)
			assert_true(fabs(now_A / before_A - exp(-RPM / 60 * DT_S / 0.7)) < 1e-9);
		before_A = now_A;
	}
	assert_true(fabs(t_s - 8.5) < 0.1);
	assert_true(fabs(top_s - 1) < 0.05);
	assert_true(c.current_A <= 0);
}

/* A shaft that stands leaves the current where it is: it falls with the angle. A shaft that stands for a while is slow,
 * and the peak is eased once each time. */
static void current_does_not_fall_at_standstill_but_to_ease(void **state)
{
	struct pole_clear c;

	(void)state;
	pole_clear_begin(&c, 0.6);
	while (c.phase != POLE_CLEAR_DOWN)
		pole_clear_step(&c, DT_S, RPM / 60 * DT_S, RPM, RPM);
	for (int i = 0; i < 50; i++)
		pole_clear_step(&c, DT_S, RPM / 60 * DT_S, RPM, RPM);
	double before_A = c.current_A;
	for (int i = 0; i < 9; i++)
		assert_true(fabs(pole_clear_step(&c, DT_S, 0, 0, RPM) - before_A) < 1e-12);
	for (int i = 0; i < 5; i++)
		pole_clear_step(&c, DT_S, 0, 0, RPM);
	assert_true(fabs(c.current_A - 0.6 * before_A) < 1e-12);
	assert_false(pole_clear_done(&c));
}

static void without_a_peak_there_is_nothing_to_do(void **state)
{
	struct pole_clear c;

	(void)state;
	pole_clear_begin(&c, 0);
	assert_true(pole_clear_done(&c));
	assert_true(pole_clear_step(&c, DT_S, 0.01, RPM, RPM) <= 0);
}

static const struct rig_profile plain = {
	.limit_torque_Nm = 50,
	.coupling_Nm = 60,
	.cell_full_scale_Nm = 60,
	.slip_power_W = 500,
	.supply_V = 48,
	.supply_limit_A = 12,
	.brake_max_A = 1.2,
	.brake_rated_Nm = 60,
};

/* Each limit in turn is the weakest; 0.02 A/N·m by the rating. 30 rpm is 3.1416 rad/s. */
static void the_peak_stays_within_the_weakest_limit(void **state)
{
	struct actuator_profile actuator = { .limit_torque_Nm = 45, .expect_efficiency = 0.5, .expect_no_load_W = 10 };
	struct rig_profile rig = plain;

	(void)state;
	assert_true(fabs(pole_clear_peak_A(&rig, NULL, NULL, RPM, NAN) - 0.8 * 50 * 0.02) < 1e-9);
	assert_true(fabs(pole_clear_peak_A(&rig, &actuator, NULL, RPM, NAN) - 0.8 * 45 * 0.02) < 1e-9);
	assert_true(fabs(pole_clear_peak_A(&rig, &actuator, NULL, RPM, 20) - 20 * 0.02) < 1e-9);
	rig.slip_power_W = 100; /* 0.8 * 100 / 3.1416 = 25.465 N·m */
	assert_true(fabs(pole_clear_peak_A(&rig, &actuator, NULL, RPM, NAN) - 25.4648 * 0.02) < 1e-5);
	rig = plain;
	rig.supply_limit_A = 2; /* 0.8 * 2 A * 48 V = 76.8 W, less 10, by half: 33.4 W, 10.6316 N·m */
	assert_true(fabs(pole_clear_peak_A(&rig, &actuator, NULL, RPM, NAN) - 10.6316 * 0.02) < 1e-5);
	rig.cable_ohm.value = 5; /* 1.6 A over 5 ohm are 8 V: 64 W, 27 W, 8.5944 N·m */
	assert_true(fabs(pole_clear_peak_A(&rig, &actuator, NULL, RPM, NAN) - 8.5944 * 0.02) < 1e-5);
	rig.cable_ohm.value = 0;
	actuator.speed_mode_rpm =
		3 * RPM; /* 50 % there: the losses of three times this speed. 66.8 W by 4 * 3.1416 rad/s, 5.3158 N·m */
	assert_true(fabs(pole_clear_peak_A(&rig, &actuator, NULL, RPM, NAN) - 5.31578 * 0.02) < 1e-5);
	actuator.speed_mode_rpm = 0;
	rig = plain;
	actuator.k_t_Nm_per_A = 2;
	actuator.limit_current_A = 10; /* 0.8 * 20 N·m */
	assert_true(fabs(pole_clear_peak_A(&rig, &actuator, NULL, RPM, NAN) - 16 * 0.02) < 1e-9);
	rig.supply_limit_A = 0.1; /* not even the no-load power */
	assert_true(pole_clear_peak_A(&rig, &actuator, NULL, RPM, NAN) <= 0);
}

/* 40 N·m of 50 with 0.02 A/N·m by the rating; a map of 25 N·m/A says 1.6 A, more than the coil may have. */
static void a_map_tells_the_current(void **state)
{
	const struct brakemap map = { .max_A = 2,
				      .max_Nm = 50,
				      .branch = { { .n = 3,
						    .current_A = { 0, 1, 2 },
						    .torque_Nm = { 0, 25, 50 },
						    .slope_Nm_per_A = { 25, 25, 25 } } } };

	(void)state;
	assert_true(fabs(pole_clear_peak_A(&plain, NULL, &map, RPM, 20) - 0.8) < 1e-9);
	assert_true(fabs(pole_clear_peak_A(&plain, NULL, &map, RPM, NAN) - 1.2) < 1e-9);
}

/* What is over stays over, also where the shaft then stands. */
static void nothing_begins_again_after_the_end(void **state)
{
	struct pole_clear c;

	(void)state;
	pole_clear_begin(&c, 0.6);
	while (!pole_clear_done(&c))
		pole_clear_step(&c, DT_S, RPM / 60 * DT_S, RPM, RPM);
	for (int i = 0; i < 100; i++)
		assert_true(pole_clear_step(&c, DT_S, 0, 0, RPM) <= 0);
	assert_true(pole_clear_done(&c));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(up_stay_and_down_by_the_same_share),
		cmocka_unit_test(current_does_not_fall_at_standstill_but_to_ease),
		cmocka_unit_test(without_a_peak_there_is_nothing_to_do),
		cmocka_unit_test(the_peak_stays_within_the_weakest_limit),
		cmocka_unit_test(a_map_tells_the_current),
		cmocka_unit_test(nothing_begins_again_after_the_end),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
