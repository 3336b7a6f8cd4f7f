/* SPDX-License-Identifier: GPL-3.0-or-later */
/* I4: every cause has something that brings it and something close by that does not. All figures are those of
 * guard_scene.h; the times follow by hand from the rules in guard.h. */
#include "tests/unit/guard/guard_scene.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>

#include <cmocka.h>

/* A rig in good order is made to misbehave: t_s since it began; miss: just not enough. */
typedef void bend_fn(struct scene *s, double t_s, bool miss);

static void bend_estop(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.estop_ok = miss;
}
static void bend_guard_open(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.cage_closed = miss;
}
static void bend_node_estop(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.node_state = miss ? NODE_LIVE : NODE_SAFE; /* the reason alone says nothing */
	strcpy(s->snap.node_reason, "estop");
}
static void bend_node_guard(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.node_state = miss ? NODE_LIVE : NODE_STOPPING;
	strcpy(s->snap.node_reason, "guard");
}
static void bend_contactor_open(struct scene *s, double t_s, bool miss)
{
	s->snap.contactor_closed = miss && t_s > 0.29;
}
static void bend_contactor_welded(struct scene *s, double t_s, bool miss)
{
	s->want.power = false;
	s->snap.contactor_closed = !miss || t_s < 0.29;
}
static void bend_node_contactor(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.node_state = miss ? NODE_LIVE : NODE_SAFE;
	strcpy(s->snap.node_reason, "contactor");
}
static void bend_silent(struct scene *s, double t_s, bool miss)
{
	s->snap.sample_age_s = miss ? fmin(t_s, 0.15) : t_s;
}
static void bend_lost(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.node_lost = !miss;
}
static void bend_reset(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.node_reset = !miss;
}
static void bend_safe(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.node_state = miss ? NODE_IDLE : NODE_SAFE;
	strcpy(s->snap.node_reason, "lease");
}
static void bend_safe_unexplained(struct scene *s, double t_s, bool miss)
{
	s->limits.contactor_s = 1;
	s->snap.node_state = NODE_STOPPING;
	strcpy(s->snap.node_reason, "none");
	if (miss) {
		if (t_s > 0.38)
			s->snap.node_state = NODE_IDLE;
	} else {
		s->snap.contactor_closed = false;
	}
}
static void bend_node_contactor_later(struct scene *s, double t_s, bool miss)
{
	s->snap.node_state =
		miss && t_s > 0.18 ? NODE_IDLE : NODE_STOPPING; /* the event first, the reason with the slow sample */
	strcpy(s->snap.node_reason, t_s < 0.195 ? "none" : "contactor");
	s->snap.contactor_closed = miss;
}
static void bend_warden(struct scene *s, double t_s, bool miss)
{
	s->snap.warden_age_s = miss ? fmin(t_s, 0.1) : t_s;
}
static void bend_warden_gone(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.warden_age_s = miss ? 0 : NAN; /* not a number is no answer */
}
static void bend_pickup(struct scene *s, double t_s, bool miss)
{
	s->limits.gear_ratio = 36;
	s->snap.speed_rpm = 0;
	s->snap.torque_Nm = 3; /* less than what makes a stall */
	/* 60 rev/min of the output are 2160 of the rotor; 360 are 10 times standstill. */
	s->snap.drive_rotor_rpm = miss && t_s > 0.98 ? 360 : -2160;
}
/* I26 */
static void bend_pulses_missing(struct scene *s, double t_s, bool miss)
{
	s->limits.gear_ratio = 36;
	s->snap.speed_rpm = 29; /* less than half of 60 */
	s->snap.drive_rotor_rpm = miss && t_s > 0.98 ? 29 * 36 : 2160;
}
static void bend_slip(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->limits.gear_ratio = 36;
	s->snap.speed_rpm = miss ? 48.5 : 47.5; /* a fifth of 60 are 12 */
	s->snap.drive_rotor_rpm = 2160;
}
/* A drive that repeats its old word after the shaft has turned round. */
static void bend_other_way(struct scene *s, double t_s, bool miss)
{
	s->limits.gear_ratio = 36;
	s->snap.drive_rotor_rpm = miss && t_s > 0.98 ? 2160 : -2160;
}
static void bend_more_pulses(struct scene *s, double t_s, bool miss)
{
	s->limits.gear_ratio = 36;
	s->snap.speed_rpm = 60;
	s->snap.drive_rotor_rpm = 47.5 * 36;
	if (miss) /* an old word of the drive is not compared */
		s->snap.channel[CHANNEL_DRIVE].age_s = t_s < 0.1 ? 0.1 : 0.6;
}
static void bend_not_at_rest(struct scene *s, double t_s, bool miss)
{
	s->limits.at_rest = true;
	s->want = (struct wish){ 0 };
	s->snap.drive_flags = miss && t_s > 0.25 ? 0 : DRIVE_ENABLED;
	s->snap.node_state = NODE_IDLE;
	s->snap.drive_rotor_rpm = miss ? 360 : 0;
}
static void bend_rotor_turns(struct scene *s, double t_s, bool miss)
{
	bend_not_at_rest(s, 1, true);
	s->snap.drive_rotor_rpm = miss && t_s > 0.25 ? 360 : -3000;
}
static void bend_slow_stale(struct scene *s, double t_s, bool miss)
{
	scene_slow_age(&s->snap, miss ? fmin(t_s, 2) : t_s);
}
static void bend_meter_silent(struct scene *s, double t_s, bool miss)
{
	s->snap.channel[CHANNEL_VOLTAGE].age_s = miss ? fmin(t_s, 1) : t_s;
}
/* A pick-up beside the node: its speed stays as it was. */
static void bend_pick_silent(struct scene *s, double t_s, bool miss)
{
	s->limits.stale_s[CHANNEL_TURN] = 0.3;
	s->snap.channel[CHANNEL_TURN].age_s = miss ? fmin(t_s, 0.3) : t_s;
}

