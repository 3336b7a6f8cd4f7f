/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The invariants I1 to I8 of docs/invariants.md, over random and over all looks at the rig. */
#include "tests/unit/guard/guard_scene.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

#include "tests/unit/guard/guard_random.h"

#define COUNT(a) (sizeof(a) / sizeof((a)[0]))

/* Bring a guard from a run in good order to a stop for a cause, in one tick. */
static void provoke(struct snapshot *s, enum cause cause)
{
	switch (cause) {
	case CAUSE_ESTOP: s->estop_ok = false; break;
	case CAUSE_GUARD_OPEN: s->cage_closed = false; break;
	case CAUSE_CONTACTOR:
		s->node_state = NODE_SAFE;
		strcpy(s->node_reason, "contactor");
		break;
	case CAUSE_NODE_SILENT: s->node_lost = true; break;
	case CAUSE_NODE_RESET: s->node_reset = true; break;
	case CAUSE_NODE_SAFE:
		s->node_state = NODE_SAFE;
		strcpy(s->node_reason, "lease");
		break;
	case CAUSE_NOT_AT_REST: s->drive_flags |= DRIVE_ENABLED; break; /* see stopped_for */
	case CAUSE_SLOW_STALE: scene_slow_age(s, 9); break;
	case CAUSE_WARDEN: s->warden_age_s = INFINITY; break;
	case CAUSE_INSTRUMENT_SILENT: s->channel[CHANNEL_CURRENT].age_s = 9; break;
	case CAUSE_CELL_STALE: s->channel[CHANNEL_CELL].age_s = 9; break;
	case CAUSE_CELL_FROZEN:
		s->cell_same = 9999;
		s->cell_same_s = 99;
		break;
	case CAUSE_CELL_SATURATED: scene_saturated(s, true); break;
	case CAUSE_OVERSPEED: s->speed_rpm = 1e6; break;
	case CAUSE_OVERTORQUE: s->torque_Nm = -1e6; break;
	case CAUSE_TRAVEL: s->angle_rev = 1e6; break;
	case CAUSE_BRAKE_HOT: s->temp_degC[TEMP_BRAKE] = 1e3; break;
	case CAUSE_ACTUATOR_HOT: s->temp_degC[TEMP_CASE] = 1e3; break;
	case CAUSE_DRIVE_DROPOUT: s->drive_flags |= DRIVE_UNDERVOLTAGE; break;
	case CAUSE_DRIVE_FAULT: s->drive_flags |= DRIVE_FAULT; break;
	case CAUSE_LATE_TICK: s->late_ns = INT64_C(10000000000); break;
	case CAUSE_LOGBOOK: s->log_failed = true; break;
	case CAUSE_OPERATOR: s->operator_stop = true; break;
	case CAUSE_SEQUENCE: s->sequence_stop = true; break;
	/* These take time: a scene long enough is in stopped_for. */
	case CAUSE_BRAKE_NOT_FOLLOWING: s->brake_A = 0; break;
	case CAUSE_BRAKE_POWER:
		s->torque_Nm = 39;
		s->speed_rpm = 119;
		break;
	case CAUSE_BRAKE_ENERGY:
		s->torque_Nm = 20;
		s->speed_rpm = 110;
		break;
	case CAUSE_SUPPLY_RANGE: s->voltage_V = 31; break;
	case CAUSE_SLEPT: s->slept_ns = INT64_C(600000000000); break;
	case CAUSE_WRONG_SIGN: s->torque_Nm = -10; break;
	case CAUSE_WRONG_DIRECTION: s->speed_rpm = -30; break;
	case CAUSE_STALL:
		s->speed_rpm = 0;
		s->torque_Nm = 20;
		break;
	case CAUSE_PICKUP:
		s->speed_rpm = 0;
		s->torque_Nm = 3;
		s->drive_rotor_rpm = 2160;
		break;
	case CAUSE_OSCILLATION: s->speed_rpm = (s->now.ns / 200000000) % 2 ? 50 : 70; break;
	case CAUSE_NONE:
	case CAUSE_COUNT: break;
	}
}

