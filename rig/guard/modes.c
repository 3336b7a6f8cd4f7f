/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "guard/guard_private.h"

#include <math.h>

/* Common practice, no source, all of them. */
#define OFF_S 0.1         /* between two modes: two set-points, so that one lost line does not join them */
#define FAST_TIMES 1.25   /* a drive's limiter gives way by so much ... */
#define FAST_STILL 2.0    /* ... and so many standstill speeds, which pulses make of a slow shaft ... */
#define FAST_S 0.25       /* ... and comes back within this */
#define PERSON_FAST_S 0.5 /* a drive that a person set springs up when its load goes: no longer than this */
#define NEAR_deg 5.0      /* about there: either way is right */

static bool has_own_limit(enum drive_mode mode)
{
	return mode == DRIVE_TORQUE || mode == DRIVE_POSITION;
}

static bool may_change(const struct guard *g, const struct snapshot *snap, enum drive_mode mode)
{
	bool again = g->drive.was == mode || g->drive.was == DRIVE_OFF;

	if (g->last.mode != DRIVE_OFF)
		return g->last.mode == mode;
	return again || mono_diff_s(snap->now, g->drive.out_at) >= OFF_S - 1e-9;
}

static double along(double value, int expect_direction)
{
	return value * expect_direction < 0 ? 0 : value;
}

static double angle_deg(const struct snapshot *snap)
{
	return 360 * snap->angle_rev;
}

static double begin_deg(const struct guard *g, const struct snapshot *snap)
{
	return g->last.mode == DRIVE_POSITION ? g->drive.begin_deg : angle_deg(snap);
}

static bool is_watched(const struct guard_limits *l)
{
	return !(l->travel_deg <= 0);
}

static double origin_deg(const struct guard *g, const struct snapshot *snap)
{
	return g->drive.has_origin ? g->drive.origin_deg : angle_deg(snap);
}

static bool may_go(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
		   const struct wish *want)
{
	bool limited = clamp(want->speed_rpm, 0, l->speed_rpm) > 0 && l->expect_pick;

	if (isnan(wish_set_point(want)) || !may_change(g, snap, want->mode))
		return false;
	switch (want->mode) {
	case DRIVE_SPEED:
	case DRIVE_CURRENT: return true;
	case DRIVE_TORQUE: return limited;
	case DRIVE_POSITION:
		return limited && l->slow_rpm > 0 && l->travel_deg > 0 && l->expect_direction == 0 &&
		       isfinite(begin_deg(g, snap));
	case DRIVE_OFF: return false;
	}
	return false; /* not a mode at all */
}

void modes_clamp(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
		 const struct wish *want, struct wish *ret)
{
	double offset_deg = begin_deg(g, snap) - origin_deg(g, snap);

	if (!may_go(g, l, snap, want))
		return;
	ret->mode = want->mode;
	if (want->mode == DRIVE_SPEED)
		ret->speed_rpm = along(clamp(want->speed_rpm, -l->speed_rpm, l->speed_rpm), l->expect_direction);
	if (want->mode == DRIVE_CURRENT)
		ret->drive_A = along(clamp(want->drive_A, -l->drive_A, l->drive_A), l->expect_direction);
	if (want->mode == DRIVE_TORQUE)
		ret->torque_Nm = along(clamp(want->torque_Nm, -l->torque_Nm, l->torque_Nm), l->expect_direction);
	if (want->mode == DRIVE_POSITION)
		ret->angle_deg = clamp(want->angle_deg, -l->travel_deg - offset_deg, l->travel_deg - offset_deg);
	if (has_own_limit(want->mode))
		ret->speed_rpm = clamp(want->speed_rpm, 0,
				       want->mode == DRIVE_POSITION ? fmin(l->speed_rpm, l->slow_rpm) : l->speed_rpm);
}

static bool differs(double a, double b)
{
	return !(a <= b && a >= b);
}

bool modes_was_cut(const struct wish *want, const struct wish *allowed)
{
	return want->power != allowed->power || want->mode != allowed->mode ||
	       differs(want->brake_A, allowed->brake_A) || differs(wish_set_point(want), wish_set_point(allowed)) ||
	       (has_own_limit(want->mode) && differs(want->speed_rpm, allowed->speed_rpm));
}

void modes_note(struct guard *g, const struct snapshot *snap, const struct wish *allowed)
{
	if (!g->drive.has_origin && g->loaded) {
		g->drive.origin_deg = angle_deg(snap);
		g->drive.has_origin = true;
	}
	if (allowed->mode == DRIVE_OFF)
		return;
	if (g->last.mode != allowed->mode)
		g->drive.begin_deg = angle_deg(snap);
	g->drive.was = allowed->mode;
	g->drive.out_at = snap->now;
}

static double left_deg(const struct guard *g, const struct snapshot *snap)
{
	double left = g->last.angle_deg - (angle_deg(snap) - g->drive.begin_deg);

	return fabs(left) > NEAR_deg ? left : 0;
}

double modes_sense(const struct guard *g, const struct look *k)
{
	if (!k->driven || k->limits->expect_direction != 0)
		return k->driven ? k->limits->expect_direction : 0;
	return sense_of(g->last.mode == DRIVE_POSITION ? left_deg(g, k->snap) : wish_set_point(&g->last));
}

/* Without a mode what went out to a person is 0. */
double modes_speed_rpm(const struct guard_limits *l, const struct wish *last)
{
	if (l->by_person)
		return last->power ? fabs(last->speed_rpm) : INFINITY;
	return has_own_limit(last->mode) ? last->speed_rpm : INFINITY;
}

bool modes_too_fast(struct guard *g, const struct look *k)
{
	double own_rpm = modes_speed_rpm(k->limits, &g->last);
	double limit_rpm = FAST_TIMES * own_rpm + FAST_STILL * k->limits->standstill_rpm;
	bool fast = k->armed && !isinf(own_rpm) && !(fabs(k->snap->speed_rpm) <= limit_rpm);

	g->drive.fast_s = fast ? g->drive.fast_s + k->dt_s : 0;
	return fast && !(g->drive.fast_s <= (k->limits->by_person ? PERSON_FAST_S : FAST_S));
}

double modes_turned_deg(const struct guard *g, const struct snapshot *snap)
{
	return angle_deg(snap) - origin_deg(g, snap);
}

bool modes_too_far(const struct guard *g, const struct look *k)
{
	return k->loaded && is_watched(k->limits) && !(fabs(modes_turned_deg(g, k->snap)) <= k->limits->travel_deg);
}

double modes_stand_s(const struct guard *g, const struct guard_limits *l)
{
	return g->last.mode == DRIVE_TORQUE ? l->stand_s : l->stall_s;
}
