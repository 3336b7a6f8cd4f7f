/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The guard's watches: one function a cause, each seeing every tick of GUARD_RUN. The guard's own; see guard.h. */
#ifndef BRIDLE_GUARD_WATCH_H
#define BRIDLE_GUARD_WATCH_H

#include "guard/guard.h"

struct look {
	const struct guard_limits *limits;
	const struct snapshot *snap;
	double dt_s;
	bool wants;   /* something energised is wanted now */
	bool live;    /* wanted now or energised at any time before */
	bool armed;   /* live, and what the rig has is known (or should be by now) */
	bool driven;  /* a drive mode was let through on the tick before */
};

struct finding {
	enum cause cause;
	double value, limit; /* NaN when no number tells more */
};

/* Steps every watch and gives the first cause in the order of their weight; CAUSE_NONE when all is well. */
struct finding watch_all(struct guard *g, const struct look *look);

/* What must be known before anything is energised. */
bool watch_is_ready(const struct guard_limits *limits, const struct snapshot *snap);

#endif
