/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two runs compared at common torques, with what both have in common cancelled (GUM 5.2: what enters both with one sign
 * drops out of a difference). Pure.
 *
 * Between two neighbouring points of a branch a quantity is the chord's; how far the parabolas through three neighbours
 * lie from it, and a quarter of that beyond, are limits (rectangular). Only inside what both runs measured, never
 * beyond. Both curves are about the same true torque, so the error of the torque goes along with the slope, and what
 * another window of each run would scatter by is part of u. */
#ifndef BRIDLE_REPORTS_REDUCE_COMPARE_H
#define BRIDLE_REPORTS_REDUCE_COMPARE_H

#include "reports/reduce/report.h"

#define COMPARE_MOST 1600
#define COMPARE_COMMON 8
#define COMPARE_WARNINGS 12

enum compare_quantity { COMPARE_SPEED, COMPARE_EFFICIENCY, COMPARE_INPUT_POWER, COMPARE_CURRENT, COMPARE_QUANTITIES };
const char *compare_word(enum compare_quantity quantity); /* "speed_rpm", "efficiency", "input_power_W", "current_A" */

struct compare_side {
	const struct report *report; /* of a run, not of hand-taken readings; borrowed */
	const char *origin;          /* the logbook or pack it comes from; alike: one rig */
};

struct difference {
	enum compare_quantity quantity;
	int direction;           /* +1 loading, -1 unloading */
	double torque_Nm;        /* the common torque: that of a point of the reference */
	double commanded_rpm;    /* speed that both plans commanded there; NaN in current mode */
	double value, u, dof, U; /* other less reference; U at the stated confidence */
	bool real;               /* |value| > U */
	/* What cancels, the largest first: names of sources, u that each would have added twice. */
	size_t n_common;
	struct common_source {
		char name[48];
		double u;
	} common[COMPARE_COMMON];
};

struct comparison {
	size_t n;
	struct difference list[COMPARE_MOST];
	bool cut; /* there were more */
	bool same_rig, same_calibration;
	size_t n_warnings;
	char warning[COMPARE_WARNINGS][300];
};

/* other less reference. ret: written whole on success.
 * RC_ARG   nothing can be compared: hand-taken readings, or no torque that both runs measured on a branch at one speed
 * RC_NOMEM */
enum rc compare_runs(const struct compare_side *reference, const struct compare_side *other, double confidence,
		     struct comparison *ret, struct err *err) MUST_CHECK;

/* Another quantity at the same torque, way and commanded speed; NULL: none. */
const struct difference *compare_alike(const struct comparison *c, const struct difference *like,
				       enum compare_quantity quantity);

#endif
