/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The space that explore.c walks: what a tick may read and what may be wanted, each as one of a few values, and a
 * guard as a key of a few bytes.
 *
 * A tick is a second, so each of the guard's times is a few ticks; the filters whose time constants are shorter (short
 * slip power, the brake's answer) then remember nothing and leave the key, as do the bins of the mean power, which is
 * not judged where a slip energy is stated. The angle is told from where the shaft was first loaded, which is then no
 * part of the key either; two modes are a tick apart, longer than they have to be. Slip power is 0, 50, 150 or 600 W
 * against 100 W of cooling: heat lies on a grid of 50 J. Not in the key either: what only tells (values, channel,
 * cause), and the watches' times once a stop has begun, since no line reads them then. Times that only grow are capped
 * where nothing asks further. explore.c steps guard and key beside each other over random inputs to see that nothing of
 * this changes what goes out. */
#ifndef BRIDLE_TESTS_EXPLORE_SPACE_H
#define BRIDLE_TESTS_EXPLORE_SPACE_H

#include "calib/number/units.h"
#include "guard/guard.h"

#include <math.h>
#include <stdbool.h>
#include <stdint.h>
#include <string.h>

#define SPACE_TICK_S 1.0
#define SPACE_HOLD_S 3.0
#define SPACE_JUMP_S 700.0
#define SPACE_HEAT_J 50.0
#define SPACE_FRESH 5 /* readings of the drive at the tick before */
#define SPACE_NOW_NS 10000000000000

enum field {
	F_WISH,
	F_MOTION,
	F_ROTOR,
	F_CONTACTOR,
	F_DRIVE,
	F_DATA,
	F_SLOW,
	F_STATE,
	F_TORQUE,
	F_TEMP,
	F_CELL,
	F_BRAKE,
	F_LINES,
	F_VOLTS,
	F_METER,
	F_EVENT,
	F_ANGLE,
	F_TIME,
	FIELDS
};

/* The first of each is what a rig in good order shows: it does what was allowed. */
#define FIELD_MOST 12
static const struct {
	const char *name, *value[FIELD_MOST];
} space_field[FIELDS] = {
	[F_WISH] = { "wanted",
		     { "nothing", "power", "drive", "drive and brake", "brake", "current and brake", "backwards",
		       "not a number", "drive without power", "torque and brake", "position",
		       "torque without limit" } },
	[F_MOTION] = { "shaft",
		       { "as driven", "stands", "turns", "turns slowly", "turns backwards", "too fast", "unknown",
			 "creeps", "pulses to and fro" } },
	[F_ROTOR] = { "rotor", { "as the shaft", "says it stands", "says it turns", "unknown", "told no more" } },
	[F_CONTACTOR] = { "contactor", { "follows", "does not follow" } },
	[F_DRIVE] = { "drive", { "as commanded", "enabled", "off", "unheard", "fault", "undervoltage" } },
	[F_DATA] = { "fast data", { "fresh", "silent", "link lost", "node restarted", "none yet" } },
	[F_SLOW] = { "slow data", { "fresh", "old", "never told" } },
	[F_STATE] = { "node",
		      { "as commanded", "stopping, no reason", "safe: lease", "safe: estop", "safe: guard",
			"safe: contactor", "unknown" } },
	[F_TORQUE] = { "torque", { "as braked", "hot", "too much", "unknown", "the other way" } },
	[F_TEMP] = { "temperature",
		     { "cool", "brake hot", "case hot", "winding hot", "brake unknown", "case unknown" } },
	[F_CELL] = { "cell", { "good", "saturated", "stale", "frozen", "never told" } },
	[F_BRAKE] = { "brake current", { "follows", "none", "all", "unknown" } },
	[F_LINES] = { "lines", { "good", "emergency stop", "guard open", "both" } },
	[F_VOLTS] = { "voltage", { "good", "low", "high", "unknown" } },
	[F_METER] = { "meter", { "fresh", "old" } },
	[F_EVENT] = { "else",
		      { "nothing", "operator", "logbook", "sequence", "slept", "late", "very late", "warden silent" } },
	[F_TIME] = { "time", { "one tick", "700 s" } },
	[F_ANGLE] = { "angle", { "within the travel", "beyond", "unknown" } },
};

