/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Expected values: by hand from the profile's figures below, docs/method.md and docs/invariants.md (I2, I15). */
#include "run/session.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>

#include <cmocka.h>

#include "tests/unit/near.h"

/* 50 N·m at 1.2 A by the rating; limits 45 N·m, coupling 60 N·m, cell 100 N·m. */
static struct session *session(void)
{
	struct session *s = calloc(1, sizeof *s);

	assert_non_null(s);
	s->rig = (struct rig_profile){ .rate_Hz = 100,
				       .brake_max_A = 1.2,
				       .brake_rated_Nm = 50,
				       .limit_torque_Nm = 45,
				       .limit_speed_rpm = 150,
				       .coupling_Nm = 60,
				       .cell_full_scale_Nm = 100,
				       .cell_stale_s = 0.25,
				       .silent_s = 0.15,
				       .stop_hold_s = 8 };
	s->n_instruments = 1;
	s->instrument[0] = (struct instrument){
		.name = "the node", .roles = ROLE_ALL, .lines = LINE_ESTOP | LINE_CONTACTOR, .stale_s = INFINITY
	};
	return s;
}

static struct guard_limits limits(const struct session *s)
{
	struct guard_limits l;

	session_guard_limits(s, &l);
	return l;
}

/* 0.5 N·m and 25 N·m/A up to 1 A, 0.6 N·m more falling. */
static void give_map(struct session *s)
{
	struct brakemap_reading r[22];
	size_t n = 0;

	for (int i = 0; i <= 10; i++)
		for (int b = 0; b < 2; b++)
			r[n++] = (struct brakemap_reading){ .current_A = i / 10.0,
							    .torque_Nm = 0.5 + 2.5 * i + b * (i < 10 ? 0.6 : 0),
							    .u_torque_Nm = 0.01,
							    .slip_rpm = 60,
							    .branch = b ? BRAKEMAP_FALLING : BRAKEMAP_RISING };
	assert_int_equal(brakemap_fit(r, n, &s->map, NULL), RC_OK);
	s->map_id = 1;
}

/* I2: a stop may hold 80 % of the weakest of cell, coupling and limits: by the rating until there is a map, by the
 * map's rising branch then, never more than the coil's largest current. */
static void what_a_stop_may_hold(void **state)
{
	struct session *s = session();

	(void)state;
	assert_near(limits(s).hold_brake_A, 0.8 * 45 / 50 * 1.2, 1e-9);
	s->rig.coupling_Nm = 20;
	assert_near(limits(s).hold_brake_A, 0.8 * 20 / 50 * 1.2, 1e-9);
	s->rig.cell_full_scale_Nm = 10;
	assert_near(limits(s).hold_brake_A, 0.8 * 10 / 50 * 1.2, 1e-9);
	s->has_actuator = true;
	s->actuator.limit_torque_Nm = 5;
	assert_near(limits(s).hold_brake_A, 0.8 * 5 / 50 * 1.2, 1e-9);
	give_map(s);
	s->actuator.limit_torque_Nm = 20;
	s->rig.coupling_Nm = s->rig.cell_full_scale_Nm = 60; /* 16 N·m: 0.62 A */
	assert_near(limits(s).hold_brake_A, 0.62, 0.02);
	s->actuator.limit_torque_Nm = s->rig.limit_torque_Nm = 60; /* 48 N·m: beyond the map's 1 A, so all there is */
	s->rig.brake_max_A = 0.9;
	assert_near(limits(s).hold_brake_A, 0.9, 1e-9);
	free(s);
}

/* Where two speak of the same thing the smaller holds; one that says 0 says nothing. */
static void the_smaller_limit_holds(void **state)
{
	struct session *s = session();

	(void)state;
	assert_near(limits(s).torque_Nm, 45, 0);
	assert_near(limits(s).speed_rpm, 150, 0);
	assert_near(limits(s).inertia_kgm2, 0, 0);
	s->rig.inertia_kgm2 = (struct quantity){ .value = 0.3, .u = 0.05, .has_u = true };
	assert_near(limits(s).inertia_kgm2, 0.2, 1e-12); /* k = 2: the one that stops soonest */
	s->rig.inertia_kgm2.u = 0.2;
	assert_near(limits(s).inertia_kgm2, 0, 0);
	assert_near(limits(s).drive_A, 0, 0); /* no actuator: no current may be asked for */
	assert_int_equal(limits(s).expect_direction, 0);
	assert_true(isinf(limits(s).actuator_hot_degC) && isinf(limits(s).winding_hot_degC));
	s->has_actuator = true;
	s->actuator = (struct actuator_profile){ .limit_torque_Nm = 30,
						 .limit_speed_rpm = 90,
						 .limit_current_A = 15,
						 .gear_ratio = 36,
						 .case_hot_degC = 80,
						 .winding_hot_degC = 120 };
	struct guard_limits l = limits(s);
	assert_near(l.torque_Nm, 30, 0);
	assert_near(l.speed_rpm, 90, 0);
	assert_near(l.drive_A, 15, 0);
	assert_near(l.gear_ratio, 36, 0);
	assert_near(l.actuator_hot_degC, 80, 0);
	assert_near(l.winding_hot_degC, 120, 0);
	assert_near(l.stall_torque_Nm, 3, 1e-9); /* a tenth of the largest torque */
	assert_near(l.sign_Nm, 1, 1e-9);         /* a hundredth of the cell is more than 2 % of 30 N·m */
	assert_int_equal(l.expect_direction, 1);
	s->rig.coupling_Nm = 0; /* not stated */
	s->rig.cell_full_scale_Nm = 20;
	s->actuator.limit_speed_rpm = 0;
	assert_near(limits(s).torque_Nm, 20, 0);
	assert_near(limits(s).speed_rpm, 150, 0);
	assert_near(limits(s).sign_Nm, 0.4, 1e-9); /* 2 % of 20 N·m */
	free(s);
}