static void stopped_for(struct scene *s, enum cause cause)
{
	scene_running(s);
	for (int tick = 0; tick < 4000 && s->verdict.cause == CAUSE_NONE; tick++) {
		scene_obey(s);
		s->limits.at_rest = cause == CAUSE_NOT_AT_REST;
		provoke(&s->snap, cause);
		scene_judge(s);
	}
	if (s->verdict.cause != cause)
		fail_msg("%s could not be provoked: \"%s\"", cause_word(cause), cause_word(s->verdict.cause));
}

static void assert_nothing_drives(const struct guard_verdict *v)
{
	assert_int_equal(v->allowed.mode, DRIVE_OFF);
	assert_false(v->allowed.power);
	assert_true(v->allowed.speed_rpm <= 0 && v->allowed.speed_rpm >= 0);
	assert_true(v->allowed.drive_A <= 0 && v->allowed.drive_A >= 0);
}

/* Independent of the guard's own reckoning: has the shaft been seen to stand for 0.3 s without a break? */
struct witness {
	bool doubted, stands;
	struct mono since;
	bool proven;
};

static void watch_shaft(struct witness *w, const struct guard_limits *l, const struct snapshot *s)
{
	bool stands =
		l->expect_pick && !s->node_lost && !s->node_reset && s->sample_age_s <= l->silent_s &&
		(!(l->expect_lines & LINE_CONTACTOR) || (is_told(s, CHANNEL_CONTACTOR) && !s->contactor_closed)) &&
		fabs(s->speed_rpm) < l->standstill_rpm && !w->doubted;

	if (stands && !w->stands)
		w->since = s->now;
	w->stands = stands;
	w->proven = stands && s->now.ns - w->since.ns >= 300000000;
}

/* I1, I2, I3: every cause, then anything at all. */
static void after_a_cause_nothing_drives_and_the_brake_stays(void **state)
{
	(void)state;
	seed_from_environment();
	for (int c = CAUSE_ESTOP; c < CAUSE_COUNT; c++) {
		for (int round = 0; round < 60; round++) {
			struct scene s;
			stopped_for(&s, (enum cause)c);
			struct mono cause_at = s.snap.now;
			double held_A = s.verdict.allowed.brake_A;
			struct witness w = { .doubted = c == CAUSE_PICKUP };
			watch_shaft(&w, &s.limits, &s.snap);
			bool stopped = s.verdict.stopped;
			assert_nothing_drives(&s.verdict);
			assert_true((c == CAUSE_NOT_AT_REST || held_A >= fmin(0.5, s.limits.hold_brake_A)) &&
				    held_A <= s.limits.hold_brake_A);
			for (int tick = 0; tick < 1500; tick++) {
				random_snapshot(&s.snap);
				random_wish(&s.want);
				scene_judge(&s);
				watch_shaft(&w, &s.limits, &s.snap);
				assert_int_equal(s.verdict.cause, c);
				assert_false(s.verdict.newly);
				assert_nothing_drives(&s.verdict);
				bool late = s.snap.now.ns - cause_at.ns >= 8000000000;
				if (!stopped && s.verdict.stopped && !w.proven && !late)
					fail_msg("%s: released while turning", cause_word((enum cause)c));
				if (!s.verdict.stopped)
					assert_true(s.verdict.allowed.brake_A >= held_A &&
						    s.verdict.allowed.brake_A <= held_A);
				else
					assert_true(s.verdict.allowed.brake_A <= 0);
				assert_false(stopped && !s.verdict.stopped);
				stopped = s.verdict.stopped;
			}
		}
	}
}

