/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What must be known before the contactor closes and before anything can make torque; what a stop believes of the
 * drive and the shaft; what a cause says beside its name. */
#include "guard/guard.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

#include "tests/unit/guard/guard_scene.h"
#include "tests/unit/near.h"

/* Everything is known: no tick is lost. */
static void what_is_known_goes_out_at_once(void **state)
{
	struct scene s;

	(void)state;
	scene_begin(&s);
	s.want = (struct wish){ .power = true, .mode = DRIVE_SPEED, .speed_rpm = 60, .brake_A = 0.5 };
	scene_step(&s);
	assert_true(s.verdict.allowed.power);
	assert_near(s.verdict.allowed.brake_A, 0.5, 0);
	assert_int_equal(s.verdict.allowed.mode, DRIVE_OFF); /* the contactor is not seen closed yet */
	scene_step(&s);
	assert_int_equal(s.verdict.allowed.mode, DRIVE_SPEED);
	assert_false(s.verdict.clamped);
}

struct gap {
	const char *name;
	void (*make)(struct snapshot *snap);
	bool power; /* even the contactor waits for it */
	double cause_s;
};

static void no_samples(struct snapshot *snap)
{
	snap->sample_total = 0;
	snap->sample_age_s = INFINITY;
}
static void no_state(struct snapshot *snap)
{
	snap->node_state = NODE_UNKNOWN;
}
static void no_lines(struct snapshot *snap)
{
	scene_lines_told(snap, false);
}
static void no_guard_line(struct snapshot *snap)
{
	snap->channel[CHANNEL_GUARD].fresh = 0;
}
static void no_conversion(struct snapshot *snap)
{
	snap->channel[CHANNEL_CELL].fresh = 0;
}
static void no_torque(struct snapshot *snap)
{
	snap->torque_Nm = NAN;
}
static void no_voltage(struct snapshot *snap)
{
	snap->voltage_V = NAN;
}
static void no_speed(struct snapshot *snap)
{
	snap->speed_rpm = NAN;
}

/* I8, I15: what is not known yet holds the wish off for 1.5 s, and is a cause then; the contactor waits for its own
 * part alone. Time in which nothing was wanted does not count. A supply that tells no voltage is out of its range
 * once the contactor has had its 0.3 s. */
static void what_is_unknown_holds_the_load_off(void **state)
{
	static const struct gap gaps[] = {
		{ "samples", no_samples, true, 1.5 },
		{ "node's state", no_state, true, 1.5 },
		{ "lines", no_lines, true, 1.5 },
		{ "guard's line", no_guard_line, true, 1.5 },
		{ "conversions", no_conversion, false, 1.5 },
		{ "torque", no_torque, false, 1.5 },
		{ "voltage", no_voltage, false, 0.36 },
		{ "speed", no_speed, false, 1.5 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof gaps / sizeof gaps[0]; i++) {
		struct scene s;
		double waited_s = 0;

		scene_begin(&s);
		for (int tick = 0; tick < (gaps[i].make == no_samples ? 1 : 200); tick++) {
			scene_obey(&s);
			gaps[i].make(&s.snap);
			scene_judge(&s);
			assert_int_equal(s.verdict.cause, CAUSE_NONE);
		}
		s.want = (struct wish){ .power = true, .brake_A = 0.5 };
		for (; s.verdict.cause == CAUSE_NONE && waited_s < 3; waited_s += SCENE_TICK_S) {
			scene_obey(&s);
			gaps[i].make(&s.snap);
			scene_judge(&s);
			if (s.verdict.allowed.brake_A > 0 || s.verdict.allowed.mode != DRIVE_OFF)
				fail_msg("%s: loaded after %g s", gaps[i].name, waited_s);
			if (s.verdict.allowed.power && gaps[i].power)
				fail_msg("%s: closed after %g s", gaps[i].name, waited_s);
		}
		if (!(fabs(waited_s - gaps[i].cause_s) < 0.04))
			fail_msg("%s: a cause after %g s, expected %g s", gaps[i].name, waited_s, gaps[i].cause_s);
	}
}

/* I3, I15: lines that are too old show no open contactor: the stop ends not safe. */
static void an_old_line_shows_no_open_contactor(void **state)
{
	struct scene s;

	(void)state;
	scene_running(&s);
	for (int tick = 0; tick < 60100 && !s.verdict.stopped; tick++) {
		scene_obey(&s);
		scene_slow_age(&s.snap, 2.5);
		scene_judge(&s);
	}
	assert_int_equal(s.verdict.cause, CAUSE_SLOW_STALE);
	assert_true(s.verdict.stopped && s.verdict.missing & GUARD_CONTACTOR && s.verdict.missing & GUARD_DRIVE);
	assert_true(s.verdict.held_s >= 8);
}

/* I16, I22: the words say whether the contactor is sensed. */
static void whether_the_contactor_is_sensed_is_told(void **state)
{
	(void)state;
	for (int sensed = 0; sensed < 2; sensed++) {
		struct scene s;
		char text[400];

		scene_begin(&s);
		s.limits.expect_lines = sensed ? LINES_ALL : LINE_ESTOP | LINE_GUARD;
		s.want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 60, .brake_A = 0.5, .power = true };
		scene_run_s(&s, 2);
		s.snap.operator_stop = true;
		scene_run_s(&s, 9);
		assert_true(s.verdict.stopped);
		assert_int_equal(s.verdict.sensed, sensed);
		guard_end_message(&s.verdict, text, sizeof text);
		assert_int_equal(strstr(text, "does not sense the contactor") == NULL, sensed);
	}
}

