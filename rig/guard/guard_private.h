/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The guard's watches: one function a cause, each seeing every tick of GUARD_RUN. The guard's own; see guard.h. */
#ifndef BRIDLE_GUARD_GUARD_PRIVATE_H
#define BRIDLE_GUARD_GUARD_PRIVATE_H

#include "guard/guard.h"

/* Of the largest brake current: above it the brake loads the shaft, and a live cell never reads the same for long. */
#define WATCH_LOADED_FRAC 0.05

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

/* The pick-up says that the shaft stands, the drive that it turns. */
bool watch_pick_contradicted(const struct guard_limits *limits, const struct snapshot *snap);
/* The node has gone safe by itself: it has taken the drive's torque away and holds the brake. */
bool watch_node_is_safe(const struct snapshot *snap);

/* Lines, node's state, drive's data and temperatures are young enough to be believed. */
bool watch_slow_fresh(const struct guard_limits *limits, const struct snapshot *snap);

/* What must be known before the contactor is closed, and before drive or brake may make torque. */
bool watch_power_ready(const struct guard_limits *limits, const struct snapshot *snap);
bool watch_load_ready(const struct guard_limits *limits, const struct snapshot *snap);

#endif
