/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How the watches begin: what they wait for, what was so before there was power, and a machine that slept. */
#include "tests/unit/guard/guard_scene.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

/* A drive that lost its power to the contactor keeps its undervoltage: that is its fault, and no sag of the supply. */
static void undervoltage_from_before_the_power_is_no_drop_out(void **state)
{
	(void)state;
	for (int good = 0; good < 2; good++) { /* a look at which it had voltage enough */
		struct scene s;

		scene_begin(&s);
		s.want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 60, .power = true };
		for (int tick = 0; tick < 300 && s.verdict.cause == CAUSE_NONE; tick++) {
			scene_obey(&s);
			s.snap.drive_flags = good && tick == 100 ? DRIVE_ENABLED : DRIVE_UNDERVOLTAGE;
			s.want.mode = tick < 101 ? DRIVE_OFF : DRIVE_SPEED;
			scene_judge(&s);
		}
		assert_int_equal(s.verdict.cause, good ? CAUSE_DRIVE_DROPOUT : CAUSE_DRIVE_FAULT);
	}
}

/* I6: weights are hung, channels looked at: nothing energised, nothing known of torque, the guard open, the stop
 * pulled. */
static void a_run_that_energises_nothing_goes_on(void **state)
{
	struct scene s;

	(void)state;
	scene_begin(&s);
	s.snap.estop_ok = s.snap.cage_closed = false;
	s.snap.temp_degC[TEMP_BRAKE] = 200;
	for (int i = 0; i < 1000; i++) {
		scene_obey(&s);
		s.snap.torque_Nm = i % 2 ? NAN : 1e6;
		s.snap.speed_rpm = NAN;
		scene_saturated(&s.snap, true);
		s.snap.channel[CHANNEL_CELL].age_s = 10;
		s.snap.late_ns = 1000000000;
		scene_judge(&s);
		assert_int_equal(s.verdict.cause, CAUSE_NONE);
	}
	s.snap.node_reset = true;
	scene_step(&s);
	assert_int_equal(s.verdict.cause, CAUSE_NODE_RESET);
}

/* What is unknown at the start holds the wish off, and becomes a cause when it stays unknown. */
static void waits_at_the_start_and_then_says_what_is_missing(void **state)
{
	static const struct {
		const char *name;
		enum cause cause;
		int what;
	} missing[] = {
		{ "samples", CAUSE_NODE_SILENT, 0 },    { "lines", CAUSE_NODE_SILENT, 1 },
		{ "state", CAUSE_NODE_SILENT, 2 },      { "safe before", CAUSE_NODE_SAFE, 3 },
		{ "conversions", CAUSE_CELL_STALE, 4 }, { "torque", CAUSE_OVERTORQUE, 5 },
		{ "speed", CAUSE_OVERSPEED, 6 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof missing / sizeof missing[0]; i++) {
		for (int comes = 0; comes < 2; comes++) {
			struct scene s;
			bool loaded = false;

			scene_begin(&s);
			s.want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 60, .brake_A = 0.5, .power = true };
			for (int tick = 0; tick < 300; tick++) {
				bool gone = !comes || tick < 120;
				scene_obey(&s);
				s.snap.sample_total = missing[i].what == 0 && gone ? 0 : 100;
				s.snap.sample_age_s = missing[i].what == 0 && gone ? INFINITY : 0.005;
				scene_lines_told(&s.snap, missing[i].what == 1 && gone ? 0 : 1);
				if (missing[i].what == 1 && gone)
					s.snap.estop_ok = s.snap.cage_closed = s.snap.contactor_closed = false;
				else
					s.snap.estop_ok = s.snap.cage_closed = true;
				if (missing[i].what == 2 && gone)
					s.snap.node_state = NODE_UNKNOWN;
				if (missing[i].what == 3 && gone)
					s.snap.node_state = NODE_SAFE;
				if (missing[i].what == 4) {
					s.snap.channel[CHANNEL_CELL].fresh = gone ? 0 : 80;
					s.snap.channel[CHANNEL_CELL].age_s = gone ? INFINITY : 0.01;
				}
				if (missing[i].what == 5 && gone)
					s.snap.torque_Nm = NAN;
				if (missing[i].what == 6 && gone)
					s.snap.speed_rpm = NAN;
				scene_judge(&s);
				if (gone)
					assert_true(s.verdict.allowed.mode == DRIVE_OFF &&
						    !(s.verdict.allowed.brake_A > 0));
				loaded |= s.verdict.allowed.mode == DRIVE_SPEED;
			}
			if (s.verdict.cause != (comes ? CAUSE_NONE : missing[i].cause) || loaded != comes)
				fail_msg("%s missing%s: \"%s\"", missing[i].name, comes ? " for 1.2 s" : "",
					 cause_word(s.verdict.cause));
		}
	}
}

/* The contactor alone makes no torque: a stop is rehearsed with a cell that nobody has tared. */
static void power_alone_needs_no_torque(void **state)
{
	struct scene s;

	(void)state;
	scene_begin(&s);
	s.want.power = true;
	for (int tick = 0; tick < 1000; tick++) {
		scene_obey(&s);
		s.snap.torque_Nm = NAN;
		scene_judge(&s);
	}
	assert_int_equal(s.verdict.cause, CAUSE_NONE);
	assert_true(s.verdict.allowed.power);
}

/* What a machine that slept for 1.5 s finds is named by what it is. */
static void a_machine_that_slept_is_told_as_that(void **state)
{
	struct scene s;

	(void)state;
	scene_running(&s);
	scene_obey(&s);
	s.snap.now.ns += INT64_C(1500000000);
	s.snap.late_ns = INT64_C(1500000000);
	s.snap.sample_age_s = 0.7;
	s.snap.contactor_closed = false;
	s.snap.node_state = NODE_STOPPING;
	strcpy(s.snap.node_reason, "lease");
	scene_judge(&s);
	assert_int_equal(s.verdict.cause, CAUSE_LATE_TICK);
	assert_true(s.verdict.allowed.brake_A > 0 && !s.verdict.allowed.power);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(undervoltage_from_before_the_power_is_no_drop_out),
		cmocka_unit_test(a_run_that_energises_nothing_goes_on),
		cmocka_unit_test(waits_at_the_start_and_then_says_what_is_missing),
		cmocka_unit_test(power_alone_needs_no_torque),
		cmocka_unit_test(a_machine_that_slept_is_told_as_that),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
