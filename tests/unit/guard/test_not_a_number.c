/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What is not a number never lets more through, in a reading, a wish or a limit. */
#include "tests/unit/guard/guard_scene.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#define COUNT(a) (sizeof(a) / sizeof((a)[0]))

/* Versions of clang-format draw braces in a macro differently. */
/* clang-format off */
#define AT(type, field) { #field, offsetof(type, field) }
/* clang-format on */
struct place {
	const char *name;
	size_t at;
};

static const struct place snapshot_places[] = {
	AT(struct snapshot, sample_age_s),
	AT(struct snapshot, channel[CHANNEL_CELL].age_s),
	AT(struct snapshot, channel[CHANNEL_STATE].age_s),
	AT(struct snapshot, indication),
	AT(struct snapshot, torque_Nm),
	AT(struct snapshot, angle_rev),
	AT(struct snapshot, edge_age_s),
	AT(struct snapshot, edge_time_s),
	AT(struct snapshot, speed_rpm),
	AT(struct snapshot, brake_A),
	AT(struct snapshot, voltage_V),
	AT(struct snapshot, current_A),
	AT(struct snapshot, drive_rotor_rpm),
	AT(struct snapshot, drive_A),
	AT(struct snapshot, temp_degC[0]),
	AT(struct snapshot, temp_degC[1]),
	AT(struct snapshot, temp_degC[2]),
	AT(struct snapshot, temp_degC[3]),
};
static const struct place limit_places[] = {
	AT(struct guard_limits, torque_Nm),
	AT(struct guard_limits, speed_rpm),
	AT(struct guard_limits, drive_A),
	AT(struct guard_limits, brake_A),
	AT(struct guard_limits, hold_brake_A),
	AT(struct guard_limits, slip_power_W),
	AT(struct guard_limits, slip_power_short_W),
	AT(struct guard_limits, slip_energy_J),
	AT(struct guard_limits, brake_hot_degC),
	AT(struct guard_limits, actuator_hot_degC),
	AT(struct guard_limits, winding_hot_degC),
	AT(struct guard_limits, voltage_min_V),
	AT(struct guard_limits, voltage_max_V),
	AT(struct guard_limits, stall_s),
	AT(struct guard_limits, stand_s),
	AT(struct guard_limits, slow_rpm),
	AT(struct guard_limits, travel_deg),
	AT(struct guard_limits, stall_torque_Nm),
	AT(struct guard_limits, standstill_rpm),
	AT(struct guard_limits, silent_s),
	AT(struct guard_limits, stale_s[CHANNEL_CELL]),
	AT(struct guard_limits, stale_s[CHANNEL_STATE]),
	AT(struct guard_limits, brake_follow_A),
	AT(struct guard_limits, brake_follow_s),
	AT(struct guard_limits, late_s),
	AT(struct guard_limits, contactor_s),
	AT(struct guard_limits, stop_hold_s),
	AT(struct guard_limits, tick_s),
};
static const struct place wish_places[] = {
	AT(struct wish, speed_rpm), AT(struct wish, drive_A), AT(struct wish, torque_Nm),
	AT(struct wish, angle_deg), AT(struct wish, brake_A),
};

static void put_nan(void *at, size_t offset)
{
	double nan_value = NAN;

	memcpy((char *)at + offset, &nan_value, sizeof nan_value);
}

static bool is_wider(const struct guard_verdict *with, const struct guard_verdict *without)
{
	const struct wish *a = &with->allowed, *b = &without->allowed;

	if (without->cause == CAUSE_NONE && with->cause != CAUSE_NONE)
		return a->mode != DRIVE_OFF || a->power; /* a stop holds the brake on purpose */
	return (a->mode != DRIVE_OFF && b->mode == DRIVE_OFF) || (a->power && !b->power) || a->brake_A > b->brake_A ||
	       fabs(a->speed_rpm) > fabs(b->speed_rpm) || fabs(a->drive_A) > fabs(b->drive_A) ||
	       fabs(a->torque_Nm) > fabs(b->torque_Nm) || fabs(a->angle_deg) > fabs(b->angle_deg);
}