/* A shaft that slows down at so much a tick from `from` rpm until its pulses end at `to`. How long the brake was
 * held. */
static double held_s(double from_rpm, double to_rpm, double per_tick_rpm, double rotor_rpm, double inertia_kgm2)
{
	struct scene s;
	double rpm = from_rpm;

	scene_begin(&s);
	s.limits.inertia_kgm2 = inertia_kgm2;
	s.want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = from_rpm, .brake_A = 0.5, .power = true };
	for (int tick = 0; tick < 200; tick++) {
		scene_obey(&s);
		s.snap.speed_rpm = s.snap.speed_rpm > 0 ? from_rpm : 0;
		scene_judge(&s);
		if (s.snap.speed_rpm > 0)
			s.snap.pulses++;
	}
	s.snap.operator_stop = true;
	for (int tick = 0; tick < 2000 && !s.verdict.stopped; tick++) {
		scene_obey(&s);
		s.snap.drive_rotor_rpm = rotor_rpm;
		if (tick % 20 == 0)
			s.snap.channel[CHANNEL_DRIVE].fresh++;
		s.snap.speed_rpm = rpm > to_rpm ? rpm : 0;
		s.snap.pulses += s.snap.speed_rpm > 0;
		scene_judge(&s);
		rpm -= per_tick_rpm;
	}
	assert_true(s.verdict.stopped);
	return s.verdict.held_s;
}

/* I18: pulses that end below three times the standstill speed end with the turning. Above it the standstill waits for
 * 1.5 times what the slowing down takes: from 4 rpm by 0.3 rpm in a tick, 3.7 rpm left, 0.22 rpm beyond noise: 0.25
 * s. */
static void pulses_that_end_slowly_end_with_the_turning(void **state)
{
	(void)state;
	assert_near(held_s(60, 2.5, 2, NAN, 0), 0.30 + 0.29 + 0.02, 0.05); /* 29 ticks to 2 rpm, then 0.3 s */
	assert_true(held_s(60, 5, 60, NAN, 0) > 7.9); /* at once from full speed: never seen to slow */
	assert_near(held_s(4, 3.6, 0.3, NAN, 0), 0.35, 0.08);
}

