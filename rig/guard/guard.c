/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard/guard.h"

#include "calib/units.h"
#include "guard/watch.h"

#include <math.h>
#include <string.h>

/* Common practice, no source. */
#define READY_S 1.5
#define STANDING_S 0.3
#define HOLD_DEFAULT_S 10.0 /* the node's own longest hold, when the limit is not a number */

static bool is_loading(const struct wish *w)
{
	return w->mode != DRIVE_OFF || !(w->brake_A <= 0);
}

static bool is_energising(const struct wish *w)
{
	return w->power || is_loading(w);
}

/* Within [low, high]; not a number, or no limit to hold against: 0. */
static double clamp(double value, double low, double high)
{
	if (isnan(value) || isnan(low) || isnan(high))
		return 0;
	return value < low ? low : value > high ? high : value;
}

static bool has_drive(const struct wish *want)
{
	switch (want->mode) {
	case DRIVE_SPEED:
		return !isnan(want->speed_rpm);
	case DRIVE_CURRENT:
		return !isnan(want->drive_A);
	case DRIVE_OFF:
		return false;
	}
	return false; /* not a mode at all */
}

static void clamp_drive(const struct guard_limits *l, const struct snapshot *snap, const struct wish *want,
			struct wish *ret)
{
	bool closed = !l->expect_lines || (snap->lines_seen && snap->contactor_closed);

	if (!ret->power || !closed || !has_drive(want))
		return;
	ret->mode = want->mode;
	if (want->mode == DRIVE_CURRENT) {
		ret->drive_A = clamp(want->drive_A, -l->drive_A, l->drive_A);
		return;
	}
	ret->speed_rpm = clamp(want->speed_rpm, -l->speed_rpm, l->speed_rpm);
	if (ret->speed_rpm * l->expect_direction < 0)
		ret->speed_rpm = 0;
}

static bool differs(double a, double b)
{
	return !(a <= b && a >= b);
}

/* What is not used in a mode may hold anything: it is sent as 0 and that is no cut. */
static bool was_cut(const struct wish *want, const struct wish *allowed)
{
	return want->power != allowed->power || want->mode != allowed->mode || differs(want->brake_A, allowed->brake_A) ||
	       (want->mode == DRIVE_SPEED && differs(want->speed_rpm, allowed->speed_rpm)) ||
	       (want->mode == DRIVE_CURRENT && differs(want->drive_A, allowed->drive_A));
}

static struct wish clamp_wish(const struct guard_limits *l, const struct snapshot *snap, const struct wish *want)
{
	struct wish ret = { .power = want->power, .brake_A = clamp(want->brake_A, 0, l->brake_A) };

	clamp_drive(l, snap, want, &ret);
	return ret;
}

/* The stop. */

static bool is_standing(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	bool fresh = !snap->node_lost && !snap->node_reset && snap->sample_age_s <= l->silent_s;
	bool open = !l->expect_lines || (snap->lines_seen && !snap->contactor_closed);

	return l->expect_pick && !g->pick_doubted && fresh && open && fabs(snap->speed_rpm) < l->standstill_rpm;
}

/* More current than there is now would make these worse. */
static bool is_brake_to_blame(enum cause cause)
{
	return cause == CAUSE_OVERTORQUE || cause == CAUSE_CELL_SATURATED || cause == CAUSE_BRAKE_POWER ||
	       cause == CAUSE_BRAKE_ENERGY || cause == CAUSE_BRAKE_HOT;
}

/* The larger of what the coil has, what was asked, and half of what a stop may hold while the shaft turns or nobody knows:
 * half, as the node does it (docs/tether.md). Never more than the stop may hold. */
static double hold_current_A(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double present_A = fmax(g->last.brake_A, isnan(snap->brake_A) ? 0 : snap->brake_A);
	double most_A = fmin(l->hold_brake_A, l->brake_A); /* fmin passes over a NaN */
	double speed_rpm = fabs(snap->speed_rpm);
	/* Unknown counts as turning once something could have made it turn. */
	bool turns = g->loaded ? !(speed_rpm < l->standstill_rpm) : speed_rpm >= l->standstill_rpm;

	turns |= watch_pick_contradicted(l, snap);

	if (!g->energised)
		return 0;
	if (!(most_A >= 0))
		return g->last.brake_A;
	if (turns && !is_brake_to_blame(g->cause))
		present_A = fmax(present_A, 0.5 * most_A);
	return clamp(present_A, 0, most_A);
}

static void begin_stop(struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
		       const struct finding *f)
{
	g->phase = GUARD_STOP_HOLD;
	g->cause = f->cause;
	g->found = f->value;
	g->allowed_value = f->limit;
	g->cause_at = snap->now;
	g->standing = false;
	/* Judged once: a drive without power may go on saying what it said last. */
	g->pick_doubted = watch_pick_contradicted(l, snap);
	g->held_brake_A = hold_current_A(g, l, snap);
}