struct input {
	uint8_t at[FIELDS];
};

static inline unsigned space_values(enum field f)
{
	unsigned n = 0;

	while (n < FIELD_MOST && space_field[f].value[n])
		n++;
	return n;
}

static inline struct guard_limits space_limits(void)
{
	struct guard_limits l = {
		.tick_s = SPACE_TICK_S,
		.torque_Nm = 40,
		.speed_rpm = 120,
		.drive_A = 15,
		.brake_A = 1,
		.hold_brake_A = 0.8,
		.slip_power_W = 100,
		.slip_power_short_W = 300,
		.slip_energy_J = 60,
		.brake_hot_degC = 90,
		.actuator_hot_degC = 80,
		.winding_hot_degC = 120,
		.voltage_min_V = 20,
		.voltage_max_V = 30,
		.stall_s = 1.2,
		.stand_s = 0.5,
		.slow_rpm = 10,
		.travel_deg = 90,
		.stall_torque_Nm = 4,
		.standstill_rpm = 1,
		.sign_Nm = 1,
		.gear_ratio = 36,
		.silent_s = 0.15,
		.warden_s = 0.1,
		.cell_frozen_s = 0.5,
		.brake_follow_A = 0.1,
		.brake_follow_s = 0.001,
		.late_s = 2,
		.late_n = 2,
		.contactor_s = 1.2,
		.stop_hold_s = SPACE_HOLD_S,
		.expect_direction = 1,
		.expect_cell = true,
		.expect_pick = true,
		.expect_meter = true,
		.expect_lines = LINES_ALL,
	};

	for (int c = 0; c < CHANNEL_COUNT; c++)
		l.stale_s[c] = 2;
	return l;
}

static inline struct wish space_wish(const struct input *in)
{
	static const struct wish wish[] = {
		{ 0 },
		{ .power = true },
		{ .power = true, .mode = DRIVE_SPEED, .speed_rpm = 60 },
		{ .power = true, .mode = DRIVE_SPEED, .speed_rpm = 60, .brake_A = 0.5 },
		{ .brake_A = 0.5 },
		{ .power = true, .mode = DRIVE_CURRENT, .drive_A = 99, .brake_A = 5 },
		{ .power = true, .mode = DRIVE_SPEED, .speed_rpm = -60, .brake_A = 0.04 },
		{ .power = true, .mode = DRIVE_SPEED, .speed_rpm = NAN, .brake_A = NAN },
		{ .power = false, .mode = DRIVE_SPEED, .speed_rpm = 500, .brake_A = 0.5 },
		{ .power = true, .mode = DRIVE_TORQUE, .torque_Nm = 99, .speed_rpm = 40, .brake_A = 0.5 },
		{ .power = true, .mode = DRIVE_POSITION, .angle_deg = 99, .speed_rpm = 20, .brake_A = 0.5 },
		{ .power = true, .mode = DRIVE_TORQUE, .torque_Nm = 8, .brake_A = 0.5 },
	};

	return wish[in->at[F_WISH]];
}

static inline double space_speed_rpm(const struct guard *g, const struct input *in)
{
	static const double rpm[] = { 0, 0, 60, 40, -60, 125, NAN, 0.5, 0 };
	bool driven = in->at[F_MOTION] == 0 && g->last.mode != DRIVE_OFF;

	if (driven && g->last.mode != DRIVE_CURRENT)
		return g->last.speed_rpm;
	return driven ? 60 : rpm[in->at[F_MOTION]];
}