/* I18: a speed that fell from 60 to 30 rpm within 10 ms, and then no pulse: a torn cable. By its own slowing down it
 * would stand after 16 ms; 40 N·m need 0.39 s for 5 kg·m² at 30 rpm, and 0.3 s more are watched. Never longer than
 * the longest hold. */
static void a_standstill_sooner_than_the_inertia_allows_is_not_believed(void **state)
{
	(void)state;
	assert_near(held_s(60, 20, 30, NAN, 0), 0.34, 0.03);
	assert_near(held_s(60, 20, 30, NAN, 5), 5 * 30 * 0.1047198 / 40 + 0.02, 0.03);
	assert_near(held_s(60, 20, 30, NAN, 30), 30 * 30 * 0.1047198 / 40 + 0.02, 0.03);
	assert_near(held_s(60, 20, 30, NAN, 500), 8, 0.05);
	assert_near(held_s(60, 20, 30, NAN, NAN), 0.34, 0.03);
}

/* I3, I18: a drive that lost its power may go on saying what it said last. It is heard until it has said the same
 * twice: a sample that is merely read again is not said again, and the first number after none is no second. */
static void a_drive_is_heard_once_more(void **state)
{
	struct scene s;

	(void)state;
	scene_running(&s);
	s.snap.operator_stop = true;
	for (int tick = 0; tick < 300 && !s.verdict.stopped; tick++) {
		scene_obey(&s);
		s.snap.drive_rotor_rpm = 2160;
		s.snap.channel[CHANNEL_DRIVE].fresh = 6; /* told once, at the first tick of the stop */
		scene_judge(&s);
	}
	assert_false(s.verdict.stopped); /* 3 s: the pick-up says 0, the drive 60 rpm of the shaft */
}

/* I18: pulses that ended at full speed. 2 s are enough where the drive says that its rotor stands: less than 1 rpm of
 * the shaft. One that still turns a little is no standstill, though far from a contradiction; the whole hold then. */
static void a_rotor_that_still_turns_does_not_stand(void **state)
{
	(void)state;
	for (int turns = 0; turns < 2; turns++) {
		struct scene s;
		double ratio;

		scene_running(&s);
		ratio = s.limits.gear_ratio > 0 ? s.limits.gear_ratio : 1;
		s.snap.operator_stop = true;
		for (int tick = 0; tick < 2000 && !s.verdict.stopped; tick++) {
			scene_obey(&s);
			s.snap.speed_rpm = 0;
			s.snap.drive_rotor_rpm = (turns ? 6.0 : 0.5) * ratio;
			scene_judge(&s);
		}
		assert_true(s.verdict.stopped);
		assert_near(s.verdict.held_s, turns ? s.limits.stop_hold_s : 2.0, 0.4);
	}
}

/* A frozen cell counts where the brake loads a shaft that does not turn. */
static void a_frozen_cell_counts_under_load_alone(void **state)
{
	(void)state;
	for (int loaded = 0; loaded < 2; loaded++) {
		struct scene s;

		scene_begin(&s);
		s.want = (struct wish){ .power = true, .brake_A = loaded ? 0.5 : 0.04 };
		scene_run_s(&s, 1);
		for (int tick = 0; tick < 100; tick++) {
			scene_obey(&s);
			s.snap.cell_equal_chance = 0.01;
			s.snap.cell_same = (uint32_t)tick;
			s.snap.cell_same_s = tick * SCENE_TICK_S;
			scene_judge(&s);
		}
		assert_int_equal(s.verdict.cause, loaded ? CAUSE_CELL_FROZEN : CAUSE_NONE);
	}
}

