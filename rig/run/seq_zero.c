/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_zero.h"

#include <math.h>
#include <stdio.h>

#define CONTACTOR_S 2.0
#define STANDSTILL_RPM 1.0
#define COAST_S 20.0
#define HAND_WAIT_S 120.0
#define HAND_FRAC 0.6 /* how near to the wanted speed a hand must be */
#define SLOW_S 30.0 /* longer than planned by this much: the shaft does not turn as told */

void seq_zero_begin(struct seq_zero *z, const struct zero_config *config)
{
	*z = (struct seq_zero){ .config = *config, .zero_count = NAN, .u_zero_count = NAN, .drag_count = NAN, .ambient_degC = NAN };
	stats_run_begin(&z->run);
}

static void enter(struct seq_zero *z, enum zero_phase phase, const struct snapshot *snap)
{
	z->phase = phase;
	z->phase_at = snap->now;
	z->phase_angle_rev = snap->angle_rev;
}

static void give_up(struct seq_out *ret, const char *why)
{
	ret->stop = true;
	snprintf(ret->event.text, sizeof ret->event.text, "%s", why);
}

static double toward(double from, double to, double most)
{
	return to > from + most ? from + most : to < from - most ? from - most : to;
}

/* Turned far enough, and for long enough. */
static bool turned(const struct seq_zero *z, const struct snapshot *snap, double turns)
{
	double time_s = mono_diff_s(snap->now, z->phase_at);

	return fabs(snap->angle_rev - z->phase_angle_rev) >= turns && time_s >= z->config.least_s;
}

static bool too_slow(const struct seq_zero *z, const struct snapshot *snap, double turns)
{
	double planned_s = fmax(z->config.least_s, turns * 60 / z->config.speed_rpm) +
			   2 * z->config.speed_rpm / z->config.slew_rpm_per_s;

	return mono_diff_s(snap->now, z->phase_at) > planned_s + (z->config.by_hand ? HAND_WAIT_S : SLOW_S);
}

static void finish_way(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	z->way[z->back] = stats_run_result(&z->run);
	ret->event.kind = SEQ_EVENT_POINT;
	ret->event.point = (struct seq_point){
		.step = -1, .direction = z->back ? -1 : +1, .flags = POINT_TARE, .setpoint_Nm = NAN, .setpoint_A = NAN,
		.setpoint_rpm = z->back ? -z->config.speed_rpm : z->config.speed_rpm, .begin = z->phase_at, .end = snap->now,
		.settle_s = z->settle_s, .mean_torque_Nm = snap->torque_Nm, .mean_speed_rpm = snap->speed_rpm,
	};
}

static void conclude(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	/* Forwards zero + drag, backwards zero - ratio * drag. */
	double ratio = z->config.drag_ratio, u = hypot(z->way[0].u_mean, z->way[1].u_mean) / 2;

	z->drag_count = (z->way[0].mean - z->way[1].mean) / (1 + ratio);
	z->zero_count = z->way[0].mean - z->drag_count;
	z->u_zero_count = hypot(u, z->config.u_drag_ratio * z->drag_count / (1 + ratio));
	z->ambient_degC = snap->temp_degC[TEMP_AMBIENT];
	if (z->config.set_tare) {
		ret->set_tare = true;
		ret->tare_count = z->zero_count;
	}
}

static void step_start(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	if (z->config.by_hand || snap->contactor_closed)
		enter(z, ZERO_SETTLE, snap);
	else if (mono_diff_s(snap->now, z->phase_at) > CONTACTOR_S)
		give_up(ret, "the contactor does not close: look at the emergency stop, the guard switch and their wiring");
}

static bool is_there(const struct seq_zero *z, const struct snapshot *snap)
{
	double wanted = z->back ? -z->config.speed_rpm : z->config.speed_rpm, off = fabs(snap->speed_rpm - wanted);

	if (z->config.by_hand)
		return off <= HAND_FRAC * z->config.speed_rpm;
	return fabs(z->speed_set_rpm - wanted) < 1e-9 && off <= 0.1 * z->config.speed_rpm;
}

