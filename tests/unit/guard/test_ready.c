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

/* D6: without a limit of its travel nobody has to know where the shaft is. */
static void without_a_travel_no_angle_is_needed(void **state)
{
	struct scene s;

	(void)state;
	scene_begin(&s);
	s.limits.travel_deg = 0;
	s.snap.angle_rev = NAN;
	s.want = (struct wish){ .power = true, .mode = DRIVE_SPEED, .speed_rpm = 60, .brake_A = 0.5 };
	scene_step(&s);
	assert_near(s.verdict.allowed.brake_A, 0.5, 0);
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
	snap->channel[CHANNEL_CAGE].fresh = 0;
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
static void no_angle(struct snapshot *snap)
{
	snap->angle_rev = NAN;
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
		{ "angle", no_angle, false, 1.5 }, /* D6: the scene states a travel */
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

/* I17: beyond the longest hold the brake stays on a shaft that turns, until it is hot. Its temperature counts while it
 * is young, whatever other instruments of their own fall silent; an old one is none, and the slip (6 W) allows the
 * hold. */
static void a_hot_brake_is_let_go_by_what_is_young(void **state)
{
	static const struct {
		const char *name;
		double brake_age_s, ambient_age_s;
		bool let_go;
	} rows[] = {
		{ "hot", 0.1, 0.1, true },
		{ "hot, and the logger of the ambient is silent", 0.1, 9, true },
		{ "hot long ago", 9, 0.1, false },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct scene s;

		scene_running(&s);
		s.snap.operator_stop = true;
		s.snap.channel[CHANNEL_TEMP + (int)TEMP_BRAKE].instrument = 3;
		s.snap.channel[CHANNEL_TEMP + (int)TEMP_AMBIENT].instrument = 4;
		for (int tick = 0; tick < 1200 && !s.verdict.stopped; tick++) {
			scene_obey(&s);
			s.snap.speed_rpm = 60;
			s.snap.torque_Nm = 1;
			s.snap.temp_degC[TEMP_BRAKE] = tick > 1000 ? 95 : 25;
			s.snap.channel[CHANNEL_TEMP + (int)TEMP_BRAKE].age_s = rows[i].brake_age_s;
			s.snap.channel[CHANNEL_TEMP + (int)TEMP_AMBIENT].age_s = rows[i].ambient_age_s;
			scene_judge(&s);
		}
		if (s.verdict.stopped != rows[i].let_go || (rows[i].let_go && s.verdict.release != GUARD_HEAT))
			fail_msg("%s: held for %g s", rows[i].name, s.verdict.held_s);
	}
}

/* I16, I22: the words say whether the contactor is sensed. */
static void whether_the_contactor_is_sensed_is_told(void **state)
{
	(void)state;
	for (int sensed = 0; sensed < 2; sensed++) {
		struct scene s;
		char text[400];

		scene_begin(&s);
		s.limits.expect_lines = sensed ? LINES_ALL : LINE_ESTOP | LINE_CAGE;
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
 * 1.5 times what the slowing down takes: from 40 rpm by 0.5 rpm in a tick, in 0.19 s to 30.5 rpm, 8.7 rpm beyond noise:
 * 1.0 s more. */
static void pulses_that_end_slowly_end_with_the_turning(void **state)
{
	(void)state;
	assert_near(held_s(60, 2.5, 2, NAN, 0), 0.29 + 0.30, 0.02);  /* 29 ticks to 4 rpm, then 0.3 s */
	assert_true(held_s(60, 5, 60, NAN, 0) > 7.9);                /* at once from full speed: never seen to slow */
	assert_near(held_s(2.5, 1, 2.5, NAN, 0), 0.01 + 0.30, 0.02); /* at once, of a shaft as slow as that */
	assert_near(held_s(40, 30.2, 0.5, NAN, 0), 0.19 + 1.5 * 30.5 / (40 - 30.5 - 0.8) * 0.19, 0.02);
}

/* I18: a slowing down that was seen for less than 0.15 s may be a cable that tears: 60 to 30 rpm within a tick, 60 to
 * 24 rpm in 0.12 s. In 0.18 s it counts. */
static void a_slowing_down_is_watched_for_a_while(void **state)
{
	(void)state;
	assert_near(held_s(60, 20, 30, NAN, 0), 8, 0.01);
	assert_near(held_s(60, 23, 3, NAN, 0), 8, 0.01);
	assert_near(held_s(60, 22.5, 2, NAN, 0), 0.18 + 0.3, 0.02);
}

/* I18: pulses that end at 22 rpm, seen to slow down from 60 rpm in 0.19 s, would stand after 0.17 s by their own
 * slowing down; 40 N·m need 0.58 s for 10 kg·m². Never longer than the longest hold. */
static void a_standstill_sooner_than_the_inertia_allows_is_not_believed(void **state)
{
	(void)state;
	assert_near(held_s(60, 21, 2, NAN, 0), 0.19 + 0.3, 0.02);
	assert_near(held_s(60, 21, 2, NAN, 10), 0.19 + 10 * 22 * 0.1047198 / 40, 0.02);
	assert_near(held_s(60, 21, 2, NAN, 30), 0.19 + 30 * 22 * 0.1047198 / 40, 0.02);
	assert_near(held_s(60, 21, 2, NAN, 500), 8, 0.02);
	assert_near(held_s(60, 21, 2, NAN, NAN), 0.19 + 0.3, 0.02);
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

/* What the drive says of its rotor, in rpm of the shaft; NaN: nothing. */
struct drive_word {
	const char *name;
	double running_rpm, stopped_rpm;
	bool goes_on; /* it is told anew in the stop */
	double brake_share, held_s;
	unsigned missing;
};

/* I18: pulses that ended at full speed. 2 s are enough where the drive says that its rotor stands (less than 1 rpm of
 * the shaft), says it anew, and agreed with the pick-up before, in direction too; else the whole hold. What was held
 * for so long by a brake that has its current stands; not where the drive says that it turns. */
/* A drive at speed, a stop after 2 s, and what the rotor is said to do before and after it. one_way: the shaft turns
 * backwards, under a pick-up that counts up whichever way it turns. */
static void play_word(struct scene *s, const struct drive_word *row, double gear_ratio, bool one_way)
{
	double rotor_per_output = scene_limits().gear_ratio;

	scene_begin(s);
	s->limits.gear_ratio = gear_ratio;
	s->limits.pick_no_direction = one_way;
	s->limits.expect_direction = one_way ? 0 : 1;
	s->want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 60, .brake_A = 0.5, .power = true };
	if (one_way)
		s->want.speed_rpm = -60;
	for (int tick = 0; tick < 1200 && !s->verdict.stopped; tick++) {
		bool running = tick < 200;
		scene_obey(s);
		s->snap.operator_stop = !running;
		s->snap.channel[CHANNEL_DRIVE].fresh += tick % 20 == 0 && (running || row->goes_on);
		if (tick > 10)
			s->snap.drive_rotor_rpm =
				rotor_per_output * (tick <= 200 ? row->running_rpm : row->stopped_rpm);
		if (!running)
			s->snap.brake_A *= row->brake_share;
		scene_judge(s);
	}
	if (!s->verdict.stopped || !(fabs(s->verdict.held_s - row->held_s) < 0.03) ||
	    s->verdict.missing != row->missing)
		fail_msg("%s: held for %g s, missing %#x", row->name, s->verdict.held_s, s->verdict.missing);
}

static void what_the_drive_says_of_a_standstill(void **state)
{
	static const struct drive_word rows[] = {
		{ "stands", 60, 0.5, true, 1, 2, 0 },
		{ "stands; half of the truth before", 31, 0.5, true, 1, 2, 0 },
		{ "stands; the other way before", -60, 0.5, true, 1, 8, 0 },
		{ "stands, as always", 0, 0, true, 1, 8, 0 },
		{ "stands; another shaft's number before", 20, 0, true, 1, 8, 0 },
		{ "stands, an old word", 60, 0.5, false, 1, 8, 0 },
		{ "still turns a little", 60, 6, true, 1, 8, GUARD_STANDSTILL },
		{ "the same for ever", 60, 60, true, 1, 8, GUARD_STANDSTILL },
		{ "the same, told no more", 60, 60, false, 1, 8, GUARD_STANDSTILL },
		{ "nothing", NAN, NAN, false, 1, 8, 0 },
		{ "nothing in the stop", 60, NAN, true, 1, 8, 0 },
		{ "nothing, and the brake has no current", NAN, NAN, false, 0.4, 8, GUARD_STANDSTILL },
		{ "nothing, and the brake's current is unknown", NAN, NAN, false, NAN, 8, GUARD_STANDSTILL },
	};
	static const struct drive_word backwards = { "stands; backwards before", -60, 0.5, true, 1, 2, 0 };
	struct scene s;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		play_word(&s, &rows[i], scene_limits().gear_ratio, false);
	play_word(&s, &backwards, scene_limits().gear_ratio, true);
}

/* I18: without a ratio a rotor that was said to turn while the shaft did is a witness; one that never was is none. */
static void a_rotor_of_unknown_ratio_is_believed_when_it_turned(void **state)
{
	static const struct drive_word turned = { "turned", 60, 0, true, 1, 2, 0 };
	static const struct drive_word never = { "never turned", 0.01, 0, true, 1, 8, 0 };
	struct scene s;

	(void)state;
	play_word(&s, &turned, 0, false);
	play_word(&s, &never, 0, false);
}

/* I3, I18: a pick-up with one channel dead counts to and fro: no speed, but pulses; a shaft whose pulses come does not
 * stand. Nor where nobody knows how fast they came. */
static void pulses_to_and_fro_are_no_standstill(void **state)
{
	struct scene s;

	(void)state;
	for (int way = 0; way < 4; way++) {
		bool ends = way % 2, unknown = way / 2;

		scene_running(&s);
		s.snap.operator_stop = true;
		for (int tick = 0; tick < 1000 && !s.verdict.stopped; tick++) {
			scene_obey(&s);
			if (tick < 40)
				s.snap.speed_rpm = 60 - 1.5 * tick;
			else if (!ends || tick < 300)
				s.snap.edge_time_s += SCENE_TICK_S;
			if (tick >= 40 && unknown)
				s.snap.edge_rpm = NAN;
			scene_judge(&s);
		}
		assert_true(s.verdict.stopped);
		assert_near(s.verdict.held_s, ends ? 2.99 + 0.3 : 8, 0.02);
		assert_int_equal(s.verdict.missing, ends ? 0 : GUARD_STANDSTILL);
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

/* I4a: swings of 12, 14, 17 and 38 rpm, 0.1 s each, before the last of which the brake goes from 0.5 to 0.25 A: in one
 * tick, as a sequence eases a shaft that has stalled, or by 0.01 A a tick, as no loop is faster. */
static void a_recovery_from_a_stall_is_no_growth(void **state)
{
	static const double end_rpm[] = { 74, 62, 76, 59, 97, 84 };

	(void)state;
	for (int eased = 0; eased < 3; eased++) {
		struct scene s;

		scene_running(&s);
		for (int tick = 0; tick < 60; tick++) {
			scene_obey(&s);
			s.snap.speed_rpm = end_rpm[tick / 10];
			if (tick >= 30 && eased > 0)
				s.want.brake_A = fmax(0.25, s.want.brake_A - (eased == 1 ? 0.25 : 0.01));
			scene_judge(&s);
		}
		assert_int_equal(s.verdict.cause, eased == 1 ? CAUSE_NONE : CAUSE_OSCILLATION);
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

/* I18: a shaft that slowed down as it should, and whose drive then says anew that its rotor turns: held to the end. */
static void a_rotor_that_turns_on_is_no_standstill(void **state)
{
	(void)state;
	for (int turns_on = 0; turns_on < 2; turns_on++) {
		struct scene s;
		double rpm = 60;
		int ticks = 0;

		scene_running(&s);
		s.snap.operator_stop = true;
		for (; !s.verdict.stopped && ticks < 2000; ticks++) {
			scene_obey(&s);
			rpm = fmax(0, rpm - 1);
			s.snap.speed_rpm = rpm;
			s.snap.drive_rotor_rpm = turns_on && !(rpm > 0) ? 2160 + ticks % 2 : 36 * rpm;
			s.snap.channel[CHANNEL_DRIVE].fresh++;
			scene_judge(&s);
		}
		assert_in_range(ticks, turns_on ? 799 : 80,
				turns_on ? 803 : 120); /* 0.6 s to stand, 0.3 s of it seen */
	}
}

/* I4a: words of a rotor that is not driven, by hand or by what is left of a speed, are no oscillation. */
static void a_rotor_without_drive_is_not_judged(void **state)
{
	struct scene s;

	(void)state;
	scene_running(&s);
	s.want = (struct wish){ .power = true, .brake_A = 0.5 };
	scene_run_s(&s, 1);
	for (int i = 0; i < 20; i++) {
		scene_obey(&s);
		s.snap.drive_rotor_rpm = i % 2 ? 3600 : -3600;
		s.snap.channel[CHANNEL_DRIVE].fresh++;
		scene_judge(&s);
		assert_int_equal(s.verdict.cause, CAUSE_NONE);
	}
}

/* I20: how far the wrong way, and what was allowed. */
static void a_wrong_sign_is_told_with_its_torque(void **state)
{
	struct scene s;

	(void)state;
	scene_running(&s);
	for (int i = 0; i < 50 && s.verdict.cause == CAUSE_NONE; i++) {
		scene_obey(&s);
		s.snap.torque_Nm = -10;
		scene_judge(&s);
	}
	assert_int_equal(s.verdict.cause, CAUSE_WRONG_SIGN);
	assert_true(fabs(s.verdict.value - 10) < 1e-9 && fabs(s.verdict.limit - 1) < 1e-9);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_is_known_goes_out_at_once),
		cmocka_unit_test(without_a_travel_no_angle_is_needed),
		cmocka_unit_test(what_is_unknown_holds_the_load_off),
		cmocka_unit_test(an_old_line_shows_no_open_contactor),
		cmocka_unit_test(a_hot_brake_is_let_go_by_what_is_young),
		cmocka_unit_test(whether_the_contactor_is_sensed_is_told),
		cmocka_unit_test(pulses_that_end_slowly_end_with_the_turning),
		cmocka_unit_test(a_slowing_down_is_watched_for_a_while),
		cmocka_unit_test(a_standstill_sooner_than_the_inertia_allows_is_not_believed),
		cmocka_unit_test(a_drive_is_heard_once_more),
		cmocka_unit_test(what_the_drive_says_of_a_standstill),
		cmocka_unit_test(a_rotor_of_unknown_ratio_is_believed_when_it_turned),
		cmocka_unit_test(pulses_to_and_fro_are_no_standstill),
		cmocka_unit_test(a_rotor_that_turns_on_is_no_standstill),
		cmocka_unit_test(a_rotor_without_drive_is_not_judged),
		cmocka_unit_test(a_wrong_sign_is_told_with_its_torque),
		cmocka_unit_test(a_frozen_cell_counts_under_load_alone),
		cmocka_unit_test(a_recovery_from_a_stall_is_no_growth),
		cmocka_unit_test(a_cause_tells_its_own_number),
		cmocka_unit_test(a_place_without_a_sensor_is_no_cause),
		cmocka_unit_test(a_brake_time_that_is_no_number_allows_no_lag),
		cmocka_unit_test(an_edge_of_a_ratio_and_of_a_direction),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