/* The source of the brake's current, beside the node. */
static void bend_coil_silent(struct scene *s, double t_s, bool miss)
{
	s->limits.expect_brake = true;
	s->limits.stale_s[CHANNEL_BRAKE] = 1;
	s->snap.channel[CHANNEL_BRAKE].age_s = miss ? fmin(t_s, 1) : t_s;
}

/* One line alone that is no longer told, while all else goes on. */
static void bend_one_line(struct scene *s, double t_s, bool miss)
{
	s->snap.channel[CHANNEL_ESTOP].age_s = miss ? fmin(t_s, 2) : t_s;
}
static void bend_one_temp(struct scene *s, double t_s, bool miss)
{
	s->snap.channel[CHANNEL_TEMP + (int)TEMP_CASE].age_s = miss ? fmin(t_s, 2) : t_s;
}
static void bend_stale(struct scene *s, double t_s, bool miss)
{
	s->snap.channel[CHANNEL_CELL].age_s = miss ? fmin(t_s, 0.5) : t_s;
}
static void bend_frozen(struct scene *s, double t_s, bool miss)
{
	unsigned same = (unsigned)lround(t_s / SCENE_TICK_S);

	s->snap.cell_equal_chance = 0.01;
	s->snap.cell_same = same;
	s->snap.cell_same_s = miss ? fmin(t_s, 0.499) : t_s;
}
/* Ten conversions a second: 1e-12 at a chance of 0.01 is six neighbours, at 0.1 twelve, unknown (a half) forty. */
static void bend_frozen_slow(struct scene *s, double t_s, bool miss)
{
	s->snap.cell_equal_chance = miss ? 0.1 : 0.01;
	s->snap.cell_same = 1 + (unsigned)floor(t_s * 10 + 1e-6);
	s->snap.cell_same_s = floor(t_s * 10 + 1e-6) / 10;
	if (miss)
		s->snap.cell_same = s->snap.cell_same < 12 ? s->snap.cell_same : 12;
}
/* A converter so coarse that it hardly ever moves. */
static void bend_frozen_coarse(struct scene *s, double t_s, bool miss)
{
	s->snap.cell_equal_chance = miss ? 0.99 : 0;
	s->snap.cell_same = 1 + (unsigned)lround(fmin(t_s, 27) / SCENE_TICK_S);
	s->snap.cell_same_s = t_s;
}
/* Nothing turns and the brake has no current: a quiet cell may well repeat itself. */
static void bend_frozen_idle(struct scene *s, double t_s, bool miss)
{
	s->snap.cell_equal_chance = 0.01;
	s->snap.cell_same = (unsigned)lround(t_s / SCENE_TICK_S);
	s->snap.cell_same_s = t_s;
	if (miss) {
		s->want.mode = DRIVE_OFF;
		s->want.brake_A = 0;
		s->snap.cell_same = t_s > 0.1 ? 4000 : 0;
		s->snap.cell_same_s = t_s > 0.1 ? 40 : 0;
	}
}
static void bend_saturated(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	scene_saturated(&s->snap, !miss);
}
static void bend_overspeed(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.speed_rpm = miss ? 120 : 120.01;
}
static void bend_overspeed_back(struct scene *s, double t_s, bool miss)
{
	s->limits.expect_direction = 0;
	(void)t_s;
	s->want.speed_rpm = -60;
	s->snap.torque_Nm = -10;
	s->snap.speed_rpm = miss ? -120 : -120.01;
}
static void bend_speed_unknown(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->limits.expect_pick = !miss;
	s->snap.speed_rpm = NAN;
}
static void bend_travel(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->limits.travel_deg = 90;
	s->snap.angle_rev = miss ? -0.25 : -0.2501;
}
static void bend_travel_unknown(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->limits.travel_deg = miss ? 0 : 90;
	s->snap.angle_rev = NAN;
}
static void bend_overtorque(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.speed_rpm = 10; /* 42 W: no slip power to speak of */
	s->snap.torque_Nm = miss ? 40 : 40.01;
}
static void bend_torque_unknown(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->limits.expect_cell = !miss;
	s->snap.torque_Nm = NAN;
}
static void bend_brake_dead(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.brake_A = miss ? 0.41 : 0;
}
static void bend_brake_stuck(struct scene *s, double t_s, bool miss)
{
	s->want.brake_A = 0;
	/* A coil that lets go with a time constant of 0.4 s, within the allowed 0.5 s. */
	s->snap.brake_A = miss ? 0.5 * exp(-t_s / 0.4) : 0.5;
}
static void bend_brake_unknown(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.brake_A = NAN;
	if (miss)
		s->want.brake_A = 0; /* nothing asked of it */
}
static void bend_power_short(struct scene *s, double t_s, bool miss)
{
	/* 30 N m at 95.49 rev/min are 300 W; a spike of one tick is no heat. */
	s->snap.torque_Nm = 30;
	s->snap.speed_rpm = miss ? 95.4 : 96;
	if (miss && t_s > 0.2 && t_s < 0.205)
		s->snap.torque_Nm = 38;
	if (miss && t_s > 0.5)
		s->snap.speed_rpm = 20; /* before the energy comes to its limit */
}
static void bend_power_mean(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->limits.slip_energy_J = 0; /* no energy stated: the mean over 10 s decides */
	s->snap.torque_Nm = 20;
	s->snap.speed_rpm = miss ? 47.6 : 49; /* 47.746 rev/min are 100 W */
}
static void bend_energy(struct scene *s, double t_s, bool miss)
{
	/* 200 W are 100 W too many: 2000 J after 20 s. Alternating with nothing for as long, they never come to it. */
	bool rests = miss && fmod(t_s, 20) > 10;

	s->snap.torque_Nm = rests ? 0 : 20;
	s->snap.speed_rpm = rests ? 0 : 95.493;
}
static void bend_brake_hot(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.temp_degC[TEMP_BRAKE] = miss ? 90 : 90.1;
}
static void bend_brake_temp_gone(struct scene *s, double t_s, bool miss)
{
	s->snap.temp_degC[TEMP_BRAKE] = miss && t_s > 1.9 ? 25 : NAN;
}
static void bend_case_hot(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.temp_degC[TEMP_CASE] = miss ? 80 : 80.1;
}
static void bend_winding_hot(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.temp_degC[TEMP_WINDING] = miss ? 120 : 120.1;
}
static void bend_supply_low(struct scene *s, double t_s, bool miss)
{
	s->snap.voltage_V = miss && t_s > 0.48 ? 20 : 19.9;
}
static void bend_supply_high(struct scene *s, double t_s, bool miss)
{
	s->snap.voltage_V = miss && t_s > 0.04 ? 30 : 30.1;
}
static void bend_supply_unknown(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->limits.expect_meter = !miss;
	s->snap.voltage_V = NAN;
}
static void bend_dropout(struct scene *s, double t_s, bool miss)
{
	if (!miss || t_s > 0.015)
		s->snap.drive_flags |= DRIVE_UNDERVOLTAGE;
	s->snap.voltage_V = 19; /* both: drop-out is the name that tells more */
	if (miss) {
		s->want.mode = DRIVE_OFF; /* nobody asks the drive for anything */
		s->want.power = false;    /* and without the supply it may well say undervoltage */
		s->snap.speed_rpm = 0;
	}
}
static void bend_drive_fault(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.drive_flags |= miss ? DRIVE_CURRENT_LIMITED | DRIVE_DERATING : DRIVE_FAULT;
}
static void bend_drive_unheard(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.drive_flags |= miss ? DRIVE_VOLTAGE_LIMITED : DRIVE_UNHEARD;
}
static void bend_drive_overspeed(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.drive_flags |= miss ? DRIVE_ENABLED : DRIVE_OVERSPEED;
}
static void bend_wrong_way(struct scene *s, double t_s, bool miss)
{
	s->snap.speed_rpm = miss && t_s > 0.24 ? 5 : -5;
}
static void bend_wrong_way_free(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->limits.expect_direction = miss ? 0 : 1;
	s->want.speed_rpm = miss ? -60 : 60;
	s->snap.torque_Nm = -10;
	s->snap.speed_rpm = -60;
}
/* Either way is allowed and 60 rpm are commanded: a shaft that slows down to turn round is none, one that gets faster
 * is. */
