/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A rig in good order for the guard's tests: what is read follows what was allowed, at once. */
#ifndef BRIDLE_TESTS_GUARD_SCENE_H
#define BRIDLE_TESTS_GUARD_SCENE_H

#include "guard/guard.h"

#include <math.h>
#include <string.h>

#define SCENE_TICK_S 0.01

/* Versions of clang-format draw braces in a macro differently. */
/* clang-format off */
#define SCENE_STALE \
	{ \
		[CHANNEL_CELL] = 0.5, [CHANNEL_TURN] = INFINITY, [CHANNEL_BRAKE] = INFINITY, [CHANNEL_VOLTAGE] = 1, \
		[CHANNEL_CURRENT] = 1, [CHANNEL_DRIVE] = 2, [CHANNEL_STATE] = 2, [CHANNEL_ESTOP] = 2, \
		[CHANNEL_CAGE] = 2, [CHANNEL_CONTACTOR] = 2, [CHANNEL_TEMP] = 2, [CHANNEL_TEMP + 1] = 2, \
		[CHANNEL_TEMP + 2] = 2, [CHANNEL_TEMP + 3] = 2, [CHANNEL_TEMP + 4] = 2 \
	}
/* clang-format on */

struct scene {
	struct guard guard;
	struct guard_limits limits;
	struct snapshot snap;
	struct wish want;
	struct guard_verdict verdict;
};

static inline struct guard_limits scene_limits(void)
{
	return (struct guard_limits){
		.tick_s = SCENE_TICK_S,
		.torque_Nm = 40,
		.speed_rpm = 120,
		.drive_A = 15,
		.brake_A = 1.0,
		.hold_brake_A = 0.8,
		.slip_power_W = 100,
		.slip_power_short_W = 300,
		.slip_energy_J = 2000,
		.brake_hot_degC = 90,
		.actuator_hot_degC = 80,
		.winding_hot_degC = 120,
		.voltage_min_V = 20,
		.voltage_max_V = 30,
		.stall_s = 2,
		.stand_s = 5,
		.slow_rpm = 10,
		.travel_deg = 3600000,
		.stall_torque_Nm = 4,
		.standstill_rpm = 1,
		.gear_ratio = 36,
		.silent_s = 0.15,
		.warden_s = 0.1,
		.stale_s = SCENE_STALE,
		.cell_frozen_s = 0.5,
		.brake_follow_A = 0.1,
		.brake_follow_s = 0.5,
		.late_s = 0.05,
		.late_n = 10,
		.contactor_s = 0.3,
		.stop_hold_s = 8,
		.osc_rpm = 10,
		.osc_Nm = 5,
		.osc_cycles = 6,
		.expect_direction = 1,
		.expect_cell = true,
		.expect_pick = true,
		.expect_lines = LINES_ALL,
		.sign_Nm = 1,
		.expect_meter = true,
	};
}

static const uint8_t scene_slow[] = { CHANNEL_STATE,     CHANNEL_DRIVE,   CHANNEL_ESTOP,    CHANNEL_CAGE,
				      CHANNEL_CONTACTOR, CHANNEL_TEMP,    CHANNEL_TEMP + 1, CHANNEL_TEMP + 2,
				      CHANNEL_TEMP + 3,  CHANNEL_TEMP + 4 };

/* What the node's slow samples tell. */
static inline void scene_slow_age(struct snapshot *snap, double age_s)
{
	for (size_t i = 0; i < sizeof scene_slow; i++)
		snap->channel[scene_slow[i]].age_s = age_s;
}

static inline void scene_lines_told(struct snapshot *snap, bool told)
{
	for (int c = CHANNEL_ESTOP; c <= CHANNEL_CONTACTOR; c++)
		snap->channel[c].fresh = told;
}

static inline void scene_saturated(struct snapshot *snap, bool saturated)
{
	snap->channel[CHANNEL_CELL].quality = saturated ? QUALITY_SATURATED : QUALITY_GOOD;
}

/* Everything known and good, nothing energised, the shaft stands. */
static inline struct snapshot scene_snapshot(void)
{
	struct snapshot snap = {
		.now = { 1000000000 },
		.sample_total = 100,
		.sample_age_s = 0.005,
		.cell_count = 1000,
		.indication = 0,
		.torque_Nm = 0,
		.speed_rpm = 0,
		.brake_A = 0,
		.voltage_V = 24,
		.current_A = 0,
		.estop_ok = true,
		.cage_closed = true,
		.node_state = NODE_IDLE,
		.node_reason = "none",
		.drive_rotor_rpm = 0,
		.drive_A = 0,
		.temp_degC = { 25, 25, 25, 22 },
	};

	for (int i = 0; i < CHANNEL_COUNT; i++)
		snap.channel[i] = (struct channel){ .age_s = 0.005, .fresh = 5, .quality = QUALITY_GOOD };
	snap.channel[CHANNEL_CELL] = (struct channel){ .age_s = 0.01, .fresh = 80, .quality = QUALITY_GOOD };
	scene_slow_age(&snap, 0.1);
	return snap;
}

static inline void scene_begin(struct scene *s)
{
	memset(s, 0, sizeof *s);
	s->limits = scene_limits();
	s->snap = scene_snapshot();
}

/* The next look: time goes on, the rig has obeyed. */
static inline void scene_obey(struct scene *s)
{
	const struct wish *allowed = &s->verdict.allowed;
	bool drives = allowed->mode != DRIVE_OFF;

	s->snap.now.ns += 10000000;
	s->snap.channel[CHANNEL_CELL].fresh++;
	s->snap.brake_A = allowed->brake_A;
	s->snap.contactor_closed = allowed->power;
	s->snap.node_state = drives || allowed->brake_A > 0 ? NODE_LIVE : NODE_IDLE;
	s->snap.speed_rpm = drives ? 60 : 0;
	s->snap.drive_rotor_rpm = NAN; /* a drive that tells nothing, unless a test says otherwise */
	s->snap.torque_Nm = drives ? 20 * allowed->brake_A : 0;
	s->snap.drive_flags = drives ? DRIVE_ENABLED : 0;
}

/* 2400 pulses a turn, as fast as the shaft is said to turn. */
static inline void scene_judge(struct scene *s)
{
	if (fabs(s->snap.speed_rpm) > 0)
		s->snap.edge_rpm = s->snap.speed_rpm;
	if (isfinite(s->snap.speed_rpm))
		s->snap.pulses += lround(s->snap.speed_rpm / 60 * 2400 * SCENE_TICK_S);
	s->guard = guard_step(s->guard, &s->limits, &s->snap, &s->want, &s->verdict);
}

static inline void scene_step(struct scene *s)
{
	scene_obey(s);
	scene_judge(s);
}

static inline void scene_run_s(struct scene *s, double time_s)
{
	for (long n = lround(time_s / SCENE_TICK_S); n > 0; n--)
		scene_step(s);
}

/* Two seconds into a run at 60 rev/min, 10 N m, 0.5 A. */
static inline void scene_running(struct scene *s)
{
	scene_begin(s);
	s->want = (struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 60, .brake_A = 0.5, .power = true };
	scene_run_s(s, 2);
}

#endif