/* I3 from the other side: a shaft that stands is let go after 0.3 s, one that does not after stop_hold_s. */
static void the_brake_is_released_when_it_may_be(void **state)
{
	struct scene s;

	(void)state;
	stopped_for(&s, CAUSE_OPERATOR);
	for (int tick = 0; tick < 100; tick++) { /* coasting down in 1 s */
		scene_obey(&s);
		s.snap.speed_rpm = 60 * (1 - tick / 100.0);
		scene_judge(&s);
		assert_true(s.verdict.allowed.brake_A >= 0.5);
	}
	int ticks = 0;
	for (; !s.verdict.stopped && ticks < 100; ticks++) {
		scene_obey(&s);
		scene_judge(&s);
	}
	assert_in_range(ticks, 28, 32);

	stopped_for(&s, CAUSE_OPERATOR);
	/* seen to turn: held on beyond 8 s, as long as heat allows: 200 W are 100 W too many, 2000 J after 20 s */
	for (ticks = 0; !s.verdict.stopped && ticks < 3000; ticks++) {
		scene_obey(&s);
		s.snap.speed_rpm = 95.493;
		s.snap.torque_Nm = 20;
		scene_judge(&s);
		if (ticks > 810 && !s.verdict.stopped)
			assert_true(s.verdict.holds_on && s.verdict.allowed.brake_A >= 0.5);
	}
	assert_in_range(ticks, 1900, 2010);
	assert_int_equal(s.verdict.release, GUARD_HEAT);
	assert_int_equal(s.verdict.missing, GUARD_TURNS);
}

/* A node that counts no pulses is safe and lets its own brake go; a coil with a supply of its own stays on (I17). */
static void a_coil_of_its_own_does_not_follow_the_node(void **state)
{
	(void)state;
	for (int own = 0; own < 2; own++) {
		struct scene s;
		int ticks = 0;

		stopped_for(&s, CAUSE_OPERATOR);
		s.limits.expect_brake = own;
		for (; !s.verdict.stopped && ticks < 3000; ticks++) {
			scene_obey(&s);
			s.snap.speed_rpm = 95.493;
			s.snap.torque_Nm = 20;
			s.snap.node_state = NODE_SAFE;
			s.snap.channel[CHANNEL_BRAKE] = s.snap.channel[CHANNEL_TURN];
			scene_judge(&s);
		}
		assert_int_equal(s.verdict.release, own ? GUARD_HEAT : GUARD_NODE);
		assert_in_range(ticks, own ? 1900 : 790, own ? 2010 : 810);
	}
}

/* I19: whatever is wanted, though every line is good. The same wishes drive and load where nobody is at the shaft. */
static void at_the_shaft_nothing_goes_out(void **state)
{
	struct scene s;

	(void)state;
	scene_running(&s);
	assert_true(s.verdict.allowed.power && s.verdict.allowed.mode == DRIVE_SPEED && s.verdict.allowed.brake_A > 0);
	scene_begin(&s);
	s.limits.at_rest = true;
	s.want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 60, .brake_A = 0.5, .power = true };
	for (int tick = 0; tick < 200; tick++) {
		scene_step(&s);
		assert_false(s.verdict.allowed.power);
		assert_int_equal(s.verdict.allowed.mode, DRIVE_OFF);
		assert_true(s.verdict.allowed.brake_A <= 0);
	}
	assert_int_equal(s.verdict.cause, CAUSE_NONE);
}

/* I18: a shaft that slows down by so much a tick, whose pulses end after so many ticks, and before that lose a share;
 * nothing else tells that it turns. What is not let go of a heavy shaft holds a light one longer than it needs. */
