/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The guard's watches: one function a cause, each seeing every tick of GUARD_RUN. The guard's own; see guard.h. */
#ifndef BRIDLE_GUARD_GUARD_PRIVATE_H
#define BRIDLE_GUARD_GUARD_PRIVATE_H

#include "guard/guard.h"

#include <math.h>

/* Of the largest brake current: above it the brake loads the shaft, and a live cell never reads the same for long. */
#define WATCH_LOADED_FRAC 0.05

/* Within [low, high]; not a number, or no limit to hold against: 0. */
static inline double clamp(double value, double low, double high)
{
	if (isnan(value) || isnan(low) || isnan(high))
		return 0;
	return value < low ? low : value > high ? high : value;
}

static inline double sense_of(double value)
{
	return value > 0 ? 1 : value < 0 ? -1 : 0;
}

struct look {
	const struct guard_limits *limits;
	const struct snapshot *snap;
	double dt_s;
	bool live;   /* something energised (contactor, drive, brake) is wanted now or was at any time before */
	bool armed;  /* live, and what that needs is known (or should be by now) */
	bool loaded; /* the same of what can make torque (drive, brake), and of torque and speed */
	bool driven; /* a drive mode was let through on the tick before */
};

struct finding {
	enum cause cause;
	double value, limit; /* NaN when no number tells more */
	int channel;         /* that of the cause, unless the watch knows better; enum channel_id; -1 */
};

/* Steps every watch and gives the first cause in the order of their weight; CAUSE_NONE when all is well. */
struct finding watch_all(struct guard *g, const struct look *look);

/* By how much of the larger one the drive's rotor and the pick-up differ about the shaft's speed, in direction too
 * where the pick-up tells one: a half is a factor of 2, turning against each other 1 to 2. NaN: one of them, or the
 * gear ratio, is not known. */
double watch_rotor_differs_frac(const struct guard_limits *limits, const struct snapshot *snap);
/* The pick-up says that the shaft stands, the drive that it turns. */
bool watch_pick_contradicted(const struct guard_limits *limits, const struct snapshot *snap);
/* The node has gone safe by itself: it has taken the drive's torque away and holds the brake. */
bool watch_node_is_safe(const struct snapshot *snap);

/* The rotor turns faster than by hand, the drive is enabled, or the node drives an output. */
bool watch_is_active(const struct guard_limits *limits, const struct snapshot *snap);

/* Lines, node's state, drive's data and the node's temperatures are young enough to be believed. */
bool watch_slow_fresh(const struct guard_limits *limits, const struct snapshot *snap);

/* What must be known before the contactor is closed, and before drive or brake may make torque. */
bool watch_power_ready(const struct guard_limits *limits, const struct snapshot *snap);
bool watch_load_ready(const struct guard_limits *limits, const struct snapshot *snap);

/* The modes of the drive: what goes out in each, and what the watches then expect (docs/invariants.md, D1 to D6). A
 * drive that is told a speed holds it against any load. One that is told a torque or a current gets faster without end
 * when its load lets go, so in torque mode a speed limit goes out with the torque, which the drive keeps and the guard
 * watches. Position mode turns slowly, both ways, and no farther than the run allows. */

/* The drive's part of what may go out on this tick; nothing where the mode may not. The contactor is wanted and seen
 * closed. */
void modes_clamp(const struct guard *g, const struct guard_limits *l, const struct snapshot *snap,
		 const struct wish *want, struct wish *ret);

/* What is not used in a mode may hold anything: it is sent as 0 and that is no cut. */
bool modes_was_cut(const struct wish *want, const struct wish *allowed);

/* After each tick, before it becomes g->last: where a mode began, and where the shaft was first loaded. */
void modes_note(struct guard *g, const struct snapshot *snap, const struct wish *allowed);

/* The way that a driven shaft has to turn, +1 or -1: the profile's, else the set-point's; 0 where either is right. */
double modes_sense(const struct guard *g, const struct look *k);

/* The speed limit that went out with the mode, or what a person may turn the drive up to; INFINITY where there is
 * none. */
double modes_speed_rpm(const struct guard_limits *l, const struct wish *last);
/* Beyond that limit for longer than a drive takes to come back to it. Steps once a tick. */
bool modes_too_fast(struct guard *g, const struct look *k);

/* How far the shaft has turned since it was first loaded, degrees; NaN unknown. */
double modes_turned_deg(const struct guard *g, const struct snapshot *snap);

/* Farther than the run allows, or nobody knows how far. */
bool modes_too_far(const struct guard *g, const struct look *k);

/* How long the shaft may stand under torque. */
double modes_stand_s(const struct guard *g, const struct guard_limits *l);

#endif
