/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/drive_side.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#define ALL (DRIVE_WORDS_NEEDED | 1u << DRIVE_WORD_CURRENT | 1u << DRIVE_WORD_TEMPERATURE | 1u << DRIVE_WORD_FAULT)

static struct mono at_s(double s)
{
	return (struct mono){ (int64_t)(s * 1e9) };
}

static struct drive_setup plain(void)
{
	return (struct drive_setup){
		.unit_rpm = 1, .unit_A = 1, .gear_ratio = 36, .sign = 1, .lease_s = 0.3, .period_s = 0.05
	};
}

static void hear_all(struct drive_side *s, double speed, double current, double t_s)
{
	drive_side_hear(s, DRIVE_WORD_SPEED, speed, at_s(t_s));
	drive_side_hear(s, DRIVE_WORD_CURRENT, current, at_s(t_s));
	drive_side_hear(s, DRIVE_WORD_TEMPERATURE, 31, at_s(t_s));
	drive_side_hear(s, DRIVE_WORD_ENABLED, 1, at_s(t_s));
	drive_side_hear(s, DRIVE_WORD_FAULT, 0, at_s(t_s));
}

/* The program looks each 10 ms, so that no time counts as its own absence. */
static void look_until(struct drive_side *s, struct snapshot *snap, double from_s, double to_s)
{
	for (double t = from_s; t <= to_s + 1e-9; t += 0.01) {
		drive_side_look(s, snap, at_s(t));
		drive_side_tell(s, snap, at_s(t));
	}
}

static struct snapshot contact(bool closed)
{
	struct snapshot snap = snapshot_blank();

	snap.channel[CHANNEL_CONTACTOR].fresh = 1;
	snap.contactor_closed = closed;
	return snap;
}

/* What is told: by unit, side and sign, to the rotor. */
static void told_values(void **state)
{
	static const struct {
		double unit_rpm, unit_A;
		int sign;
		bool at_output;
		double speed, current, rotor_rpm, drive_A;
	} rows[] = {
		{ 1, 1, 1, false, 360, 2, 360, 2 },        { 1, 1, -1, false, 360, 2, -360, -2 },
		{ 1, 1e-3, 1, true, 10, 500, 360, 0.5 },   { 60, 1, 1, false, 2, 0, 120, 0 }, /* turns per second */
		{ 1.0 / 6, 1, -1, true, 60, 1, -360, -1 }, /* degrees per second: 60 of them are 10 rpm */
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct drive_setup setup = plain();
		struct snapshot snap = contact(true);
		struct drive_side s;

		setup.unit_rpm = rows[i].unit_rpm;
		setup.unit_A = rows[i].unit_A;
		setup.sign = rows[i].sign;
		setup.at_output = rows[i].at_output;
		drive_side_init(&s, &setup, ALL, 2, at_s(1));
		drive_side_look(&s, &snap, at_s(1));
		hear_all(&s, rows[i].speed, rows[i].current, 1);
		drive_side_tell(&s, &snap, at_s(1));
		assert_true(fabs(snap.drive_rotor_rpm - rows[i].rotor_rpm) < 1e-9);
		assert_true(fabs(snap.drive_A - rows[i].drive_A) < 1e-9);
		assert_int_equal(snap.drive_flags, DRIVE_ENABLED);
		assert_int_equal(snap.channel[CHANNEL_DRIVE].quality, QUALITY_GOOD);
		assert_int_equal(snap.channel[CHANNEL_DRIVE].instrument, 2);
		assert_string_equal(s.error, "");
	}
}