static void bend_against_command(struct scene *s, double t_s, bool miss)
{
	s->limits.expect_direction = 0;
	s->snap.speed_rpm = miss ? fmin(60, -60 + 40 * t_s) : -fmin(60, 40 * t_s);
}
static void bend_against_for_long(struct scene *s, double t_s, bool miss)
{
	s->limits.expect_direction = 0;
	s->snap.speed_rpm = miss && t_s > 1.98 ? 60 : -20;
}
/* A pick-up that only counts up: the drive's own rotor tells. 20 rpm of the output are 720 of it. */
static void bend_rotor_against(struct scene *s, double t_s, bool miss)
{
	s->limits.expect_direction = 0;
	s->limits.pick_no_direction = true;
	s->snap.speed_rpm = 20;
	s->snap.drive_rotor_rpm = miss && t_s > 1.98 ? 720 : -720;
}
static void bend_wrong_sign(struct scene *s, double t_s, bool miss)
{
	s->snap.torque_Nm = miss && (t_s > 0.08 || t_s < 0) ? -1 : -1.01;
}
/* A cell of ten readings a second, here from 0 on: the third that says so comes after 0.2 s. The miss: after two that
 * said so, each for 0.1 s, it says otherwise. */
static void bend_wrong_sign_slow_cell(struct scene *s, double t_s, bool miss)
{
	s->snap.channel[CHANNEL_CELL].fresh = 1000 + (uint32_t)floor(10 * t_s + 1e-6);
	s->snap.torque_Nm = miss && t_s > 0.195 ? -1 : -5;
}
/* I20a: at any load. From 25 N.m on, 0.2 A/s more and 8 N.m/s less; the miss keeps its torque. */
static void bend_wrong_slope(struct scene *s, double t_s, bool miss)
{
	s->want.brake_A = fmin(0.9, 0.5 + 0.2 * t_s);
	s->snap.brake_A = s->verdict.allowed.brake_A;
	s->snap.speed_rpm = 20;
	s->snap.torque_Nm = miss ? 25 : 25 - 8 * t_s;
}
static void bend_wrong_sign_backwards(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->limits.expect_direction = 0;
	s->want.speed_rpm = -60;
	s->snap.speed_rpm = t_s < 0.05 ? 0 : -60;
	s->snap.torque_Nm = miss ? -5 : 5;
}
static void bend_slept(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.slept_ns = miss ? 500000000 : 501000000;
	s->snap.node_reset = !miss; /* a clock that went on without us looks like a restart */
}
static void bend_stall(struct scene *s, double t_s, bool miss)
{
	s->snap.speed_rpm = miss && t_s > 1.98 ? 10 : 0.5;
	s->snap.torque_Nm = 10;
}
static void bend_stall_light(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.speed_rpm = 0.5;
	s->snap.torque_Nm = miss ? 4 : 4.1;
}
static void bend_hunting_speed(struct scene *s, double t_s, bool miss)
{
	s->snap.speed_rpm = 60 + (miss ? 4.9 : 5.5) * sin(2 * M_PI * 3 * t_s);
}
/* I4a: 5 Hz, half a cycle 1.16 of the one before; the miss does not grow and stays below the limit. */
static void bend_growing(struct scene *s, double t_s, bool miss)
{
	double size_Nm = miss ? 2.4 : fmin(5, 1 * exp(1.5 * t_s));

	s->snap.speed_rpm = 20;
	s->snap.torque_Nm = 10 + size_Nm * sin(2 * M_PI * 5 * t_s);
}
/* A word each 0.2 s: 30 rpm to and fro at the output, while the shaft keeps its speed. The miss: by 9.9. */
static void bend_rattling(struct scene *s, double t_s, bool miss)
{
	long word = lround(floor(t_s / 0.2 + 1e-6));

	s->snap.channel[CHANNEL_DRIVE].fresh = 100 + (uint32_t)word;
	s->snap.drive_rotor_rpm = 36 * (60 + (miss ? 4.95 : 15) * (word % 2 ? 1 : -1));
}
static void bend_hunting_torque(struct scene *s, double t_s, bool miss)
{
	/* Growing from 6 N m peak to peak, or ringing down from 24 with a logarithmic decrement of 0.7 a cycle. */
	double size = miss ? 12 * exp(-0.7 * t_s * 2) : 3 + 0.2 * t_s;

	s->snap.torque_Nm = 12 + size * sin(2 * M_PI * 2 * t_s);
}
static void bend_late(struct scene *s, double t_s, bool miss)
{
	if (t_s < 0.015)
		s->snap.late_ns = miss ? 50000000 : 50000001;
	else
		s->snap.late_ns = 0;
}
static void bend_late_often(struct scene *s, double t_s, bool miss)
{
	long n = lround(t_s / SCENE_TICK_S);

	s->snap.late_ns = miss && n % 10 == 9 ? 0 : 11000000;
}
static void bend_logbook(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.log_failed = !miss;
}
static void bend_operator(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.operator_stop = !miss;
}
static void bend_sequence(struct scene *s, double t_s, bool miss)
{
	(void)t_s;
	s->snap.sequence_stop = !miss;
}

