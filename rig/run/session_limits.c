/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From the profiles to the guard's limits: where two speak of the same thing, the smaller holds. */
#include "run/session.h"

#include <math.h>

/* Figures that no profile states: common practice, no source. */
#define HOLD_SHARE 0.8 /* of the weakest of cell, coupling and limits a stop may use */
#define STANDSTILL_rpm 1.0
#define SLOW_rpm 10.0        /* of a turn to an angle */
#define SIGN_SHARE 0.02      /* of the largest torque: more than a zero wanders in a run ... */
#define SIGN_CELL_SHARE 0.01 /* ... and this share of the cell's full scale */
#define CONTACTOR_s 0.3
#define LATE_N 10
#define OSC_CYCLES 6
#define CELL_FROZEN_s 0.5
#define SLOW_Hz 5.0    /* docs/tether.md keeps the line under 61 % with that */
#define SLOW_MISSED 10 /* slow samples: a noisy line loses one of ten */

static double least(double a, double b)
{
	return b > 0 && b < a ? b : a;
}

/* The brake current that holds as much torque as the stop may use: by the map, or in proportion to the rating. */
static double hold_current_A(const struct session *s, double torque_Nm)
{
	double current_A = s->map_id ? brakemap_current(&s->map, BRAKEMAP_RISING, torque_Nm)
				     : s->rig.brake_max_A * torque_Nm / s->rig.brake_rated_Nm;

	return current_A > 0 && current_A < s->rig.brake_max_A ? current_A : s->rig.brake_max_A;
}

/* The least that it may be (k = 2): the one that stops soonest. */
static double least_inertia_kgm2(const struct rig_profile *rig)
{
	const struct quantity *q = &rig->inertia_kgm2;

	return q->has_u ? fmax(0, q->value - 2 * q->u) : 0;
}

int session_slow_every(const struct rig_profile *rig)
{
	return (int)fmax(1, round(rig->rate_Hz / SLOW_Hz));
}

/* A channel is believed as long as ten readings of its instrument take; what fast samples tell is watched as a whole
 * (silent_s). */
static void channel_limits(const struct session *s, struct guard_limits *ret)
{
	for (int c = CHANNEL_CELL; c <= CHANNEL_CURRENT; c++)
		ret->stale_s[c] = INFINITY;
	for (int c = CHANNEL_DRIVE; c < CHANNEL_COUNT; c++)
		ret->stale_s[c] = SLOW_MISSED * session_slow_every(&s->rig) / s->rig.rate_Hz;
	ret->stale_s[CHANNEL_CELL] = s->rig.cell_stale_s;
	const struct instrument *cell = session_fills(s, ROLE_CELL);
	if (cell && isfinite(cell->stale_s)) /* an indicator is slower than a converter */
		ret->stale_s[CHANNEL_CELL] = fmax(s->rig.cell_stale_s, cell->stale_s);
	const struct instrument *temp = session_fills(s, ROLE_TEMP);
	for (int c = CHANNEL_TEMP; c < CHANNEL_COUNT; c++)
		if (temp && isfinite(temp->stale_s))
			ret->stale_s[c] = temp->stale_s;
	const struct instrument *volt = session_fills(s, ROLE_VOLTAGE), *ampere = session_fills(s, ROLE_CURRENT);
	if (volt)
		ret->stale_s[CHANNEL_VOLTAGE] = volt->stale_s;
	if (ampere)
		ret->stale_s[CHANNEL_CURRENT] = ampere->stale_s;
	const struct instrument *brake = session_fills(s, ROLE_BRAKE);
	if (brake)
		ret->stale_s[CHANNEL_BRAKE] = brake->stale_s;
	const struct instrument *pick = session_fills(s, ROLE_PICK), *lines = session_fills(s, ROLE_LINES);
	if (pick)
		ret->stale_s[CHANNEL_TURN] = pick->stale_s;
	for (int c = CHANNEL_ESTOP; lines && c <= CHANNEL_CONTACTOR; c++)
		ret->stale_s[c] = fmin(ret->stale_s[c], lines->stale_s);
}

void session_guard_limits(const struct session *s, struct guard_limits *ret)
{
	const struct rig_profile *rig = &s->rig;
	const struct instrument *pick = session_fills(s, ROLE_PICK);
	double torque_Nm = least(least(rig->limit_torque_Nm, rig->coupling_Nm), rig->cell_full_scale_Nm);
	double speed_rpm = rig->limit_speed_rpm;

	if (s->has_actuator) {
		torque_Nm = least(torque_Nm, s->actuator.limit_torque_Nm);
		speed_rpm = least(speed_rpm, s->actuator.limit_speed_rpm);
	}
	*ret = (struct guard_limits){
		.tick_s = 1.0 / rig->rate_Hz,
		.torque_Nm = torque_Nm,
		.speed_rpm = speed_rpm,
		.drive_A = s->has_actuator ? s->actuator.limit_current_A : 0,
		.brake_A = rig->brake_max_A,
		.hold_brake_A = hold_current_A(s, HOLD_SHARE * torque_Nm),
		.slip_power_W = rig->slip_power_W,
		.slip_power_short_W = rig->slip_power_short_W,
		.slip_energy_J = rig->slip_energy_J,
		.brake_hot_degC = rig->brake_hot_degC,
		.actuator_hot_degC = s->has_actuator ? s->actuator.case_hot_degC : INFINITY,
		.winding_hot_degC = s->has_actuator ? s->actuator.winding_hot_degC : INFINITY,
		.voltage_min_V = rig->supply_min_V,
		.voltage_max_V = rig->supply_max_V,
		.stall_s = rig->stall_s,
		.stand_s = rig->stall_s,
		.slow_rpm = fmin(speed_rpm, SLOW_rpm),
		.stall_torque_Nm = 0.1 * torque_Nm,
		.standstill_rpm = STANDSTILL_rpm,
		.sign_Nm = fmax(SIGN_SHARE * torque_Nm, SIGN_CELL_SHARE * rig->cell_full_scale_Nm),
		.pick_no_direction = pick && pick->no_direction,
		.gear_ratio = s->has_actuator ? s->actuator.gear_ratio : 0,
		.silent_s = rig->silent_s,
		.warden_s = rig->warden_silence_s > 0 ? rig->warden_silence_s : INFINITY,
		.cell_frozen_s = CELL_FROZEN_s,
		.brake_follow_A = rig->brake_follow_A,
		.brake_follow_s = rig->brake_follow_s,
		.late_s = fmax(0.05, 5.0 / rig->rate_Hz),
		.late_n = LATE_N,
		.contactor_s = CONTACTOR_s,
		.stop_hold_s = rig->stop_hold_s,
		.inertia_kgm2 = least_inertia_kgm2(rig),
		.by_person = session_person_sets(s) != NULL,
		.osc_rpm = rig->osc_rpm,
		.osc_Nm = rig->osc_Nm,
		.osc_cycles = OSC_CYCLES,
		.expect_direction = s->has_actuator ? 1 : 0,
		.expect_cell = s->calibration_id != 0,
		.expect_pick = pick != NULL,
		.expect_lines = session_lines(s),
		.expect_brake = session_fills(s, ROLE_BRAKE) && session_fills(s, ROLE_BRAKE) != &s->instrument[0],
		.expect_meter = session_fills(s, ROLE_VOLTAGE) && session_fills(s, ROLE_CURRENT),
	};
	channel_limits(s, ret);
}
