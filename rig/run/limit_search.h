/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Where the limit is, at one speed: from the heaviest load that held on in half steps, then between that and the
 * lightest that did not by halves, until both are near enough. The load that held is taken once more where the last try
 * did not hold, and is the limit when it holds again. No new load above the ceiling.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_LIMIT_SEARCH_H
#define BRIDLE_RUN_LIMIT_SEARCH_H

#include "profile/sizes.h"

#include <stdbool.h>

#define LIMIT_SEARCH_TRIES 10 /* at one speed, at most */

struct limit_search {
	double rpm;              /* as commanded, negative: backward */
	double step;             /* of the plan, N·m or A: half of it is the first try */
	double fine;             /* the limit is known when held and failed are no further apart */
	double ceiling;          /* no try above it */
	const char *ceiling_why; /* "90 % of the brake torque", static */
	double held, failed;     /* heaviest that held, lightest that did not; NaN: none */
	double below[PROFILE_STEPS +
		     LIMIT_SEARCH_TRIES]; /* what held below it, rising; one that fails later leaves them */
	int n_below;
	int tries;
	bool over, found;
	char why[120]; /* why failed did not hold, or why the search ended without a limit */
};

/* The plan's rising loads in their order (at most PROFILE_STEPS), or a try. */
void limit_search_tell(struct limit_search *s, double set, bool held, const char *why);

struct limit_try {
	double set;    /* NaN: nothing more is to be tried, and over is set */
	bool is_limit; /* if it holds, it is the limit */
};
struct limit_try limit_search_next(struct limit_search *s);

/* The try that is_limit held. */
void limit_search_found(struct limit_search *s);
/* Ends it without a limit: why. */
void limit_search_end(struct limit_search *s, const char *why);

#endif
