/* SPDX-License-Identifier: GPL-3.0-or-later */
/* D1 to D6: what the guard lets out in each mode of the drive, and what its watches expect there. */
#include "tests/unit/guard/guard_scene.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#define MODES (DRIVE_POSITION + 1)

static struct wish wish_of(enum drive_mode mode)
{
	return (struct wish){ .mode = mode,
			      .speed_rpm = mode == DRIVE_POSITION ? 5 : 60,
			      .drive_A = 4,
			      .torque_Nm = 8,
			      .angle_deg = 45,
			      .brake_A = 0.3,
			      .power = true };
}

static void look_at(struct scene *s, double speed_rpm, double torque_Nm)
{
	scene_obey(s);
	s->snap.speed_rpm = speed_rpm;
	s->snap.torque_Nm = torque_Nm;
	scene_judge(s);
}

/* Both ways allowed, the mode out since the tick before, the shaft as good as standing. */
static void in_mode(struct scene *s, enum drive_mode mode)
{
	scene_begin(s);
	s->limits.expect_direction = 0;
	s->limits.travel_deg = 100;
	s->want = wish_of(mode);
	for (int i = 0; i < 50; i++)
		look_at(s, 0, 0);
	assert_int_equal(s->verdict.cause, CAUSE_NONE);
	assert_int_equal(s->verdict.allowed.mode, mode);
	assert_false(s->verdict.clamped);
}

static double ends_after_s(struct scene *s, double speed_rpm, double torque_Nm, enum cause cause)
{
	double t_s = 0;

	for (; t_s < 20 && s->verdict.cause == CAUSE_NONE; t_s += SCENE_TICK_S)
		look_at(s, speed_rpm, torque_Nm);
	assert_int_equal(s->verdict.cause, cause);
	return t_s;
}

static void goes_on(struct scene *s, double speed_rpm, double torque_Nm, double time_s)
{
	for (double t_s = 0; t_s < time_s; t_s += SCENE_TICK_S)
		look_at(s, speed_rpm, torque_Nm);
	assert_int_equal(s->verdict.cause, CAUSE_NONE);
}

/* D1 */
static void one_mode_becomes_another_through_off(void **state)
{
	(void)state;
	for (int from = DRIVE_SPEED; from < MODES; from++)
		for (int to = DRIVE_SPEED; to < MODES; to++) {
			struct scene s;
			int off = 0;

			in_mode(&s, (enum drive_mode)from);
			s.want = wish_of((enum drive_mode)to);
			for (look_at(&s, 0, 0); s.verdict.allowed.mode == DRIVE_OFF && off < 100; off++)
				look_at(&s, 0, 0);
			assert_int_equal(s.verdict.allowed.mode, to);
			assert_int_equal(off, from == to ? 0 : 9); /* 0.1 s after the last tick on which it was out */
			assert_true(s.verdict.allowed.brake_A > 0);
			look_at(&s, 0, 0);
			s.want.mode = DRIVE_OFF; /* and one that only paused goes on at once */
			look_at(&s, 0, 0);
			s.want.mode = (enum drive_mode)to;
			look_at(&s, 0, 0);
			assert_int_equal(s.verdict.allowed.mode, to);
		}
}

/* D2 */
static void set_points_are_clamped_in_each_mode(void **state)
{
	static const struct {
		enum drive_mode mode;
		double most;
	} rows[] = { { DRIVE_SPEED, 120 }, { DRIVE_CURRENT, 15 }, { DRIVE_TORQUE, 40 }, { DRIVE_POSITION, 100 } };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		for (int sign = -1; sign <= 1; sign += 2) {
			struct scene s;

			in_mode(&s, rows[i].mode);
			s.want.speed_rpm = rows[i].mode == DRIVE_SPEED ? sign * 1e9 : 7;
			s.want.drive_A = s.want.torque_Nm = s.want.angle_deg = sign * 1e9;
			look_at(&s, 0, 0);
			const struct wish *a = &s.verdict.allowed;
			assert_true(s.verdict.clamped);
			assert_int_equal(a->mode, rows[i].mode);
			assert_true(fabs(wish_set_point(a) - sign * rows[i].most) < 1e-9);
			double others = fabs(a->speed_rpm) + fabs(a->drive_A) + fabs(a->torque_Nm) + fabs(a->angle_deg);
			double own = rows[i].mode >= DRIVE_TORQUE ? 7 : 0; /* the limit that goes with it */
			assert_true(fabs(others - rows[i].most - own) < 1e-9);
		}
}