/* By slip power, so that heat stays on its grid. */
static inline double space_torque_Nm(const struct guard *g, const struct input *in, double rpm)
{
	static const double slip_W[] = { 50, 150, 600, NAN, -50 };
	double rad_per_s = rpm * (3.14159265358979323846 / 30);

	if (in->at[F_TORQUE] == 0 && !(g->last.brake_A > 0))
		return 0;
	if (isnan(rad_per_s) || fabs(rad_per_s) < 1)
		return in->at[F_TORQUE] == 2                       ? 50
		       : in->at[F_TORQUE] == 3                     ? NAN
		       : in->at[F_TORQUE] == 1 && !(fabs(rpm) > 0) ? 8
								   : 0;
	return slip_W[in->at[F_TORQUE]] / rad_per_s;
}

static inline void space_node(const struct guard *g, const struct input *in, struct snapshot *s)
{
	static const enum node_state state[] = { NODE_IDLE, NODE_STOPPING, NODE_SAFE,   NODE_SAFE,
						 NODE_SAFE, NODE_SAFE,     NODE_UNKNOWN };
	static const char *const reason[] = { "none", "none", "lease", "estop", "guard", "contactor", "" };
	bool live = g->last.mode != DRIVE_OFF || g->last.brake_A > 0;

	s->node_state = in->at[F_STATE] == 0 && live ? NODE_LIVE : state[in->at[F_STATE]];
	strcpy(s->node_reason, reason[in->at[F_STATE]]);
}

static inline void space_drive(const struct guard *g, const struct input *in, double rpm, struct snapshot *s)
{
	const unsigned flags[] = { g->last.mode != DRIVE_OFF ? DRIVE_ENABLED : 0,
				   DRIVE_ENABLED,
				   0,
				   DRIVE_UNHEARD,
				   DRIVE_FAULT,
				   DRIVE_UNDERVOLTAGE };
	double as_shaft = isnan(rpm) ? NAN : fabs(rpm) < 1 ? 0 : rpm > 0 ? 2160 : -2160;
	const double rotor[] = { as_shaft, 0, 2160, NAN, g->rotor_rpm };

	s->drive_flags = flags[in->at[F_DRIVE]];
	s->drive_rotor_rpm = rotor[in->at[F_ROTOR]];
	s->channel[CHANNEL_DRIVE].fresh = in->at[F_ROTOR] == 4 ? SPACE_FRESH : SPACE_FRESH + 1;
}

static inline void space_temps(const struct input *in, struct snapshot *s)
{
	static const double hot[TEMP_COUNT] = { 100, 90, 130, 22 };

	for (int i = 0; i < TEMP_COUNT; i++)
		s->temp_degC[i] = in->at[F_TEMP] == i + 1 && i < 3 ? hot[i] : 25;
	if (in->at[F_TEMP] >= 4)
		s->temp_degC[in->at[F_TEMP] - 4] = NAN;
}

static inline void space_slow(const struct input *in, struct snapshot *s)
{
	for (int c = CHANNEL_DRIVE; c < CHANNEL_COUNT; c++) {
		s->channel[c].age_s = in->at[F_SLOW] == 1 ? 5 : in->at[F_SLOW] == 2 ? INFINITY : 0.1;
		if (in->at[F_SLOW] == 2)
			s->channel[c].fresh = 0;
	}
	if (in->at[F_SLOW] == 2)
		s->node_state = NODE_UNKNOWN;
}

static inline void space_events(const struct input *in, struct snapshot *s)
{
	static const int64_t late_ns[] = { 0, 0, 0, 0, 0, 1200000000, 3000000000, 0 };

	s->operator_stop = in->at[F_EVENT] == 1;
	s->log_failed = in->at[F_EVENT] == 2;
	s->sequence_stop = in->at[F_EVENT] == 3;
	s->slept_ns = in->at[F_EVENT] == 4 ? 5000000000 : 0;
	s->late_ns = late_ns[in->at[F_EVENT]];
	s->warden_age_s = in->at[F_EVENT] == 7 ? 1 : 0.01;
}