static const struct row {
	const char *name;
	enum cause cause;
	bend_fn *bend;
	double from_s, to_s; /* the cause comes in this time */
} rows[] = {
	{ "emergency stop", CAUSE_ESTOP, bend_estop, 0, 0 },
	{ "guard open", CAUSE_GUARD_OPEN, bend_guard_open, 0, 0 },
	{ "node says emergency stop", CAUSE_ESTOP, bend_node_estop, 0, 0 },
	{ "node says guard", CAUSE_GUARD_OPEN, bend_node_guard, 0, 0 },
	{ "contactor fell open", CAUSE_CONTACTOR, bend_contactor_open, 0.28, 0.32 },
	{ "contactor welded", CAUSE_CONTACTOR, bend_contactor_welded, 0.28, 0.34 },
	{ "node says contactor", CAUSE_CONTACTOR, bend_node_contactor, 0, 0 },
	{ "node silent", CAUSE_NODE_SILENT, bend_silent, 0.15, 0.17 },
	{ "link lost", CAUSE_NODE_SILENT, bend_lost, 0, 0 },
	{ "node restarted", CAUSE_NODE_RESET, bend_reset, 0, 0 },
	{ "node went safe", CAUSE_NODE_SAFE, bend_safe, 0, 0 },
	{ "node went safe, no reason", CAUSE_NODE_SAFE, bend_safe_unexplained, 0.39, 0.42 },
	{ "node says contactor later", CAUSE_CONTACTOR, bend_node_contactor_later, 0.19, 0.21 },
	{ "pick-up without pulses", CAUSE_PICKUP, bend_pickup, 0.99, 1.02 },
	{ "pick-up with pulses missing", CAUSE_PICKUP, bend_pulses_missing, 0.99, 1.02 },
	{ "pick-up and drive tell opposite ways", CAUSE_PICKUP, bend_other_way, 0.99, 1.02 },
	{ "pick-up slips", CAUSE_PICKUP, bend_slip, 1.99, 2.02 },
	{ "pick-up with pulses too many", CAUSE_PICKUP, bend_more_pulses, 1.99, 2.02 },
	{ "drive enabled with a person at the shaft", CAUSE_NOT_AT_REST, bend_not_at_rest, 0.28, 0.34 },
	{ "rotor turns with a person at the shaft", CAUSE_NOT_AT_REST, bend_rotor_turns, 0.28, 0.34 },
	{ "slow samples stale", CAUSE_SLOW_STALE, bend_slow_stale, 2, 2.02 },
	{ "one line stale", CAUSE_SLOW_STALE, bend_one_line, 2, 2.02 },
	{ "one temperature stale", CAUSE_SLOW_STALE, bend_one_temp, 2, 2.02 },
	{ "meter silent", CAUSE_INSTRUMENT_SILENT, bend_meter_silent, 1, 1.02 },
	{ "pick-up silent", CAUSE_INSTRUMENT_SILENT, bend_pick_silent, 0.3, 0.32 },
	{ "coil silent", CAUSE_INSTRUMENT_SILENT, bend_coil_silent, 1, 1.02 },
	{ "warden silent", CAUSE_WARDEN, bend_warden, 0.1, 0.12 },
	{ "warden gone", CAUSE_WARDEN, bend_warden_gone, 0, 0 },
	{ "cell stale", CAUSE_CELL_STALE, bend_stale, 0.5, 0.52 },
	{ "cell frozen", CAUSE_CELL_FROZEN, bend_frozen, 0.49, 0.51 },
	{ "cell frozen, idle", CAUSE_CELL_FROZEN, bend_frozen_idle, 0.49, 0.51 },
	{ "cell frozen, 10 a second", CAUSE_CELL_FROZEN, bend_frozen_slow, 0.58, 0.62 },
	{ "cell frozen, coarse", CAUSE_CELL_FROZEN, bend_frozen_coarse, 0.49, 0.51 },
	{ "cell saturated", CAUSE_CELL_SATURATED, bend_saturated, 0, 0 },
	{ "overspeed", CAUSE_OVERSPEED, bend_overspeed, 0, 0 },
	{ "overspeed backwards", CAUSE_OVERSPEED, bend_overspeed_back, 0, 0 },
	{ "speed unknown", CAUSE_OVERSPEED, bend_speed_unknown, 0, 0 },
	{ "turned too far", CAUSE_TRAVEL, bend_travel, 0, 0 },
	{ "angle unknown", CAUSE_TRAVEL, bend_travel_unknown, 0, 0 },
	{ "overtorque", CAUSE_OVERTORQUE, bend_overtorque, 0, 0 },
	{ "torque unknown", CAUSE_OVERTORQUE, bend_torque_unknown, 0, 0 },
	{ "brake without current", CAUSE_BRAKE_NOT_FOLLOWING, bend_brake_dead, 0.48, 0.53 },
	/* 0.5 A decaying with 0.5 s is 0.4 A, so 0.1 A below what stays, after 0.5 ln(5/4) = 0.112 s, and 0.5 s more.
	 */
	{ "brake current stays", CAUSE_BRAKE_NOT_FOLLOWING, bend_brake_stuck, 0.59, 0.65 },
	{ "brake current unknown", CAUSE_BRAKE_NOT_FOLLOWING, bend_brake_unknown, 0.48, 0.53 },
	{ "slip power, short", CAUSE_BRAKE_POWER, bend_power_short, 0.1, 2 },
	/* 102.6 W; before, 62.8 W for 2 s and nothing: 10 s are full of it after 9.8 to 10 s. */
	{ "slip power, mean", CAUSE_BRAKE_POWER, bend_power_mean, 8.9, 10.1 },
	{ "slip energy", CAUSE_BRAKE_ENERGY, bend_energy, 19.9, 20.1 },
	{ "brake hot", CAUSE_BRAKE_HOT, bend_brake_hot, 0, 0 },
	{ "brake temperature lost", CAUSE_BRAKE_HOT, bend_brake_temp_gone, 1.99, 2.03 },
	{ "case hot", CAUSE_ACTUATOR_HOT, bend_case_hot, 0, 0 },
	{ "winding hot", CAUSE_ACTUATOR_HOT, bend_winding_hot, 0, 0 },
	{ "supply low", CAUSE_SUPPLY_RANGE, bend_supply_low, 0.49, 0.52 },
	{ "supply high", CAUSE_SUPPLY_RANGE, bend_supply_high, 0.04, 0.07 },
	{ "supply unknown", CAUSE_SUPPLY_RANGE, bend_supply_unknown, 0, 0.52 },
	{ "drive dropped out", CAUSE_DRIVE_DROPOUT, bend_dropout, 0, 0 },
	{ "drive fault", CAUSE_DRIVE_FAULT, bend_drive_fault, 0, 0 },
	{ "drive does not answer", CAUSE_DRIVE_FAULT, bend_drive_unheard, 0, 0 },
	{ "drive says overspeed", CAUSE_DRIVE_FAULT, bend_drive_overspeed, 0, 0 },
	{ "wrong direction", CAUSE_WRONG_DIRECTION, bend_wrong_way, 0.24, 0.27 },
	{ "wrong direction, either allowed", CAUSE_WRONG_DIRECTION, bend_wrong_way_free, 0.24, 0.27 },
	{ "against the command", CAUSE_WRONG_DIRECTION, bend_against_command, 0.25, 0.40 },
	{ "against the command for long", CAUSE_WRONG_DIRECTION, bend_against_for_long, 2.2, 2.3 },
	{ "rotor against the command", CAUSE_WRONG_DIRECTION, bend_rotor_against, 2.2, 2.3 },
	{ "wrong sign of torque", CAUSE_WRONG_SIGN, bend_wrong_sign, 0.09, 0.12 },
	{ "wrong sign of torque, slow cell", CAUSE_WRONG_SIGN, bend_wrong_sign_slow_cell, 0.2, 0.2 },
	{ "wrong sign of torque, backwards", CAUSE_WRONG_SIGN, bend_wrong_sign_backwards, 0.13, 0.18 },
	{ "torque falls while the current rises", CAUSE_WRONG_SIGN, bend_wrong_slope, 0.98, 1.12 },
	{ "machine slept", CAUSE_SLEPT, bend_slept, 0, 0 },
	{ "stall", CAUSE_STALL, bend_stall, 1.98, 2.03 },
	{ "stall under little torque", CAUSE_STALL, bend_stall_light, 1.98, 2.03 },
	/* 3 Hz: six cycles are 2 s, and the first swing of all starts the count only. */
	{ "hunting, speed", CAUSE_OSCILLATION, bend_hunting_speed, 1.9, 2.8 },
	{ "hunting, torque", CAUSE_OSCILLATION, bend_hunting_torque, 2.9, 4.2 },
	/* 5 N.m peak to peak from 0.61 s on, and each half cycle a swing. */
	{ "growing", CAUSE_OSCILLATION, bend_growing, 0.61, 1.01 },
	{ "rattling", CAUSE_OSCILLATION, bend_rattling, 0.59, 0.61 },
	{ "one tick very late", CAUSE_LATE_TICK, bend_late, 0, 0 },
	{ "ten ticks late", CAUSE_LATE_TICK, bend_late_often, 0.085, 0.095 },
	{ "logbook", CAUSE_LOGBOOK, bend_logbook, 0, 0 },
	{ "operator", CAUSE_OPERATOR, bend_operator, 0, 0 },
	{ "sequence", CAUSE_SEQUENCE, bend_sequence, 0, 0 },
};