/* D2 */
static void nothing_goes_out_against_the_profiles_direction(void **state)
{
	(void)state;
	for (int mode = DRIVE_SPEED; mode < MODES; mode++)
		for (int way = -1; way <= 1; way += 2) {
			struct scene s;

			scene_begin(&s);
			s.limits.expect_direction = way;
			s.want = wish_of((enum drive_mode)mode);
			if (mode == DRIVE_SPEED)
				s.want.speed_rpm = 60 * -way;
			s.want.drive_A *= -way;
			s.want.torque_Nm *= -way;
			for (int i = 0; i < 50; i++)
				look_at(&s, 0, 0);
			assert_true(fabs(wish_set_point(&s.verdict.allowed)) <= 0);
			/* position turns back too: not at all where only one way is allowed */
			assert_int_equal(s.verdict.allowed.mode, mode == DRIVE_POSITION ? DRIVE_OFF : mode);
		}
}

/* D3 */
static void torque_and_position_need_a_speed_limit_that_is_watched(void **state)
{
	static const double bad_rpm[] = { 0, -5, NAN };

	(void)state;
	for (int mode = DRIVE_TORQUE; mode <= DRIVE_POSITION; mode++) {
		struct scene s;

		for (size_t i = 0; i < 3; i++) {
			in_mode(&s, (enum drive_mode)mode);
			s.want.speed_rpm = bad_rpm[i];
			look_at(&s, 0, 0);
			assert_int_equal(s.verdict.allowed.mode, DRIVE_OFF);
		}
		in_mode(&s, (enum drive_mode)mode);
		s.limits.expect_pick = false;
		look_at(&s, 0, 0);
		assert_int_equal(s.verdict.allowed.mode, DRIVE_OFF);
		in_mode(&s, (enum drive_mode)mode);
		s.want.speed_rpm = 1e9;
		look_at(&s, 0, 0);
		assert_true(fabs(s.verdict.allowed.speed_rpm - (mode == DRIVE_TORQUE ? 120 : 10)) < 1e-9);
	}
}

/* D3: a limit of 20 rpm (position: 5); by 1.25 and two standstill speeds more it is passed. */
static void a_drive_that_runs_away_is_stopped(void **state)
{
	(void)state;
	for (int mode = DRIVE_TORQUE; mode <= DRIVE_POSITION; mode++) {
		struct scene s;
		double most = mode == DRIVE_TORQUE ? 1.25 * 20 + 2 : 1.25 * 5 + 2;

		in_mode(&s, (enum drive_mode)mode);
		s.want.speed_rpm = mode == DRIVE_TORQUE ? 20 : 5;
		goes_on(&s, most, 0, 3);
		assert_true(fabs(ends_after_s(&s, most + 0.1, 0, CAUSE_OVERSPEED) - 0.26) < 0.015);
		assert_true(fabs(s.verdict.limit - s.want.speed_rpm) < 1e-9);
	}
	struct scene current;
	in_mode(&current, DRIVE_CURRENT); /* it has the rig's limit alone */
	goes_on(&current, 119, 0, 3);
	assert_true(ends_after_s(&current, 121, 0, CAUSE_OVERSPEED) < 0.015);
}

static void by_person(struct scene *s, double speed_rpm)
{
	scene_begin(s);
	s->limits.by_person = true;
	s->want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = speed_rpm, .power = true };
	for (int i = 0; i < 50; i++)
		look_at(s, 0, 0);
	assert_int_equal(s->verdict.cause, CAUSE_NONE);
}