/* What is read on the tick after g. */
static inline struct snapshot space_snapshot(const struct guard *g, const struct input *in)
{
	static const double volts[] = { 24, 10, 40, NAN };
	const double brake[] = { g->last.brake_A, 0, 1, NAN };
	const double turned_deg[] = { 0, 120, NAN };
	double rpm = space_speed_rpm(g, in);
	struct snapshot s = {
		.now = { g->last_now.ns + ns_from_s(in->at[F_TIME] ? SPACE_JUMP_S : SPACE_TICK_S) },
		.sample_total = in->at[F_DATA] == 4 ? 0 : 100,
		.sample_age_s = in->at[F_DATA] == 4   ? INFINITY
				: in->at[F_DATA] == 1 ? 1
						      : 0.005,
		.node_lost = in->at[F_DATA] == 2,
		.node_reset = in->at[F_DATA] == 3,
		.speed_rpm = rpm,
		.angle_rev = (g->drive.origin_deg + turned_deg[in->at[F_ANGLE]]) / 360,
		.pulses = g->pulses + (fabs(rpm) > 0 ? 25 : 0),
		.edge_time_s = g->edge_time_s + (fabs(rpm) > 0 || in->at[F_MOTION] == 8),
		.edge_rpm = rpm,
		.torque_Nm = in->at[F_CELL] == 4 ? NAN : space_torque_Nm(g, in, rpm),
		.cell_same = in->at[F_CELL] == 3 ? 100 : 1,
		.cell_same_s = in->at[F_CELL] == 3 ? 1 : 0,
		.brake_A = brake[in->at[F_BRAKE]],
		.voltage_V = volts[in->at[F_VOLTS]],
		.current_A = 1,
		.estop_ok = !(in->at[F_LINES] & 1),
		.cage_closed = !(in->at[F_LINES] & 2),
		.contactor_closed = g->last.power != (in->at[F_CONTACTOR] == 1),
	};

	for (int c = 0; c < CHANNEL_COUNT; c++)
		s.channel[c] = (struct channel){ .age_s = 0.1, .fresh = SPACE_FRESH, .quality = QUALITY_GOOD };
	s.channel[CHANNEL_CELL].fresh = g->sign_fresh + 1;
	if (in->at[F_CELL] == 1)
		s.channel[CHANNEL_CELL].quality = QUALITY_SATURATED;
	if (in->at[F_CELL] == 4)
		s.channel[CHANNEL_CELL].fresh = 0;
	if (in->at[F_CELL] == 2)
		s.channel[CHANNEL_CELL].age_s = 5;
	if (in->at[F_METER] == 1)
		s.channel[CHANNEL_VOLTAGE].age_s = s.channel[CHANNEL_CURRENT].age_s = 5;
	space_node(g, in, &s);
	space_drive(g, in, rpm, &s);
	space_temps(in, &s);
	space_slow(in, &s);
	space_events(in, &s);
	return s;
}

/* The guard as a key, and back. Ages in ticks. */
struct key {
	uint8_t phase, started, energised, loaded, drove, closed, release,
		missing;                  /* missing: of a stop that is over */
	uint8_t power, mode, brake, heat; /* the wish before; brake in 0.01 A */
	int8_t speed_rpm, drive_A, torque_Nm, angle_deg;
	uint8_t turned, turned_age, stop, rotor, rotor_same, rotor_true, doubted; /* speeds in half rpm */
	uint8_t was_slow, rotor_anew;                                             /* of a stop */
	uint8_t run, blocked, powered, contactor, low, stall, no_pulse, slip, unrest, wrong, against, least, sign, late,
		up;
	uint8_t temp_gone[3], temp_seen;
	uint8_t held_A, held, standing, stand_age, clear, clear_age; /* of a stop */
};

