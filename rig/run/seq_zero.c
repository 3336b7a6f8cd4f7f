/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_zero.h"

#include "calib/number/units.h"

#include <math.h>
#include <stdio.h>

#define CONTACTOR_S 2.0
#define STANDSTILL_RPM 1.0
#define COAST_S 20.0
#define HAND_WAIT_S 120.0
#define HAND_FRAC 0.6  /* how near to the wanted speed a hand must be */
#define THERE_FRAC 0.1 /* and a drive */
#define STAY_FRAC \
	0.3 /* how far a speed once reached may seem to be off: one mark that is out of place is no change of speed */
#define SLOW_S 30.0     /* longer than planned by this much: the shaft does not turn as told */
#define AGAIN_TURNS 0.5 /* of the settling turns, after the first way: only the way changed */
#define TRIES 4         /* most readings forward, backward, forward */
#define FADE_FRAC 0.02  /* of the drag: what two forward readings may differ by */
#define FADE_SURE 3.0   /* and standard uncertainties of their difference */
#define REVERSED_SURE \
	5.0 /* standard uncertainties by which the torque must have changed, when nothing else tells the way */
#define CLEAR_TURNS 5.0

void seq_zero_begin(struct seq_zero *z, const struct zero_config *config)
{
	*z = (struct seq_zero){
		.config = *config, .zero_count = NAN, .u_zero_count = NAN, .drag_count = NAN, .ambient_degC = NAN
	};
	stats_run_begin(&z->run);
}

int seq_zero_way(const struct seq_zero *z)
{
	return z->way == 1 ? -1 : +1;
}