/* D7: asked for 60 rpm, a quarter and two standstill speeds more, for 0.5 s. */
static void what_a_person_turns_up_is_stopped(void **state)
{
	struct scene s;

	(void)state;
	by_person(&s, 60);
	goes_on(&s, 1.25 * 60 + 1.9, 0, 3);
	assert_true(fabs(ends_after_s(&s, 1.25 * 60 + 2.1, 0, CAUSE_OVERSPEED) - 0.51) < 0.015);
	assert_true(fabs(s.verdict.limit - 60) < 1e-9);
	by_person(&s, 60);
	assert_true(ends_after_s(&s, NAN, 0, CAUSE_OVERSPEED) < 0.3); /* unknown: by the absolute limit */
	by_person(&s, 60);
	assert_true(ends_after_s(&s, -30, 0, CAUSE_WRONG_DIRECTION) < 0.3);
}

/* D7: the knob was not at 0 when the contactor closed. Without power a shaft may coast. */
static void a_shaft_that_starts_by_itself_is_stopped(void **state)
{
	struct scene s;

	(void)state;
	by_person(&s, 0);
	s.want.mode = DRIVE_OFF;
	goes_on(&s, 1.9, 0, 1);
	assert_true(fabs(ends_after_s(&s, 2.1, 0, CAUSE_OVERSPEED) - 0.51) < 0.015);
	by_person(&s, 60);
	s.want = (struct wish){ 0 };
	goes_on(&s, 50, 0, 0.05); /* the contactor is on its way */
	goes_on(&s, 50, 0, 3);
	assert_int_equal(s.verdict.cause, CAUSE_NONE);
}

/* D7: the drive says nothing, so that the contactor alone shows that it is off: a welded one ends not safe. */
static void only_the_contactor_shows_that_it_is_off(void **state)
{
	(void)state;
	for (int welded = 0; welded < 2; welded++) {
		struct scene s;

		by_person(&s, 60);
		goes_on(&s, 60, 0, 1);
		s.snap.operator_stop = true;
		for (double t_s = 0; t_s < 620 && !s.verdict.stopped; t_s += SCENE_TICK_S) {
			scene_obey(&s);
			s.snap.channel[CHANNEL_DRIVE] = (struct channel){ .age_s = INFINITY };
			s.snap.contactor_closed |= welded != 0;
			s.snap.speed_rpm = fmax(0, 60 - 120 * t_s);
			scene_judge(&s);
		}
		assert_true(s.verdict.stopped);
		assert_int_equal(s.verdict.missing & (GUARD_CONTACTOR | GUARD_DRIVE),
				 welded ? GUARD_CONTACTOR | GUARD_DRIVE : 0);
	}
}

/* D4: where both ways are allowed, the set-point says which. */
static void each_mode_says_which_way_to_turn(void **state)
{
	(void)state;
	for (int mode = DRIVE_SPEED; mode < MODES; mode++)
		for (int sign = -1; sign <= 1; sign += 2) {
			struct scene s;

			in_mode(&s, (enum drive_mode)mode);
			if (mode == DRIVE_SPEED)
				s.want.speed_rpm *= sign;
			s.want.drive_A *= sign;
			s.want.torque_Nm *= sign;
			s.want.angle_deg *= sign;
			goes_on(&s, 4 * sign, 0, 0.5);
			double t_s = ends_after_s(&s, -4 * sign, 0, CAUSE_WRONG_DIRECTION);
			assert_true(t_s > 2 && t_s < 2.3); /* not faster and not slower: as one that turns round */
		}
	struct scene there; /* at its angle either way is right */
	in_mode(&there, DRIVE_POSITION);
	there.snap.angle_rev = 42.0 / 360;
	goes_on(&there, 2, 0, 3);
	goes_on(&there, -2, 0, 3);
}

/* D5: in torque mode standing is the purpose; how long it may is the run's. */
static void standing_under_torque_has_a_time_of_its_own_in_torque_mode(void **state)
{
	static const double allowed_s[MODES] = { 0, 2, 2, 5, 2 };

	(void)state;
	for (int mode = DRIVE_SPEED; mode < MODES; mode++) {
		struct scene s;

		in_mode(&s, (enum drive_mode)mode);
		double t_s = ends_after_s(&s, 0, 10, CAUSE_STALL);
		assert_true(fabs(t_s - allowed_s[mode]) < 0.05);
		assert_true(fabs(s.verdict.limit - allowed_s[mode]) < 1e-9);
	}
}