#define ROWS (sizeof rows / sizeof rows[0])

static void bent_step(struct scene *s, const struct row *row, double t_s, bool miss)
{
	scene_obey(s);
	row->bend(s, t_s, miss);
	scene_judge(s);
}

static void each_cause_comes_and_is_named(void **state)
{
	(void)state;
	for (size_t i = 0; i < ROWS; i++) {
		struct scene s;
		double t_s = 0;

		scene_running(&s);
		assert_int_equal(s.verdict.cause, CAUSE_NONE);
		for (; t_s < 30 && s.verdict.cause == CAUSE_NONE; t_s += SCENE_TICK_S)
			bent_step(&s, &rows[i], t_s, false);
		t_s -= SCENE_TICK_S;
		if (s.verdict.cause != rows[i].cause || t_s < rows[i].from_s - 1e-6 || t_s > rows[i].to_s + 1e-6)
			fail_msg("%s: \"%s\" after %.2f s, expected \"%s\" after %.2f to %.2f s", rows[i].name,
				 cause_word(s.verdict.cause), t_s, cause_word(rows[i].cause), rows[i].from_s,
				 rows[i].to_s);
		assert_true(s.verdict.newly);
	}
}

static void a_near_miss_does_not_stop(void **state)
{
	(void)state;
	for (size_t i = 0; i < ROWS; i++) {
		struct scene s;
		double t_s = 0;

		scene_running(&s);
		for (; t_s < 60 && s.verdict.cause == CAUSE_NONE; t_s += SCENE_TICK_S)
			bent_step(&s, &rows[i], t_s, true);
		if (s.verdict.cause != CAUSE_NONE)
			fail_msg("%s: the near miss stopped for \"%s\" after %.2f s", rows[i].name,
				 cause_word(s.verdict.cause), t_s);
	}
}

static void every_cause_has_a_row(void **state)
{
	bool has[CAUSE_COUNT] = { [CAUSE_NONE] = true };

	(void)state;
	for (size_t i = 0; i < ROWS; i++)
		has[rows[i].cause] = true;
	for (int c = 0; c < CAUSE_COUNT; c++)
		if (!has[c])
			fail_msg("no row for %s", cause_word((enum cause)c));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(each_cause_comes_and_is_named),
		cmocka_unit_test(a_near_miss_does_not_stop),
		cmocka_unit_test(every_cause_has_a_row),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