static void tell(struct seq_zero *z, struct seq_out *ret)
{
	if (!z->config.by_hand || z->told || ret->event.kind != SEQ_EVENT_NONE)
		return;
	z->told = true;
	ret->event.kind = SEQ_EVENT_NOTE;
	snprintf(ret->event.text, sizeof ret->event.text, "turn the shaft %s at about %.3g rpm, for the zero",
		 z->back ? "back" : "forward", z->config.speed_rpm);
}

static void step_settle(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	bool there = is_there(z, snap);

	tell(z, ret);
	if (too_slow(z, snap, z->config.settle_turns)) {
		give_up(ret, "the shaft does not turn slowly both ways for the zero: look at drive, supply and pick-up");
		return;
	}
	if (!there && z->config.by_hand)
		z->phase_angle_rev = snap->angle_rev; /* whole turns at the speed asked for, not on the way to it */
	if (!there || !turned(z, snap, z->config.settle_turns))
		return;
	z->settle_s = mono_diff_s(snap->now, z->phase_at);
	enter(z, ZERO_AVERAGE, snap);
	stats_run_begin(&z->run);
}

static void step_average(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	if (snap->cell_conversions != z->last_conversion)
		stats_run_add(&z->run, z->config.sign * (double)snap->cell_count);
	if (too_slow(z, snap, z->config.average_turns)) {
		give_up(ret, "the shaft stopped turning while the zero was read");
		return;
	}
	if (!turned(z, snap, z->config.average_turns) || z->run.n < 8)
		return;
	finish_way(z, snap, ret);
	if (z->back) {
		conclude(z, snap, ret);
		z->told = false;
		enter(z, ZERO_COAST, snap);
	} else {
		z->back = true;
		z->told = false;
		enter(z, ZERO_SETTLE, snap);
	}
}

static void step_coast(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	/* A cell that reads less when the actuator pushes forward is wired or signed the wrong way round. */
	if (z->drag_count < -3 * z->u_zero_count)
		give_up(ret, "the torque reads the wrong way round: check [cell] sign and [pickup] sign in rig.ini");
	else if (!(fabs(snap->speed_rpm) > STANDSTILL_RPM))
		enter(z, ZERO_END, snap);
	else if (mono_diff_s(snap->now, z->phase_at) > (z->config.by_hand ? HAND_WAIT_S : COAST_S))
		give_up(ret, "the shaft does not come to rest");
	if (z->config.by_hand && !z->told && ret->event.kind == SEQ_EVENT_NONE && !ret->stop) {
		z->told = true;
		ret->event.kind = SEQ_EVENT_NOTE;
		snprintf(ret->event.text, sizeof ret->event.text, "let the shaft come to rest");
	}
}

static double progress(const struct seq_zero *z)
{
	static const double done[] = { 0, 0.05, 0.2, 0.95, 1 };

	return z->phase == ZERO_SETTLE || z->phase == ZERO_AVERAGE ? done[z->phase] + (z->back ? 0.45 : 0) : done[z->phase];
}

static void set_wish(struct seq_zero *z, double dt_s, struct seq_out *ret)
{
	bool turn = z->phase == ZERO_SETTLE || z->phase == ZERO_AVERAGE;
	double wanted = z->back ? -z->config.speed_rpm : z->config.speed_rpm;

	if (z->config.by_hand)
		return;
	ret->wish.power = z->phase != ZERO_END;
	if (!turn)
		return;
	z->speed_set_rpm = toward(z->speed_set_rpm, wanted, z->config.slew_rpm_per_s * dt_s);
	ret->wish.mode = DRIVE_SPEED;
	ret->wish.speed_rpm = z->speed_set_rpm;
}

void seq_zero_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct seq_zero *z = state;

	if (!z->started) {
		z->started = true;
		z->last_now = snap->now;
		enter(z, ZERO_START, snap);
	}
	double dt_s = mono_diff_s(snap->now, z->last_now);
	z->last_now = snap->now;
	ret->phase = "zero";
	switch (z->phase) {
	case ZERO_START: step_start(z, snap, ret); break;
	case ZERO_SETTLE: step_settle(z, snap, ret); break;
	case ZERO_AVERAGE: step_average(z, snap, ret); break;
	case ZERO_COAST: step_coast(z, snap, ret); break;
	case ZERO_END: break;
	}
	z->last_conversion = snap->cell_conversions;
	ret->progress_frac = progress(z);
	ret->done = z->phase == ZERO_END;
	set_wish(z, dt_s, ret);
}