/* I15, I15a: ten slow samples, five a second; the cell as the profile says; what fast samples tell is watched whole;
 * a meter of its own as its instrument says. */
static void how_long_a_channel_is_believed(void **state)
{
	struct session *s = session();

	(void)state;
	struct guard_limits l = limits(s);
	assert_int_equal(session_slow_every(&s->rig), 20);
	assert_near(l.tick_s, 0.01, 1e-12);
	assert_near(l.stale_s[CHANNEL_CELL], 0.25, 0);
	assert_true(isinf(l.stale_s[CHANNEL_TURN]) && isinf(l.stale_s[CHANNEL_BRAKE]));
	assert_true(isinf(l.stale_s[CHANNEL_VOLTAGE]) && isinf(l.stale_s[CHANNEL_CURRENT]));
	for (int c = CHANNEL_DRIVE; c < CHANNEL_COUNT; c++)
		assert_near(l.stale_s[c], 2, 1e-9);
	assert_near(l.late_s, 0.05, 1e-9);
	assert_near(l.cell_frozen_s, 0.5, 0); /* docs/NEWS.md */
	s->rig.rate_Hz = 50;
	assert_near(limits(s).late_s, 0.1, 1e-9); /* five periods */
	s->rig.rate_Hz = 2;
	assert_int_equal(session_slow_every(&s->rig), 1); /* never 0: a fast sample each */
	s->instrument[0].roles = ROLE_ALL & ~(unsigned)ROLE_METER;
	s->instrument[1] = (struct instrument){ .name = "supply psu", .roles = ROLE_METER, .stale_s = 1.25 };
	assert_false(limits(s).expect_meter);
	s->n_instruments = 2;
	l = limits(s);
	assert_true(l.expect_meter);
	assert_near(l.stale_s[CHANNEL_VOLTAGE], 1.25, 0);
	assert_near(l.stale_s[CHANNEL_CURRENT], 1.25, 0);
	s->instrument[0].roles &= ~(unsigned)ROLE_CELL;
	s->instrument[1] = (struct instrument){ .name = "indicator", .roles = ROLE_CELL, .stale_s = 1 };
	assert_near(limits(s).stale_s[CHANNEL_CELL], 1, 0); /* the longer of the two: it is slower than a converter */
	s->instrument[1].stale_s = 0.1;
	assert_near(limits(s).stale_s[CHANNEL_CELL], 0.25, 0);
	free(s);
}

/* What the rig has is expected, what it does not have is no cause (I22). */
static void what_the_rig_has_is_expected(void **state)
{
	struct session *s = session();

	(void)state;
	struct guard_limits l = limits(s);
	assert_true(l.expect_pick && l.expect_meter && !l.expect_cell && !l.pick_no_direction);
	assert_int_equal(l.expect_lines, LINE_ESTOP | LINE_CONTACTOR);
	s->calibration_id = 3;
	s->instrument[0].no_direction = true;
	assert_true(limits(s).expect_cell && limits(s).pick_no_direction);
	s->instrument[0].roles = ROLE_CELL;
	l = limits(s);
	assert_false(l.expect_pick || l.expect_meter || l.pick_no_direction);
	assert_int_equal(l.expect_lines, 0);
	free(s);
}

/* Without a torque that it may hold, a stop holds with all that there is: less would let a shaft go. */
static void a_stop_without_a_limit_holds_with_all(void **state)
{
	struct session *s = session();

	(void)state;
	s->rig.limit_torque_Nm = 0;
	assert_near(limits(s).hold_brake_A, 1.2, 0);
	s->rig.limit_torque_Nm = NAN;
	assert_near(limits(s).hold_brake_A, 1.2, 0);
	s->rig.limit_torque_Nm = 100;
	s->rig.coupling_Nm = 100; /* 80 N·m: more than the brake has */
	assert_near(limits(s).hold_brake_A, 1.2, 0);
	free(s);
}

/* What an instrument beside the node tells is believed as long as it says, and watched by itself. */
static void what_is_beside_the_node_is_watched_by_itself(void **state)
{
	struct session *s = session();

	(void)state;
	assert_true(isinf(limits(s).warden_s));
	assert_false(limits(s).expect_brake);
	s->rig.warden_silence_s = 0.2;
	assert_near(limits(s).warden_s, 0.2, 0);
	s->n_instruments = 2;
	s->instrument[0].roles = ROLE_ALL & ~(unsigned)(ROLE_CELL | ROLE_TEMP | ROLE_BRAKE | ROLE_CURRENT);
	s->instrument[1] = (struct instrument){ .name = "beside", .roles = ROLE_TEMP | ROLE_BRAKE, .stale_s = 3 };
	struct guard_limits l = limits(s);
	assert_true(l.expect_brake && !l.expect_meter); /* voltage alone is no power */
	assert_near(l.stale_s[CHANNEL_TEMP], 3, 0);
	assert_near(l.stale_s[CHANNEL_BRAKE], 3, 0);
	assert_near(l.stale_s[CHANNEL_CELL], 0.25, 0); /* nobody has one: the profile's */
	s->instrument[1].roles = ROLE_BRAKE;
	assert_near(limits(s).stale_s[CHANNEL_TEMP], 2, 1e-9);
	free(s);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_a_stop_may_hold),
		cmocka_unit_test(the_smaller_limit_holds),
		cmocka_unit_test(how_long_a_channel_is_believed),
		cmocka_unit_test(what_the_rig_has_is_expected),
		cmocka_unit_test(a_stop_without_a_limit_holds_with_all),
		cmocka_unit_test(what_is_beside_the_node_is_watched_by_itself),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