/* Value and limit of a cause are those of what brought it. */
static void a_cause_tells_its_own_number(void **state)
{
	static const struct {
		enum temp_place place;
		double temp_degC, limit_degC;
	} rows[] = { { TEMP_CASE, 85, 80 }, { TEMP_WINDING, 130, 120 } };
	struct scene s;

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		scene_running(&s);
		s.snap.temp_degC[rows[i].place] = rows[i].temp_degC;
		scene_step(&s);
		assert_int_equal(s.verdict.cause, CAUSE_ACTUATOR_HOT);
		assert_near(s.verdict.value, rows[i].temp_degC, 0);
		assert_near(s.verdict.limit, rows[i].limit_degC, 0);
	}
	scene_running(&s);
	for (int tick = 0; tick < 150 && s.verdict.cause == CAUSE_NONE; tick++) {
		scene_obey(&s);
		s.snap.speed_rpm = s.snap.torque_Nm = 0;
		s.snap.drive_rotor_rpm = 2160;
		scene_judge(&s);
	}
	assert_int_equal(s.verdict.cause, CAUSE_PICKUP);
	assert_near(s.verdict.value, 2160, 0);
}

/* A place that never had a sensor is no cause, in an hour; one that had one is after 2 s. */
static void a_place_without_a_sensor_is_no_cause(void **state)
{
	struct scene s;

	(void)state;
	scene_begin(&s);
	for (int i = 0; i < TEMP_COUNT; i++)
		s.snap.temp_degC[i] = NAN;
	s.want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 60, .brake_A = 0.2, .power = true };
	scene_run_s(&s, 20);
	assert_int_equal(s.verdict.cause, CAUSE_NONE);
	s.snap.temp_degC[TEMP_WINDING] = 40;
	scene_step(&s);
	s.snap.temp_degC[TEMP_WINDING] = NAN;
	scene_run_s(&s, 1.9);
	assert_int_equal(s.verdict.cause, CAUSE_NONE);
	scene_run_s(&s, 0.2);
	assert_int_equal(s.verdict.cause, CAUSE_ACTUATOR_HOT);
}

/* I19 of a drive without a gear; a speed of 0 has no direction to turn against (I21). */
static void an_edge_of_a_ratio_and_of_a_direction(void **state)
{
	struct scene s;

	(void)state;
	scene_begin(&s);
	s.limits.at_rest = true;
	s.limits.gear_ratio = 1;
	for (int tick = 0; tick < 40; tick++) {
		scene_obey(&s);
		s.snap.drive_rotor_rpm = 15; /* ten times the standstill speed are 10 */
		scene_judge(&s);
	}
	assert_int_equal(s.verdict.cause, CAUSE_NOT_AT_REST);

	scene_begin(&s);
	s.limits.expect_direction = 0;
	s.want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 0, .power = true };
	scene_run_s(&s, 4); /* the scene's shaft turns at 60 rpm all the while */
	assert_int_equal(s.verdict.cause, CAUSE_NONE);
}

/* I8: a limit that is no number allows nothing. */
static void a_brake_time_that_is_no_number_allows_no_lag(void **state)
{
	struct scene s;

	(void)state;
	scene_running(&s);
	s.limits.brake_follow_s = NAN;
	scene_step(&s);
	scene_obey(&s);
	s.snap.brake_A = 0;
	scene_judge(&s);
	assert_int_equal(s.verdict.cause, CAUSE_BRAKE_NOT_FOLLOWING);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_is_known_goes_out_at_once),
		cmocka_unit_test(what_is_unknown_holds_the_load_off),
		cmocka_unit_test(an_old_line_shows_no_open_contactor),
		cmocka_unit_test(whether_the_contactor_is_sensed_is_told),
		cmocka_unit_test(pulses_that_end_slowly_end_with_the_turning),
		cmocka_unit_test(a_standstill_sooner_than_the_inertia_allows_is_not_believed),
		cmocka_unit_test(a_drive_is_heard_once_more),
		cmocka_unit_test(a_rotor_that_still_turns_does_not_stand),
		cmocka_unit_test(a_frozen_cell_counts_under_load_alone),
		cmocka_unit_test(a_cause_tells_its_own_number),
		cmocka_unit_test(a_place_without_a_sensor_is_no_cause),
		cmocka_unit_test(a_brake_time_that_is_no_number_allows_no_lag),
		cmocka_unit_test(an_edge_of_a_ratio_and_of_a_direction),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