static inline uint8_t space_ticks(double time_s, unsigned most)
{
	double n = round(time_s / SPACE_TICK_S);

	return (uint8_t)(n > most ? most : n > 0 ? n : 0);
}

static inline uint8_t space_age(struct mono now, struct mono at, unsigned most)
{
	return space_ticks(mono_diff_s(now, at), most);
}

#define SPACE_HELD_LONG 20 /* 600 s and more */
#define SPACE_HELD_CAP 6   /* beyond the longest hold and beyond all that a slowing down is asked for */
#define SPACE_AGE_CAP 3    /* the longest hold: no quiet is asked for longer */
#define SPACE_HEAT_CAP 5

static inline void space_key_of_run(const struct guard *g, struct key *k)
{
	k->power = g->last.power;
	k->mode = (uint8_t)g->last.mode;
	k->brake = (uint8_t)lround(100 * g->last.brake_A);
	k->speed_rpm = (int8_t)lround(g->last.speed_rpm);
	k->drive_A = (int8_t)lround(g->last.drive_A);
	k->torque_Nm = (int8_t)lround(g->last.torque_Nm);
	k->angle_deg = (int8_t)lround(g->last.angle_deg);
	k->run = space_ticks(g->run_s, 2);
	k->blocked = space_ticks(g->blocked_s, 2);
	k->powered = space_ticks(g->powered_s, 2);
	k->contactor = space_ticks(g->contactor_bad_s, 2);
	k->low = space_ticks(g->low_s, 2);
	k->stall = space_ticks(g->stall_time_s, 2);
	k->no_pulse = space_ticks(g->no_pulse_s, 2);
	k->slip = space_ticks(g->slip_s, 3);
	k->unrest = space_ticks(g->unrest_s, 2);
	k->wrong = space_ticks(g->wrong_time_s, 1);
	k->against = space_ticks(g->against_s, 3);
	k->least = k->against ? (uint8_t)lround(2 * fmin(g->wrong_least_rpm, 127)) : 0;
	k->sign = (uint8_t)g->sign_readings;
	k->up = g->drive_was_up;
	k->late = (uint8_t)(g->late_run > 2 ? 2 : g->late_run);
	for (int i = 0; i < 3; i++) {
		k->temp_gone[i] = space_ticks(g->temp_gone_s[i], 3);
		k->temp_seen |= (uint8_t)(g->temp_seen[i] << i);
	}
}

static inline void space_key_of_stop(const struct guard *g, struct key *k)
{
	double held_s = mono_diff_s(g->last_now, g->cause_at);

	k->held_A = k->brake = g->held_brake_A > 0 ? 40 : 0; /* it stays, and nothing asks how much */
	k->held = held_s >= GUARD_HOLD_MOST_S ? SPACE_HELD_LONG : space_ticks(held_s, SPACE_HELD_CAP);
	k->standing = g->standing;
	k->stand_age = g->standing ? space_age(g->last_now, g->stand_at, 1) : 0;
	k->clear = g->clear;
	k->clear_age = g->clear ? space_age(g->last_now, g->clear_at, 1) : 0;
	k->stop = (uint8_t)lround(2 * fmin(g->stop_rpm, 127));
	k->doubted = g->pick_doubted;
	k->was_slow = g->was_slow;
	k->rotor_anew = g->rotor_anew;
}

