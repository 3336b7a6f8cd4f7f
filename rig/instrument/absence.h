/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Time in which this program itself did not look (it was stopped, or held up) is not held against an instrument. */
#ifndef BRIDLE_INSTRUMENT_ABSENCE_H
#define BRIDLE_INSTRUMENT_ABSENCE_H

#include "channel/clock.h"

#include <math.h>

#define ABSENCE_S 0.15 /* who looks later was away: the slowest tick of a profile is 0.1 s, and none comes on the dot */

struct absence {
	struct mono looked;
	double away_s; /* since the newest reading */
};

static inline struct absence absence_from(struct mono now)
{
	return (struct absence){ .looked = now };
}

/* At each look, before what it finds is taken in. */
static inline void absence_look(struct absence *absence, struct mono now)
{
	double gap_s = mono_diff_s(now, absence->looked);

	if (gap_s > ABSENCE_S)
		absence->away_s += gap_s;
	absence->looked = now;
}

/* A reading came. */
static inline void absence_over(struct absence *absence)
{
	absence->away_s = 0;
}

/* The age of a reading taken then. */
static inline double absence_age_s(const struct absence *absence, struct mono now, struct mono taken)
{
	return fmax(0, mono_diff_s(now, taken) - absence->away_s);
}

#endif