static void compare_with_nan(const struct scene *before, int where, const struct place *place)
{
	struct scene with = *before, without = *before;

	for (int tick = 0; tick < 400; tick++) {
		scene_obey(&with);
		scene_obey(&without);
		with.snap.now = without.snap.now;
		if (where == 0)
			put_nan(&with.snap, place->at);
		if (where == 1)
			put_nan(&with.limits, place->at);
		if (where == 2)
			put_nan(&with.want, place->at);
		scene_judge(&with);
		scene_judge(&without);
		assert_int_equal(without.verdict.cause, CAUSE_NONE);
		if (is_wider(&with.verdict, &without.verdict))
			fail_msg("%s = NaN lets out more", place->name);
	}
}

static void not_a_number_never_widens(void **state)
{
	struct scene speed, current, torque, position;

	(void)state;
	scene_running(&speed);
	scene_running(&current);
	current.want = (struct wish){ .mode = DRIVE_CURRENT, .drive_A = 5, .brake_A = 0.3, .power = true };
	scene_running(&torque);
	torque.want =
		(struct wish){ .mode = DRIVE_TORQUE, .torque_Nm = 8, .speed_rpm = 60, .brake_A = 0.3, .power = true };
	scene_running(&position);
	position.limits.expect_direction = 0;
	position.want = (struct wish){
		.mode = DRIVE_POSITION, .angle_deg = 90, .speed_rpm = 60, .brake_A = 0.3, .power = true
	};
	position.limits.slow_rpm = 60;
	const struct scene *scenes[] = { &speed, &current, &torque, &position };
	for (size_t k = 0; k < COUNT(scenes); k++) {
		for (size_t i = 0; i < COUNT(snapshot_places); i++)
			compare_with_nan(scenes[k], 0, &snapshot_places[i]);
		for (size_t i = 0; i < COUNT(limit_places); i++)
			compare_with_nan(scenes[k], 1, &limit_places[i]);
		for (size_t i = 0; i < COUNT(wish_places); i++)
			compare_with_nan(scenes[k], 2, &wish_places[i]);
	}
}

/* A limit that is not a number stops the run, sooner or later, when what it limits is used. */
static void a_limit_that_is_not_a_number_allows_nothing(void **state)
{
	static const struct place deadly[] = {
		AT(struct guard_limits, torque_Nm),
		AT(struct guard_limits, speed_rpm),
		AT(struct guard_limits, slip_power_short_W),
		AT(struct guard_limits, slip_energy_J),
		AT(struct guard_limits, brake_hot_degC),
		AT(struct guard_limits, actuator_hot_degC),
		AT(struct guard_limits, winding_hot_degC),
		AT(struct guard_limits, voltage_min_V),
		AT(struct guard_limits, voltage_max_V),
		AT(struct guard_limits, silent_s),
		AT(struct guard_limits, stale_s[CHANNEL_CELL]),
		AT(struct guard_limits, stale_s[CHANNEL_STATE]),
		AT(struct guard_limits, late_s),
		AT(struct guard_limits, brake_follow_A),
	};

	(void)state;
	for (size_t i = 0; i < COUNT(deadly); i++) {
		struct scene s;
		scene_running(&s);
		put_nan(&s.limits, deadly[i].at);
		scene_run_s(&s, 2);
		if (s.verdict.cause == CAUSE_NONE)
			fail_msg("%s = NaN did not stop", deadly[i].name);
	}
}

static void a_clamp_without_a_limit_lets_nothing_through(void **state)
{
	struct scene s;

	(void)state;
	scene_running(&s);
	s.limits.brake_A = s.limits.speed_rpm = NAN;
	s.limits.expect_pick = false;
	s.snap.speed_rpm = NAN; /* so that the speed's own watch is quiet */
	s.snap.now.ns += 10000000;
	scene_judge(&s);
	assert_int_equal(s.verdict.cause, CAUSE_NONE);
	assert_true(s.verdict.allowed.brake_A <= 0 && s.verdict.allowed.speed_rpm <= 0);

	scene_running(&s); /* no limit at all for the hold: what was allowed before stays */
	s.limits.brake_A = s.limits.hold_brake_A = NAN;
	s.snap.operator_stop = true;
	scene_step(&s);
	assert_true(fabs(s.verdict.allowed.brake_A - 0.5) < 1e-12);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(not_a_number_never_widens),
		cmocka_unit_test(a_limit_that_is_not_a_number_allows_nothing),
		cmocka_unit_test(a_clamp_without_a_limit_lets_nothing_through),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