static void pulses_that_end_too_soon_prove_no_standstill(void **state)
{
	static const struct {
		double rpm_per_tick;
		int dies_at;
		double kept; /* share of the pulses */
		int least, most;
	} rows[] = {
		{ 1, 0, 1, 100, 801 },       { 1, 5, 1, 100, 801 },    { 1, 10, 1, 100, 801 },
		{ 1, 20, 1, 60, 90 },        { 0.25, 0, 1, 800, 801 }, { 0.25, 10, 1, 800, 801 },
		{ 0.25, 30, 1, 240, 801 },   { 0.1, 35, 1, 800, 801 }, { 0.25, 12, 0.3, 240, 801 },
		{ 0.25, 2, 0.05, 240, 801 }, { 3, 3, 1, 20, 801 },     { 2.5, 99, 1, 50, 60 },
		{ 20, 99, 1, 800, 801 },     { 60, 99, 1, 800, 801 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct scene s;
		int ticks = 0;

		scene_running(&s);
		s.snap.operator_stop = true;
		for (; !s.verdict.stopped && ticks < 2000; ticks++) {
			double true_rpm = fmax(0, 60 - rows[i].rpm_per_tick * ticks);
			scene_obey(&s);
			s.snap.speed_rpm = ticks < rows[i].dies_at ? rows[i].kept * true_rpm : 0;
			scene_judge(&s);
			if (s.verdict.stopped && true_rpm > 1)
				fail_msg("row %zu: let go at %g rpm after %d ticks", i, true_rpm, ticks);
		}
		if (!s.verdict.stopped || ticks < rows[i].least || ticks > rows[i].most)
			fail_msg("row %zu: held for %d ticks", i, ticks);
	}
}

/* I3: pulses that stop while the drive's rotor turns are no standstill. */
static void a_dead_pick_up_proves_no_standstill(void **state)
{
	struct scene s;
	int ticks = 0;

	(void)state;
	scene_running(&s);
	s.want.brake_A = 0.1;
	scene_run_s(&s, 1);
	scene_obey(&s);
	s.snap.speed_rpm = 0;
	s.snap.drive_rotor_rpm = 2160;
	s.snap.operator_stop = true;
	scene_judge(&s);
	assert_int_equal(s.verdict.cause, CAUSE_OPERATOR);
	assert_true(s.verdict.allowed.brake_A >= 0.4); /* it turns: half of the 0.8 A that a stop may hold */
	for (; !s.verdict.stopped && ticks < 2000; ticks++)
		scene_step(&s);
	assert_in_range(ticks, 799, 801);
}

/* A node that has gone safe and has not yet said why: no cause yet, and nothing drives. */
static void nothing_drives_while_the_reason_is_awaited(void **state)
{
	struct scene s;

	(void)state;
	scene_running(&s);
	for (int tick = 0; tick < 10; tick++) {
		scene_obey(&s);
		s.snap.node_state = NODE_STOPPING;
		scene_judge(&s);
		assert_int_equal(s.verdict.cause, CAUSE_NONE);
		assert_nothing_drives(&s.verdict);
		assert_true(s.verdict.allowed.brake_A >= 0.5);
	}
}

/* I2: what is held is the larger of wish, read-back and half of the most, and never more than the most. */
static void the_hold_is_bounded_and_large_enough(void **state)
{
	static const struct {
		double wish_A, read_A, speed_rpm;
		enum cause cause;
		double held_A;
	} rows[] = {
		{ 0.5, 0.5, 60, CAUSE_OPERATOR, 0.5 },
		{ 0.5, 0.6, 60, CAUSE_OPERATOR, 0.6 },
		{ 0.5, 0.3, 60, CAUSE_OPERATOR, 0.5 },
		{ 0.1, 0.1, 60, CAUSE_OPERATOR, 0.4 },     /* half of 0.8 A */
		{ 0.1, NAN, NAN, CAUSE_OVERSPEED, 0.4 },   /* unknown speed counts as turning */
		{ 0.1, 0.1, 0.5, CAUSE_OPERATOR, 0.1 },    /* stands already */
		{ 0.1, 0.1, 0.5, CAUSE_NODE_SILENT, 0.4 }, /* stood before the silence */
		{ 0.1, 0.1, 60, CAUSE_OVERTORQUE, 0.1 },   /* more would make it worse */
		{ 0.1, 0.1, 60, CAUSE_CELL_SATURATED, 0.1 },
		{ 0.1, 0.1, 60, CAUSE_BRAKE_HOT, 0.4 },    /* what turns has little heat in it */
		{ 0.04, 0.04, 60, CAUSE_OVERTORQUE, 0.4 }, /* below 0.05 A it is none of the brake's doing */
		{ 0, 0, 60, CAUSE_CELL_SATURATED, 0.4 },
		{ 0.95, 0.95, 60, CAUSE_OPERATOR, 0.8 },
		{ 0.5, INFINITY, 60, CAUSE_OPERATOR, 0.8 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct scene s;
		scene_running(&s);
		s.want.brake_A = rows[i].wish_A;
		scene_run_s(&s, 1);
		assert_int_equal(s.verdict.cause, CAUSE_NONE);
		scene_obey(&s);
		s.snap.brake_A = rows[i].read_A;
		s.snap.speed_rpm = rows[i].speed_rpm;
		if (rows[i].cause != CAUSE_OVERSPEED)
			provoke(&s.snap, rows[i].cause);
		scene_judge(&s);
		assert_int_equal(s.verdict.cause, rows[i].cause);
		if (!(fabs(s.verdict.allowed.brake_A - rows[i].held_A) < 1e-12))
			fail_msg("row %zu: held %g A, expected %g A", i, s.verdict.allowed.brake_A, rows[i].held_A);
	}
}

/* A node that senses some of the lines: what it does not sense is no cause, what it senses is. */
static void a_line_that_is_not_sensed_is_no_cause(void **state)
{
	(void)state;
	for (unsigned sensed = 0; sensed <= LINES_ALL; sensed++) {
		for (unsigned bad = 0; bad <= LINES_ALL; bad = bad ? bad << 1 : 1) {
			struct scene s;

			scene_begin(&s);
			s.limits.expect_lines = sensed;
			s.want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 60, .brake_A = 0.5, .power = true };
			s.snap.estop_ok = sensed & LINE_ESTOP;
			s.snap.cage_closed = sensed & LINE_CAGE;
			scene_run_s(&s, 2); /* the contactor where it is not sensed: what it was told (rigio.h) */
			assert_int_equal(s.verdict.cause, CAUSE_NONE);
			assert_int_equal(s.verdict.allowed.mode, DRIVE_SPEED);
			for (int tick = 0; tick < 50; tick++) {
				scene_obey(&s);
				s.snap.estop_ok &= bad != LINE_ESTOP;
				s.snap.cage_closed &= bad != LINE_CAGE;
				s.snap.contactor_closed &= bad != LINE_CONTACTOR;
				scene_judge(&s);
			}
			enum cause expected = !(bad & sensed)     ? CAUSE_NONE
					      : bad == LINE_ESTOP ? CAUSE_ESTOP
					      : bad == LINE_CAGE  ? CAUSE_GUARD_OPEN
								  : CAUSE_CONTACTOR;
			if (s.verdict.cause != expected)
				fail_msg("sensed %x, bad %x: %s", sensed, bad, cause_word(s.verdict.cause));
		}
	}
}

/* I5: by the sense of the causes, not by the program's own list. */
static void what_latches_is_a_fault(void **state)
{
	static const enum cause faults[] = { CAUSE_ESTOP,           CAUSE_GUARD_OPEN,  CAUSE_CONTACTOR,
					     CAUSE_NODE_SILENT,     CAUSE_NODE_RESET,  CAUSE_CELL_FROZEN,
					     CAUSE_PICKUP,          CAUSE_OVERSPEED,   CAUSE_WRONG_SIGN,
					     CAUSE_WRONG_DIRECTION, CAUSE_DRIVE_FAULT, CAUSE_BRAKE_NOT_FOLLOWING,
					     CAUSE_CELL_SATURATED };
	static const enum cause results[] = { CAUSE_NONE,          CAUSE_STALL,       CAUSE_OPERATOR,
					      CAUSE_SEQUENCE,      CAUSE_BRAKE_HOT,   CAUSE_ACTUATOR_HOT,
					      CAUSE_DRIVE_DROPOUT, CAUSE_BRAKE_ENERGY };

	(void)state;
	for (size_t i = 0; i < COUNT(faults); i++)
		assert_true(cause_latches(faults[i]));
	for (size_t i = 0; i < COUNT(results); i++)
		assert_false(cause_latches(results[i]));
}

/* I5 */
static void a_stopped_guard_stays_so_and_a_fresh_one_keeps_the_heat(void **state)
{
	struct scene s;

	(void)state;
	scene_running(&s);
	for (int tick = 0; tick < 1000; tick++) { /* 10 s of 200 W: 1000 J above 100 W */
		scene_obey(&s);
		s.snap.torque_Nm = 20;
		s.snap.speed_rpm = 95.493;
		scene_judge(&s);
	}
	assert_true(fabs(s.guard.energy_J - 1000) < 5);
	s.snap.operator_stop = true;
	scene_step(&s);
	s.snap.operator_stop = false;
	scene_run_s(&s, 9); /* pulses that ended at full speed: held for 8 s; the brake cools 100 J in each of the 9 */
	assert_true(s.verdict.stopped);
	assert_true(s.guard.energy_J > 80 && s.guard.energy_J < 120);
	s.guard.energy_J = 1000;
	scene_run_s(&s, 1);
	assert_int_equal(s.verdict.cause, CAUSE_OPERATOR);
	assert_nothing_drives(&s.verdict);
	s.guard.energy_J = 1000;

	s.guard = guard_warm(s.guard.energy_J, s.guard.last_now);
	s.want = (struct wish){ 0 };
	s.verdict.allowed = s.want;
	s.snap.now.ns += INT64_C(3000000000); /* since the stop 3 s and a bit: the brake cools 100 J in each */
	scene_step(&s);
	assert_int_equal(s.verdict.cause, CAUSE_NONE);
	if (!(s.guard.energy_J > 600 && s.guard.energy_J < 720))
		fail_msg("energy %g J", s.guard.energy_J);
}

/* I7: nothing beyond a limit gets out, whatever is wanted. */
static void wishes_are_clamped(void **state)
{
	struct scene s = { 0 };

	(void)state;
	seed_from_environment();
	for (int i = 0; i < 200000; i++) {
		if (i % 1000 == 0)
			scene_running(&s);
		struct scene one = s;
		random_wish(&one.want);
		one.limits.expect_direction = (int)(next_random() % 3) - 1;
		one.snap.contactor_closed = one_in(2);
		one.snap.now.ns += 10000000;
		scene_judge(&one);
		const struct wish *a = &one.verdict.allowed;
		assert_true(a->brake_A >= 0 && a->brake_A <= 1.0);
		assert_true(fabs(a->speed_rpm) <= 120 && fabs(a->drive_A) <= 15);
		assert_true(fabs(a->torque_Nm) <= 40 && fabs(a->angle_deg) <= 360);
		assert_true(wish_set_point(a) * one.limits.expect_direction >= 0);
		assert_true(a->mode == DRIVE_OFF || a->mode == one.want.mode);
		assert_true(a->mode == DRIVE_OFF || (a->power && one.snap.contactor_closed));
		assert_true(!a->power || one.want.power);
		assert_true(!(one.want.brake_A >= 0) || a->brake_A <= one.want.brake_A);
		bool same = a->mode == one.want.mode && a->power == one.want.power &&
			    !(a->brake_A < one.want.brake_A) && !(a->brake_A > one.want.brake_A);
		if (!same && one.verdict.cause == CAUSE_NONE)
			assert_true(one.verdict.clamped);
	}
}

static void a_wish_within_its_limits_goes_out_as_it_is(void **state)
{
	struct scene s;

	(void)state;
	scene_running(&s);
	assert_false(s.verdict.clamped);
	assert_int_equal(s.verdict.allowed.mode, DRIVE_SPEED);
	assert_true(fabs(s.verdict.allowed.speed_rpm - 60) < 1e-12 && fabs(s.verdict.allowed.brake_A - 0.5) < 1e-12);
	s.want = (struct wish){ .mode = DRIVE_OFF, .speed_rpm = NAN, .drive_A = NAN, .brake_A = 0.2, .power = true };
	scene_run_s(&s, 0.2);
	s.want.mode = DRIVE_CURRENT;
	s.want.drive_A = -7;
	s.limits.expect_direction = 0;
	scene_step(&s);
	assert_false(s.verdict.clamped);
	assert_true(fabs(s.verdict.allowed.drive_A + 7) < 1e-12);
}

/* All yes-or-no inputs in all phases: 3 phases, 11 bits, 5 states, 6 modes. */
static void every_combination_of_yes_and_no(void **state)
{
	struct scene start[3];
	unsigned long looks = 0;

	(void)state;
	scene_running(&start[0]);
	stopped_for(&start[1], CAUSE_OPERATOR);
	start[1].snap.operator_stop = false;
	start[2] = start[1];
	scene_run_s(&start[2], 9);
	assert_true(start[1].guard.phase == GUARD_STOP_HOLD && start[2].guard.phase == GUARD_STOPPED);

	for (int phase = 0; phase < 3; phase++) {
		for (unsigned bits = 0; bits < 1u << 11; bits++) {
			for (int more = 0; more < 30; more++) {
				struct scene s = start[phase];
				s.snap.now.ns += 10000000;
				s.snap.estop_ok = bits & 1;
				s.snap.cage_closed = bits & 2;
				s.snap.contactor_closed = bits & 4;
				scene_lines_told(&s.snap, (bits >> 3) & 1);
				s.snap.node_reset = bits & 16;
				s.snap.node_lost = bits & 32;
				s.snap.log_failed = bits & 64;
				s.snap.operator_stop = bits & 128;
				s.snap.sequence_stop = bits & 256;
				scene_saturated(&s.snap, bits & 512);
				s.want.power = bits & 1024;
				s.snap.node_state = (enum node_state)(more % 5);
				strcpy(s.snap.node_reason, s.snap.node_state > NODE_LIVE ? "lease" : "none");
				s.want.mode = (enum drive_mode)(more / 5);
				scene_judge(&s);
				looks++;
				bool good = (bits & 0x3fb) == 0x00b && s.snap.node_state <= NODE_LIVE;
				bool stops = phase > 0 || !good;
				assert_int_equal(s.verdict.cause != CAUSE_NONE, stops);
				if (stops)
					assert_nothing_drives(&s.verdict);
				else
					assert_int_equal(s.verdict.allowed.power, s.want.power);
				if (s.verdict.allowed.mode != DRIVE_OFF)
					assert_true(s.snap.contactor_closed && s.want.power &&
						    s.want.mode == s.verdict.allowed.mode);
				if (phase == 1)
					assert_true(s.verdict.allowed.brake_A >= 0.5);
				if (phase == 2)
					assert_true(s.verdict.allowed.brake_A <= 0);
			}
		}
	}
	assert_int_equal(looks, 3 * 2048 * 30);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(after_a_cause_nothing_drives_and_the_brake_stays),
		cmocka_unit_test(the_brake_is_released_when_it_may_be),
		cmocka_unit_test(a_coil_of_its_own_does_not_follow_the_node),
		cmocka_unit_test(at_the_shaft_nothing_goes_out),
		cmocka_unit_test(pulses_that_end_too_soon_prove_no_standstill),
		cmocka_unit_test(a_dead_pick_up_proves_no_standstill),
		cmocka_unit_test(nothing_drives_while_the_reason_is_awaited),
		cmocka_unit_test(the_hold_is_bounded_and_large_enough),
		cmocka_unit_test(a_line_that_is_not_sensed_is_no_cause),
		cmocka_unit_test(what_latches_is_a_fault),
		cmocka_unit_test(a_stopped_guard_stays_so_and_a_fresh_one_keeps_the_heat),
		cmocka_unit_test(wishes_are_clamped),
		cmocka_unit_test(a_wish_within_its_limits_goes_out_as_it_is),
		cmocka_unit_test(every_combination_of_yes_and_no),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
