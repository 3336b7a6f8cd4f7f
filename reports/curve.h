/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A run or a table of hand-taken readings reduced to curves: each point with its
 * uncertainty by source and what limited it. Reads the logbook, never an instrument. */
#ifndef BRIDLE_REPORTS_CURVE_H
#define BRIDLE_REPORTS_CURVE_H

#include "calib/err.h"
#include "calib/uncertain.h"
#include "logbook/logbook.h"
#include "profile/profile.h"

#include <stdbool.h>
#include <stddef.h>

/* What limited a point: the actuator itself unless something else came first. */
enum limit {
	LIMIT_NONE,       /* nothing: the set-point was reached */
	LIMIT_ACTUATOR,   /* the actuator could not do more: speed fell off, with supply and drive not limiting */
	LIMIT_DRIVE,      /* the drive's current limit or derating */
	LIMIT_SUPPLY,     /* current limit reached, voltage sagging; or undervoltage drop-out */
	LIMIT_BRAKE,      /* brake at full current */
	LIMIT_CELL,       /* cell at full scale */
	LIMIT_HEAT
};
const char *limit_word(enum limit limit);  /* "none", "actuator", "drive-limited", "supply-limited", ... */
const char *limit_sentence(enum limit limit);

struct curve_point {
	int step, direction; /* +1 loading, -1 unloading, 0 */
	unsigned flags;      /* POINT_... */
	bool settled, efficiency_valid; /* near zero power efficiency means nothing */
	enum limit limit;
	struct unc torque_Nm, speed_rpm, shaft_power_W, voltage_V, current_A, input_power_W, efficiency;
	double case_degC, winding_degC, brake_degC, ambient_degC, brake_A; /* indicated; NaN when unknown */
	double rotor_rpm;    /* drive's own, indicated; NaN */
	double n_effective;  /* of torque */
	double begin_s, end_s; /* bench/monotonic time of the window */
	char note[160];      /* e.g. "efficiency above 1: check sign, side or ratio" */
};

struct curve {
	struct unc_ctx *ctx; /* owns all uncertain numbers of the points */
	size_t n;
	struct curve_point *points;
	double coverage;     /* of expanded uncertainties in reports, 0.95 */
	int64_t run_id, calibration_id, map_id; /* 0 for hand-taken readings */
	char remarks[8][200];
	size_t n_remarks;    /* what the whole curve should say: rotor-side telemetry, zero drift, ... */
};
void curve_free(struct curve *curve); /* NULL is fine */

/* Reduce a sweep (and the runs that it resumes) from its samples. Profiles are those that the logbook kept. */
enum rc curve_from_run(struct logbook *lb, int64_t run_id, struct curve **ret, struct err *err) MUST_CHECK;

#endif