static inline struct key space_key(const struct guard *g)
{
	struct key k;

	memset(&k, 0, sizeof k);
	k.phase = (uint8_t)g->phase;
	k.started = g->started;
	k.energised = g->energised;
	k.release = (uint8_t)g->release;
	if (g->phase == GUARD_STOPPED) {
		k.missing = (uint8_t)g->missing;
		return k;
	}
	k.loaded = g->loaded;
	k.drove = g->drove;
	k.closed = g->seen_closed;
	k.heat = (uint8_t)fmin(round(g->energy_J / SPACE_HEAT_J), SPACE_HEAT_CAP);
	k.turned = (uint8_t)lround(2 * fmin(g->turned_rpm, 127));
	k.turned_age = space_age(g->last_now, g->turned_at, SPACE_AGE_CAP);
	k.rotor = isnan(g->rotor_rpm) ? 1 : g->rotor_rpm > 0 ? 2 : g->rotor_rpm < 0 ? 3 : 0;
	k.rotor_same = g->rotor_same;
	k.rotor_true = g->rotor_true;
	if (g->phase == GUARD_RUN)
		space_key_of_run(g, &k);
	else
		space_key_of_stop(g, &k);
	return k;
}

static inline struct mono space_before(unsigned ticks)
{
	return (struct mono){ SPACE_NOW_NS - (int64_t)ticks * ns_from_s(SPACE_TICK_S) };
}

static inline struct guard space_guard(const struct key *k)
{
	static const double rotor[] = { 0, NAN, 2160, -2160 };
	struct guard g = {
		.phase = (enum guard_phase)k->phase,
		.cause = k->phase == GUARD_RUN ? CAUSE_NONE : CAUSE_OPERATOR,
		.started = k->started,
		.energised = k->energised,
		.loaded = k->loaded,
		.drove = k->drove,
		.seen_closed = k->closed,
		.last_now = { SPACE_NOW_NS },
		.cause_at = k->held == SPACE_HELD_LONG ? space_before(700) : space_before(k->held),
		.stand_at = space_before(k->stand_age),
		.clear_at = space_before(k->clear_age),
		.standing = k->standing,
		.clear = k->clear,
		.release = (enum guard_release)k->release,
		.missing = k->missing,
		.turned_rpm = k->turned / 2.0,
		.stop_rpm = k->stop / 2.0,
		.turned_at = space_before(k->turned_age),
		.drive_fresh = SPACE_FRESH,
		.rotor_rpm = rotor[k->rotor],
		.rotor_same = k->rotor_same,
		.rotor_true = k->rotor_true,
		.rotor_anew = k->rotor_anew,
		.was_slow = k->was_slow,
		.pick_doubted = k->doubted,
		.held_brake_A = k->held_A / 100.0,
		.last = { .power = k->power,
			  .mode = (enum drive_mode)k->mode,
			  .brake_A = k->brake / 100.0,
			  .speed_rpm = k->speed_rpm,
			  .drive_A = k->drive_A,
			  .torque_Nm = k->torque_Nm,
			  .angle_deg = k->angle_deg },
		.drive = { .was = (enum drive_mode)k->mode, .out_at = { SPACE_NOW_NS }, .has_origin = k->loaded },
		.channel = -1,
		.run_s = k->run * SPACE_TICK_S,
		.blocked_s = k->blocked * SPACE_TICK_S,
		.energy_J = k->heat * SPACE_HEAT_J,
		.contactor_bad_s = k->contactor * SPACE_TICK_S,
		.powered_s = k->powered * SPACE_TICK_S,
		.low_s = k->low * SPACE_TICK_S,
		.stall_time_s = k->stall * SPACE_TICK_S,
		.no_pulse_s = k->no_pulse * SPACE_TICK_S,
		.slip_s = k->slip * SPACE_TICK_S,
		.unrest_s = k->unrest * SPACE_TICK_S,
		.wrong_time_s = k->wrong * SPACE_TICK_S,
		.against_s = k->against * SPACE_TICK_S,
		.wrong_least_rpm = k->least / 2.0,
		.sign_readings = k->sign,
		.drive_was_up = k->up,
		.late_run = k->late,
	};

	for (int i = 0; i < 3; i++) {
		g.temp_gone_s[i] = k->temp_gone[i] * SPACE_TICK_S;
		g.temp_seen[i] = k->temp_seen >> i & 1;
	}
	return g;
}

#endif