static void commanded_values(void **state)
{
	static const struct {
		double unit_rpm;
		int sign;
		bool at_output;
		double rpm, value;
	} rows[] = {
		{ 1, 1, false, 10, 360 },
		{ 1, -1, false, 10, -360 },
		{ 1, 1, true, -10, -10 },
		{ 1.0 / 6, 1, true, 10, 60 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct wish wish = { .mode = DRIVE_SPEED, .speed_rpm = rows[i].rpm, .power = true };
		struct drive_setup setup = plain();
		struct snapshot snap = contact(true);
		struct drive_command c;
		struct drive_side s;

		setup.unit_rpm = rows[i].unit_rpm;
		setup.sign = rows[i].sign;
		setup.at_output = rows[i].at_output;
		drive_side_init(&s, &setup, ALL, 2, at_s(1));
		drive_side_look(&s, &snap, at_s(1));
		assert_true(drive_side_command(&s, &wish, at_s(1), &c));
		assert_int_equal(c.mode, DRIVE_SPEED);
		assert_true(fabs(c.value - rows[i].value) < 1e-9);
	}
}

/* 7.2 N.m of the output are 0.2 N.m at the rotor of a gear of 36, 90 degrees there 3240; 5 rpm are 180 of the rotor. */
static void torque_and_position(void **state)
{
	static const struct {
		enum drive_mode mode;
		bool at_output;
		int sign;
		double value, limit;
	} rows[] = {
		{ DRIVE_TORQUE, false, 1, 200, 180 },
		{ DRIVE_TORQUE, true, -1, -7200, 5 },
		{ DRIVE_POSITION, false, -1, -32400, 180 },
		{ DRIVE_POSITION, true, 1, 900, 5 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct wish wish = {
			.mode = rows[i].mode, .torque_Nm = 7.2, .angle_deg = 90, .speed_rpm = 5, .power = true
		};
		struct drive_setup setup = plain();
		struct snapshot snap = contact(true);
		struct drive_command c;
		struct drive_side s;

		setup.unit_Nm = 1e-3;
		setup.unit_deg = 0.1;
		setup.sign = rows[i].sign;
		setup.at_output = rows[i].at_output;
		drive_side_init(&s, &setup, ALL, 2, at_s(1));
		drive_side_look(&s, &snap, at_s(1));
		assert_true(drive_side_command(&s, &wish, at_s(1), &c));
		assert_int_equal(c.mode, rows[i].mode);
		assert_true(fabs(c.value - rows[i].value) < 1e-9);
		assert_true(fabs(c.limit - rows[i].limit) < 1e-9);
		wish.speed_rpm = 4; /* another limit is another command */
		assert_true(drive_side_command(&s, &wish, at_s(1.03), &c));
		const double none[] = { 0, -1, NAN, INFINITY };
		for (size_t k = 0; k < 4; k++) { /* and without one it does not go out */
			s.ever_sent = false;
			wish.speed_rpm = none[k];
			assert_true(drive_side_command(&s, &wish, at_s(1.1), &c));
			assert_int_equal(c.mode, DRIVE_OFF);
		}
	}
}

/* A tenth of a degree a unit: 10 degrees of the output are 360 of the rotor by a gear of 36. */
static void an_angle_within_its_turn(void **state)
{
	static const struct {
		bool at_output;
		int sign;
		double told, rotor_deg;
	} rows[] = { { false, 1, 900, 90 }, { false, 1, 3700, 10 }, { false, -1, 900, 270 }, { true, 1, 101, 3.6 } };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct drive_setup setup = plain();
		struct snapshot snap = contact(true);
		struct drive_side s;

		setup.unit_deg = 0.1;
		setup.sign = rows[i].sign;
		setup.at_output = rows[i].at_output;
		drive_side_init(&s, &setup, ALL | 1u << DRIVE_WORD_ANGLE, 2, at_s(1));
		drive_side_look(&s, &snap, at_s(1));
		hear_all(&s, 0, 0, 1);
		drive_side_tell(&s, &snap, at_s(1));
		assert_true(isnan(snap.rotor_deg)); /* not told yet */
		drive_side_hear(&s, DRIVE_WORD_ANGLE, rows[i].told, at_s(1));
		drive_side_tell(&s, &snap, at_s(1));
		assert_true(fabs(snap.rotor_deg - rows[i].rotor_deg) < 1e-9);
	}
}

/* Off wherever anything is missing: power, the contactor, a number, a mode that it does not know. */
static void off_when_in_doubt(void **state)
{
	static const struct {
		struct wish wish;
		bool closed;
	} rows[] = {
		{ { .mode = DRIVE_SPEED, .speed_rpm = 5, .power = true }, false },
		{ { .mode = DRIVE_SPEED, .speed_rpm = 5, .power = false }, true },
		{ { .mode = DRIVE_SPEED, .speed_rpm = NAN, .power = true }, true },
		{ { .mode = DRIVE_CURRENT, .drive_A = INFINITY, .power = true }, true },
		{ { .mode = DRIVE_TORQUE, .torque_Nm = 1, .speed_rpm = 5, .power = true }, true },
		{ { .mode = DRIVE_OFF, .power = true }, true },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct drive_setup setup = plain();
		struct snapshot snap = contact(rows[i].closed);
		struct drive_command c = { .mode = DRIVE_SPEED, .value = 7 };
		struct drive_side s;

		drive_side_init(&s, &setup, ALL, 2, at_s(1));
		drive_side_look(&s, &snap, at_s(1));
		assert_true(drive_side_command(&s, &rows[i].wish, at_s(1), &c));
		if (c.mode != DRIVE_OFF || fabs(c.value) > 0)
			fail_msg("row %zu", i);
	}
}

static unsigned sent_in(struct drive_side *s, const struct wish *wish, double from_s, double to_s)
{
	struct drive_command c;
	unsigned n = 0;

	for (double t = from_s; t < to_s - 1e-9; t += 0.001)
		n += drive_side_command(s, wish, at_s(t), &c);
	return n;
}

static void a_command_is_renewed_and_off_is_at_once(void **state)
{
	struct wish wish = { .mode = DRIVE_SPEED, .speed_rpm = 5, .power = true }, off = { 0 };
	struct drive_setup setup = plain();
	struct snapshot snap = contact(true);
	struct drive_command c;
	struct drive_side s;

	(void)state;
	drive_side_init(&s, &setup, ALL, 2, at_s(1));
	drive_side_look(&s, &snap, at_s(1));
	assert_int_equal(sent_in(&s, &wish, 1, 1.9995), 10); /* each 0.1 s, a third of the lease */
	setup.lease_s = 0;
	drive_side_init(&s, &setup, ALL, 2, at_s(1));
	drive_side_look(&s, &snap, at_s(1));
	assert_int_equal(sent_in(&s, &wish, 1, 1.9995), 5); /* DRIVE_AGAIN_S */
	double t = 2.1;
	assert_true(drive_side_command(&s, &wish, at_s(t), &c));
	wish.speed_rpm = 6;
	assert_false(drive_side_command(&s, &wish, at_s(t + 0.01), &c));
	assert_true(drive_side_command(&s, &wish, at_s(t + 0.021), &c) && c.value > 200);
	assert_true(drive_side_command(&s, &off, at_s(t + 0.022), &c) && c.mode == DRIVE_OFF);
	assert_false(drive_side_command(&s, &off, at_s(t + 0.023), &c));
	s.gone = true;
	assert_false(drive_side_command(&s, &wish, at_s(t + 1), &c));
}

static void one_that_is_silent_is_not_heard(void **state)
{
	struct drive_setup setup = plain();
	struct snapshot snap = contact(true);
	struct drive_side s;

	(void)state;
	drive_side_init(&s, &setup, ALL, 2, at_s(1));
	look_until(&s, &snap, 1, 1.2);
	assert_int_equal(snap.drive_flags, DRIVE_UNHEARD);
	assert_true(isnan(snap.drive_rotor_rpm) && isinf(snap.channel[CHANNEL_DRIVE].age_s));
	hear_all(&s, 10, 1, 1.2);
	look_until(&s, &snap, 1.2, 1.68);
	assert_int_equal(snap.drive_flags, DRIVE_ENABLED);
	assert_true(fabs(snap.channel[CHANNEL_DRIVE].age_s - 0.48) < 1e-6);
	drive_side_hear(&s, DRIVE_WORD_SPEED, 11, at_s(1.68)); /* as old as "enabled" */
	look_until(&s, &snap, 1.68, 1.68);
	assert_true(fabs(snap.channel[CHANNEL_DRIVE].age_s - 0.48) < 1e-6);
	look_until(&s, &snap, 1.69, 1.75);
	assert_int_equal(snap.drive_flags, DRIVE_UNHEARD);
	assert_true(isnan(snap.drive_rotor_rpm) && isnan(snap.drive_A) && isnan(snap.temp_degC[TEMP_WINDING]));
	assert_int_equal(snap.channel[CHANNEL_DRIVE].quality, QUALITY_MISSING);
	assert_true(snap.channel[CHANNEL_DRIVE].age_s < 0.1 && s.error[0]);
	/* Speed alone is not all: whether it is enabled is old. */
	drive_side_hear(&s, DRIVE_WORD_SPEED, 10, at_s(1.75));
	look_until(&s, &snap, 1.76, 1.78);
	assert_int_equal(snap.drive_flags, DRIVE_UNHEARD);
	hear_all(&s, 10, 1, 1.8);
	look_until(&s, &snap, 1.8, 1.8);
	assert_int_equal(snap.drive_flags, DRIVE_ENABLED);
	s.gone = true;
	look_until(&s, &snap, 1.81, 1.81);
	assert_int_equal(snap.drive_flags, DRIVE_UNHEARD);
}

/* Time in which the program itself did not look. */
static void its_own_absence_is_not_held_against_it(void **state)
{
	struct drive_setup setup = plain();
	struct snapshot snap = contact(true);
	struct drive_side s;

	(void)state;
	drive_side_init(&s, &setup, ALL, 2, at_s(1));
	drive_side_look(&s, &snap, at_s(1));
	hear_all(&s, 10, 1, 1);
	drive_side_look(&s, &snap, at_s(4));
	drive_side_tell(&s, &snap, at_s(4));
	assert_int_equal(snap.drive_flags, DRIVE_ENABLED);
}

/* 10 ticks a second, the slowest of a profile, every other a little late: silence is seen after 0.5 s. */
static void a_slow_tick_is_no_absence(void **state)
{
	struct drive_setup setup = plain();
	struct snapshot snap = contact(true);
	struct drive_side s;

	(void)state;
	drive_side_init(&s, &setup, ALL, 2, at_s(1));
	drive_side_look(&s, &snap, at_s(1));
	hear_all(&s, 10, 1, 1);
	for (int i = 1; i <= 7; i++) {
		struct mono now = at_s(1 + 0.1 * i + (i % 2 ? 0.0002 : -0.0002));
		drive_side_look(&s, &snap, now);
		drive_side_tell(&s, &snap, now);
		assert_int_equal(snap.drive_flags & DRIVE_UNHEARD, i >= 5 ? DRIVE_UNHEARD : 0);
	}
}

static void one_that_the_contactor_feeds_has_its_time(void **state)
{
	struct drive_setup setup = plain();
	struct snapshot snap = contact(false);
	struct drive_side s;

	(void)state;
	setup.boot_s = 1;
	drive_side_init(&s, &setup, ALL, 2, at_s(1));
	look_until(&s, &snap, 1, 2);
	assert_int_equal(snap.drive_flags, 0);
	assert_true(isnan(snap.drive_rotor_rpm));
	snap.contactor_closed = true;
	look_until(&s, &snap, 2.01, 3);
	assert_int_equal(snap.drive_flags, 0);
	look_until(&s, &snap, 3.02, 3.03);
	assert_int_equal(snap.drive_flags, DRIVE_UNHEARD);
	snap.contactor_closed = false;
	look_until(&s, &snap, 3.04, 3.04);
	assert_int_equal(snap.drive_flags, 0);
}

/* A node's sensor in the winding goes before the drive's own word. */
static void the_winding_is_told_where_nobody_else_tells_it(void **state)
{
	struct drive_setup setup = plain();
	struct snapshot snap = contact(true);
	struct drive_side s;

	(void)state;
	drive_side_init(&s, &setup, ALL, 2, at_s(1));
	drive_side_look(&s, &snap, at_s(1));
	hear_all(&s, 10, 1, 1);
	drive_side_tell(&s, &snap, at_s(1));
	assert_true(fabs(snap.temp_degC[TEMP_WINDING] - 31) < 1e-9);
	drive_side_tell(&s, &snap, at_s(1.01));
	assert_true(fabs(snap.temp_degC[TEMP_WINDING] - 31) < 1e-9);
	snap.channel[CHANNEL_TEMP + (int)TEMP_WINDING] = (struct channel){ .fresh = 5, .instrument = 0 };
	snap.temp_degC[TEMP_WINDING] = 55;
	drive_side_tell(&s, &snap, at_s(1.02));
	assert_true(fabs(snap.temp_degC[TEMP_WINDING] - 55) < 1e-9);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(told_values),
		cmocka_unit_test(commanded_values),
		cmocka_unit_test(torque_and_position),
		cmocka_unit_test(an_angle_within_its_turn),
		cmocka_unit_test(off_when_in_doubt),
		cmocka_unit_test(a_command_is_renewed_and_off_is_at_once),
		cmocka_unit_test(one_that_is_silent_is_not_heard),
		cmocka_unit_test(its_own_absence_is_not_held_against_it),
		cmocka_unit_test(a_slow_tick_is_no_absence),
		cmocka_unit_test(one_that_the_contactor_feeds_has_its_time),
		cmocka_unit_test(the_winding_is_told_where_nobody_else_tells_it),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