static bool is_over(struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double longest_s = isnan(l->stop_hold_s) ? HOLD_DEFAULT_S : l->stop_hold_s;
	bool stands = is_standing(g, l, snap);

	if (stands && !g->standing)
		g->stand_at = snap->now;
	g->standing = stands;
	if (!g->energised)
		return true;
	if (stands && mono_diff_s(snap->now, g->stand_at) >= STANDING_S)
		return true;
	return mono_diff_s(snap->now, g->cause_at) >= longest_s;
}

/* Steps. */

/* After a reset the brake has cooled over the time that passed; the other watches begin anew. */
static void cool_down(struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double rest_s = mono_diff_s(snap->now, g->last_now);

	if (!g->started && g->energy_J > 0 && rest_s > 0)
		g->energy_J = fmax(0, g->energy_J - l->slip_power_W * rest_s);
}

static double step_time_s(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap)
{
	double dt_s = g->started ? mono_diff_s(snap->now, g->last_now) : l->tick_s;

	return dt_s > 0 ? dt_s : 0;
}

static struct look look_at(struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
			   const struct wish *want)
{
	struct look look = { .limits = l, .snap = snap, .dt_s = step_time_s(g, l, snap) };
	bool wants = is_energising(want), loads = is_loading(want);
	bool power_ready = watch_power_ready(l, snap), load_ready = watch_load_ready(l, snap);
	bool blocked = (wants && !g->energised && !power_ready) || (loads && !g->loaded && !load_ready);

	g->run_s += look.dt_s;
	g->blocked_s = blocked ? g->blocked_s + look.dt_s : 0;
	bool overdue = g->blocked_s > READY_S;
	look.live = wants || g->energised;
	look.armed = g->energised || (wants && (power_ready || overdue));
	look.loaded = g->loaded || (loads && (load_ready || overdue));
	look.driven = g->last.mode != DRIVE_OFF;
	return look;
}

static struct wish allow(const struct look *look, const struct wish *want)
{
	struct wish off = { 0 };

	if (!look->armed)
		return off;
	if (!look->loaded) {
		off.power = want->power;
		return off;
	}
	return clamp_wish(look->limits, look->snap, want);
}

static void step_run(struct guard *g, const struct guard_limits *l, const struct snapshot *snap, const struct wish *want,
		     struct guard_verdict *ret)
{
	struct look look = look_at(g, l, snap, want);
	struct finding f = watch_all(g, &look);

	if (f.cause != CAUSE_NONE) {
		begin_stop(g, l, snap, &f);
		ret->newly = true;
		return;
	}
	if (look.armed && watch_node_is_safe(snap)) {
		/* It has stopped already and is about to say why: do as in a stop. */
		ret->allowed.brake_A = hold_current_A(g, l, snap);
		return;
	}
	ret->allowed = allow(&look, want);
	g->energised |= is_energising(&ret->allowed);
	g->loaded |= is_loading(&ret->allowed);
}

static void step_stop(struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
		      struct guard_verdict *ret)
{
	if (g->phase == GUARD_STOP_HOLD && is_over(g, l, snap))
		g->phase = GUARD_STOPPED;
	if (g->phase == GUARD_STOP_HOLD)
		ret->allowed.brake_A = g->held_brake_A;
	else
		g->held_brake_A = 0;
}

struct guard guard_step(struct guard g, const struct guard_limits *limits, const struct snapshot *snap,
			const struct wish *want, struct guard_verdict *ret)
{
	*ret = (struct guard_verdict){ 0 }; /* everything off unless shown otherwise */

	cool_down(&g, limits, snap);
	if (g.phase == GUARD_RUN)
		step_run(&g, limits, snap, want, ret);
	if (g.phase != GUARD_RUN)
		step_stop(&g, limits, snap, ret);
	g.last = ret->allowed;
	g.last_now = snap->now;
	g.started = true;

	ret->cause = g.cause;
	ret->clamped = was_cut(want, &ret->allowed);
	ret->stopped = g.phase == GUARD_STOPPED;
	ret->value = g.phase == GUARD_RUN ? NAN : g.found;
	ret->limit = g.phase == GUARD_RUN ? NAN : g.allowed_value;
	return g;
}

double guard_heat_J(double energy_J, double torque_Nm, double speed_rpm, double dt_s, double slip_power_W)
{
	double slip_W = fabs(shaft_power_W(torque_Nm, speed_rpm));

	if (isnan(slip_W))
		slip_W = 0; /* where torque and speed are expected, their own watches stop the run */
	return fmax(0, energy_J + slip_W * fmin(dt_s, 1) - slip_power_W * dt_s);
}

struct guard guard_warm(double energy_J, struct mono at)
{
	return (struct guard){ .energy_J = energy_J, .last_now = at };
}

struct guard guard_reset(struct guard g)
{
	return g.phase == GUARD_STOPPED ? guard_warm(g.energy_J, g.last_now) : g;
}