static double wanted_rpm(const struct seq_zero *z)
{
	return seq_zero_way(z) * z->config.speed_rpm;
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

/* The share of this way in turns and time: the two forwards together weigh as much as the backward one. */
static double share(const struct seq_zero *z)
{
	return z->way == 1 ? 1 : 0.5;
}

static double settle_turns(const struct seq_zero *z)
{
	return z->config.settle_turns * (z->way == 0 ? 1 : AGAIN_TURNS);
}

static double turned_rev(const struct seq_zero *z, const struct snapshot *snap)
{
	return fabs(snap->angle_rev - z->phase_angle_rev);
}

static bool too_slow(const struct seq_zero *z, const struct snapshot *snap, double turns)
{
	double planned_s = fmax(z->config.least_s, turns * 60 / z->config.speed_rpm) +
			   2 * z->config.speed_rpm / z->config.slew_rpm_per_s;

	return mono_diff_s(snap->now, z->phase_at) > planned_s + (z->config.by_hand ? HAND_WAIT_S : SLOW_S);
}

static void begin_try(struct seq_zero *z, const struct snapshot *snap)
{
	z->way = 0;
	pole_clear_begin(&z->clear, z->config.clear_A);
	enter(z, pole_clear_done(&z->clear) ? ZERO_SETTLE : ZERO_CLEAR, snap);
}

static void finish_way(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	struct stats_mean mean = stats_run_result(&z->run);
	bool back = z->way == 1 && z->reversed;

	z->half[z->way] = (struct turned_half){ .at_s = (s_from_ns(z->phase_at.ns) + s_from_ns(snap->now.ns)) / 2,
						.mean = mean.mean,
						.u = mean.u_mean };
	ret->event.kind = SEQ_EVENT_POINT;
	ret->event.point = (struct seq_point){
		.step = -1,
		.direction = back ? -1 : +1,
		.flags = POINT_TARE,
		.setpoint_Nm = NAN,
		.setpoint_A = NAN,
		.setpoint_rpm = wanted_rpm(z),
		.begin = z->phase_at,
		.end = snap->now,
		.settle_s = z->settle_s,
		.mean_torque_Nm = snap->torque_Nm,
		.mean_speed_rpm = snap->speed_rpm,
	};
}

/* Has the drag changed between the two forward readings, and by enough to matter? */
static bool still_fades(const struct turned_zero *t)
{
	return fabs(t->fade) > FADE_SURE * t->u_fade && fabs(t->fade) > FADE_FRAC * fabs(t->drag);
}

static void conclude(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	z->zero_count = z->found.zero;
	z->drag_count = z->found.drag;
	z->u_zero_count =
		hypot(hypot(z->found.u_zero, z->config.u_drag_ratio * z->found.unlike), z->found.fade_limit / sqrt(3));
	z->ambient_degC = snap->temp_degC[TEMP_AMBIENT];
	if (z->fades)
		snprintf(z->say, sizeof z->say,
			 "zero: the brake's drag still changes after %d readings: the zero's uncertainty is larger",
			 TRIES);
	if (z->config.set_tare) {
		ret->set_tare = true;
		ret->tare_count = z->zero_count;
	}
}

static void try_again(struct seq_zero *z, const struct snapshot *snap)
{
	snprintf(z->say, sizeof z->say, "zero: the brake's drag still changes, read again (%u of %d)", z->round + 1,
		 TRIES);
	if (z->config.clear_A > 0) {
		begin_try(z, snap);
		return;
	}
	z->half[0] = z->half[2];
	z->way = 1;
	enter(z, ZERO_SETTLE, snap);
}

static void after_way(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	z->told = false;
	if (z->way == 1 && !z->reversed) {
		enter(z, ZERO_COAST, snap);
		return;
	}
	if (z->way < 2) {
		z->way++;
		enter(z, ZERO_SETTLE, snap);
		return;
	}
	z->found = turned_zero_join(z->half, 3, z->config.drag_ratio);
	z->fades = still_fades(&z->found);
	if (z->fades && ++z->round < TRIES) {
		try_again(z, snap);
		return;
	}
	conclude(z, snap, ret);
	enter(z, ZERO_COAST, snap);
}

static void step_start(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	if (z->config.by_hand || snap->contactor_closed)
		begin_try(z, snap);
	else if (mono_diff_s(snap->now, z->phase_at) > CONTACTOR_S)
		give_up(ret,
			"the contactor does not close: check the emergency stop, the guard switch and their wiring");
}

static bool is_there(const struct seq_zero *z, const struct snapshot *snap)
{
	double wanted = wanted_rpm(z),
	       speed = z->config.no_direction ? copysign(snap->speed_rpm, wanted) : snap->speed_rpm;
	double off = fabs(speed - wanted);

	if (z->config.by_hand)
		return off <= HAND_FRAC * z->config.speed_rpm;
	return fabs(z->speed_set_rpm - wanted) < 1e-9 &&
	       off <= (z->there ? STAY_FRAC : THERE_FRAC) * z->config.speed_rpm;
}

static void tell(struct seq_zero *z, struct seq_out *ret)
{
	if (!z->config.by_hand || z->told || ret->event.kind != SEQ_EVENT_NONE)
		return;
	z->told = true;
	ret->event.kind = SEQ_EVENT_NOTE;
	snprintf(ret->event.text, sizeof ret->event.text, "turn the shaft %s at about %.3g rpm, for the zero",
		 z->way == 1 ? "back" : "forward", z->config.speed_rpm);
}

/* The current rises once the shaft turns as it should; from then on the clearing looks after itself. */
static void step_clear(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	tell(z, ret);
	if (too_slow(z, snap, CLEAR_TURNS)) {
		give_up(ret, "the shaft does not turn under the current that clears the brake: check drive, supply and "
			     "pick-up");
		return;
	}
	if (!(z->clear.current_A > 0) && !is_there(z, snap))
		return;
	pole_clear_step(&z->clear, dt_s, snap->angle_rev - z->last_angle_rev, snap->speed_rpm, z->config.speed_rpm);
	if (pole_clear_done(&z->clear))
		enter(z, z->config.clear_only ? ZERO_COAST : ZERO_SETTLE, snap);
}

static void step_settle(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	tell(z, ret);
	if (too_slow(z, snap, settle_turns(z))) {
		give_up(ret, "the shaft does not turn slowly both ways for the zero: check drive, supply and pick-up");
		return;
	}
	z->there = is_there(z, snap);
	if (!z->there)
		z->phase_angle_rev = snap->angle_rev; /* whole turns at the speed asked for, not on the way to it */
	/* This comes to be at a pulse, so one pulse a turn still makes whole turns. */
	if (turned_rev(z, snap) < settle_turns(z))
		return;
	z->settle_s = mono_diff_s(snap->now, z->phase_at);
	enter(z, ZERO_AVERAGE, snap);
	stats_run_begin(&z->run);
}

/* Did the shaft turn back? A pick-up with a direction has told it by its speed. Else the drive's rotor, seen to turn,
 * decides; else the torque, when it has changed by what drag on both sides changes it. */
static bool turned_back(const struct seq_zero *z, const struct snapshot *snap)
{
	double back_rpm = -snap->drive_rotor_rpm;
	struct stats_mean now = stats_run_result(&z->run);

	if (!z->config.no_direction)
		return true;
	if (fabs(back_rpm) > STANDSTILL_RPM && !z->config.by_hand)
		return back_rpm > 0;
	return z->half[0].mean - now.mean > REVERSED_SURE * hypot(z->half[0].u, now.u_mean);
}

static void step_average(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	double turns = share(z) * z->config.average_turns, least_s = share(z) * z->config.least_s;

	if (snap->channel[CHANNEL_CELL].fresh != z->last_conversion)
		stats_run_add(&z->run, z->config.sign * (double)snap->cell_count);
	if (too_slow(z, snap, turns)) {
		give_up(ret, "the shaft stopped turning while the zero was read");
		return;
	}
	if (turned_rev(z, snap) < turns || mono_diff_s(snap->now, z->phase_at) < least_s || z->run.n < 8)
		return;
	if (z->way == 1)
		z->reversed = turned_back(z, snap);
	finish_way(z, snap, ret);
	after_way(z, snap, ret);
}

static void step_coast(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret)
{
	/* A cell that reads less when the actuator pushes forward is wired or signed the wrong way round. */
	if (z->drag_count < -3 * z->u_zero_count)
		give_up(ret, "the torque has the wrong sign: check [cell] sign and [pickup] sign in rig.ini");
	else if (!(fabs(snap->speed_rpm) > STANDSTILL_RPM))
		enter(z, ZERO_END, snap);
	else if (mono_diff_s(snap->now, z->phase_at) > (z->config.by_hand ? HAND_WAIT_S : COAST_S))
		give_up(ret, "the shaft does not stop");
	if (z->config.by_hand && !z->told && ret->event.kind == SEQ_EVENT_NONE && !ret->stop) {
		z->told = true;
		ret->event.kind = SEQ_EVENT_NOTE;
		snprintf(ret->event.text, sizeof ret->event.text, "let the shaft stop");
	}
}

static void say(struct seq_zero *z, struct seq_out *ret)
{
	if (z->say[0] == '\0' || ret->event.kind != SEQ_EVENT_NONE || ret->stop)
		return;
	ret->event.kind = SEQ_EVENT_NOTE;
	snprintf(ret->event.text, sizeof ret->event.text, "%s", z->say);
	z->say[0] = '\0';
}

static double progress(const struct seq_zero *z)
{
	double way = 0.2 + 0.25 * z->way;

	switch (z->phase) {
	case ZERO_START: return 0;
	case ZERO_CLEAR: return z->config.clear_only ? fmin(0.9, z->clear.turned_rev / CLEAR_TURNS) : 0.1;
	case ZERO_SETTLE: return way;
	case ZERO_AVERAGE: return way + 0.1;
	case ZERO_COAST: return 0.97;
	case ZERO_END: return 1;
	}
	return 0;
}

static void set_wish(struct seq_zero *z, double dt_s, struct seq_out *ret)
{
	bool turn = z->phase == ZERO_CLEAR || z->phase == ZERO_SETTLE || z->phase == ZERO_AVERAGE;

	ret->wish.brake_A = z->phase == ZERO_CLEAR ? z->clear.current_A : 0;
	if (z->config.by_hand)
		return;
	ret->wish.power = z->phase != ZERO_END;
	if (!turn)
		return;
	z->speed_set_rpm = toward(z->speed_set_rpm, wanted_rpm(z), z->config.slew_rpm_per_s * dt_s);
	ret->wish.mode = DRIVE_SPEED;
	ret->wish.speed_rpm = z->speed_set_rpm;
}

static void step_phase(struct seq_zero *z, const struct snapshot *snap, struct seq_out *ret, double dt_s)
{
	switch (z->phase) {
	case ZERO_START: step_start(z, snap, ret); break;
	case ZERO_CLEAR: step_clear(z, snap, ret, dt_s); break;
	case ZERO_SETTLE: step_settle(z, snap, ret); break;
	case ZERO_AVERAGE: step_average(z, snap, ret); break;
	case ZERO_COAST: step_coast(z, snap, ret); break;
	case ZERO_END: break;
	}
}

void seq_zero_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct seq_zero *z = state;

	if (!z->started) {
		z->started = true;
		z->last_now = snap->now;
		z->last_angle_rev = snap->angle_rev;
		enter(z, ZERO_START, snap);
	}
	double dt_s = mono_diff_s(snap->now, z->last_now);
	z->last_now = snap->now;
	ret->phase = z->phase == ZERO_CLEAR ? "clear" : "zero";
	if (snap->drive_waits)
		enter(z, z->phase, snap);
	else
		step_phase(z, snap, ret, dt_s);
	say(z, ret);
	z->last_conversion = snap->channel[CHANNEL_CELL].fresh;
	z->last_angle_rev = snap->angle_rev;
	ret->progress_frac = progress(z);
	ret->done = z->phase == ZERO_END;
	set_wish(z, dt_s, ret);
}