/* D6 */
static void the_shaft_goes_no_farther_than_the_run_allows(void **state)
{
	(void)state;
	for (int mode = DRIVE_SPEED; mode < MODES; mode++) {
		struct scene s;

		in_mode(&s, (enum drive_mode)mode);
		s.snap.angle_rev = 100.0 / 360;
		goes_on(&s, 0, 0, 0.5);
		s.snap.angle_rev = 100.1 / 360;
		look_at(&s, 0, 0);
		assert_int_equal(s.verdict.cause, CAUSE_TRAVEL);
	}
	/* begun again after 30 degrees, a set-point has 70 left forwards and 130 backwards */
	struct scene s;
	in_mode(&s, DRIVE_POSITION);
	s.snap.angle_rev = 30.0 / 360;
	s.want.mode = DRIVE_OFF;
	goes_on(&s, 0, 0, 0.2);
	s.want = wish_of(DRIVE_POSITION);
	s.want.angle_deg = 500;
	look_at(&s, 0, 0);
	assert_true(fabs(s.verdict.allowed.angle_deg - 70) < 1e-9);
	s.want.angle_deg = -500;
	look_at(&s, 0, 0);
	assert_true(fabs(s.verdict.allowed.angle_deg + 130) < 1e-9);
	/* no travel stated: no position mode */
	in_mode(&s, DRIVE_POSITION);
	s.limits.travel_deg = 0;
	look_at(&s, 0, 0);
	assert_int_equal(s.verdict.allowed.mode, DRIVE_OFF);
	assert_int_equal(s.verdict.cause, CAUSE_NONE);
}

/* I8 in each mode. */
static void a_set_point_that_is_not_a_number_is_off(void **state)
{
	(void)state;
	for (int mode = DRIVE_SPEED; mode < MODES; mode++) {
		struct scene s;

		in_mode(&s, (enum drive_mode)mode);
		if (mode == DRIVE_SPEED)
			s.want.speed_rpm = NAN;
		s.want.drive_A = s.want.torque_Nm = s.want.angle_deg = NAN;
		look_at(&s, 0, 0);
		assert_int_equal(s.verdict.allowed.mode, DRIVE_OFF);
		assert_true(s.verdict.clamped);
	}
}

/* I7: a number that no mode has (a word that was read wrong) drives nothing. */
static void a_mode_that_is_none_is_off(void **state)
{
	struct scene s;

	(void)state;
	scene_begin(&s);
	s.want = wish_of(DRIVE_SPEED);
	s.want.mode = (enum drive_mode)MODES;
	for (int i = 0; i < 50; i++) {
		look_at(&s, 0, 0);
		assert_int_equal(s.verdict.allowed.mode, DRIVE_OFF);
		assert_true(s.verdict.allowed.speed_rpm <= 0 && s.verdict.allowed.speed_rpm >= 0);
	}
	assert_true(s.verdict.clamped);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(one_mode_becomes_another_through_off),
		cmocka_unit_test(set_points_are_clamped_in_each_mode),
		cmocka_unit_test(nothing_goes_out_against_the_profiles_direction),
		cmocka_unit_test(torque_and_position_need_a_speed_limit_that_is_watched),
		cmocka_unit_test(a_drive_that_runs_away_is_stopped),
		cmocka_unit_test(what_a_person_turns_up_is_stopped),
		cmocka_unit_test(a_shaft_that_starts_by_itself_is_stopped),
		cmocka_unit_test(only_the_contactor_shows_that_it_is_off),
		cmocka_unit_test(each_mode_says_which_way_to_turn),
		cmocka_unit_test(standing_under_torque_has_a_time_of_its_own_in_torque_mode),
		cmocka_unit_test(the_shaft_goes_no_farther_than_the_run_allows),
		cmocka_unit_test(a_set_point_that_is_not_a_number_is_off),
		cmocka_unit_test(a_mode_that_is_none_is_off),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
