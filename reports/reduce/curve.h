/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A run or a table of hand-taken readings reduced to curves: each point with its
 * uncertainty by source and what limited it. Reads the logbook, never an instrument.
 *
 * Sides and signs: everything at the output shaft unless the name says rotor; torque,
 * speed and shaft power are positive when the actuator drives the shaft forward. */
#ifndef BRIDLE_REPORTS_REDUCE_CURVE_H
#define BRIDLE_REPORTS_REDUCE_CURVE_H

#include "calib/number/err.h"
#include "calib/number/coverage.h"
#include "calib/number/uncertain.h"
#include "channel/limit.h"
#include "channel/limit_found.h"
#include "logbook/logbook.h"
#include "profile/sizes.h"

#include <jansson.h>
#include <stdbool.h>
#include <stddef.h>

const char *limit_word(enum limit limit); /* "none", "actuator", "drive-limited", "plan-limited", "not known", ... */
const char *limit_sentence(enum limit limit);
bool limit_is_other(enum limit limit); /* something other than the actuator came first */

struct curve_point {
	int step, direction;            /* +1 loading, -1 unloading, 0 */
	unsigned flags;                 /* POINT_... */
	bool settled, efficiency_valid; /* near zero power efficiency means nothing */
	bool impossible;                /* efficiency above 1 beyond its uncertainty, or power of the wrong sign */
	bool outlier;                   /* breaks the smooth trend; flagged, never removed */
	enum limit limit;
	bool free_running; /* shown by the samples: the actuator gave all the speed that it has at this load and voltage
			    */
	char limit_note[160]; /* what was seen that says so, with its figures; "" for LIMIT_NONE */
	/* Where something was not measured the value is NaN and the number has no parts. */
	struct unc torque_Nm, speed_rpm, shaft_power_W, voltage_V, current_A, input_power_W, efficiency;
	double case_degC, winding_degC, brake_degC, ambient_degC, cell_degC, brake_A; /* indicated; NaN when unknown */
	double rotor_rpm;                                                             /* drive's own, indicated; NaN */
	double drive_A;                               /* drive's own torque-producing current, indicated; NaN */
	double setpoint_Nm, setpoint_A, setpoint_rpm; /* wanted; NaN for what the plan did not set */
	/* How well the mean would come again, k = 1: the standard error of the autocorrelated series. The true
	 * fluctuation is in it: it is no part of u, which is about the mean over this very window. Power and efficiency
	 * from the products of stretches of the window, so that what goes together in torque, speed and input power is
	 * seen. NaN where the window has too few readings or edges to tell. */
	double scatter_Nm, scatter_rpm, scatter_shaft_W, scatter_V, scatter_A, scatter_input_W, scatter_efficiency;
	double fluctuation_Nm; /* of the torque within the window, without the cell's noise; NaN likewise */
	double n_effective;    /* of torque */
	double begin_s, end_s; /* bench/monotonic time of the window */
	int64_t run_id;        /* the run that took it: a resumed sweep holds points of several */
	bool extrapolated;     /* torque beyond the weights of the calibration */
	bool at_limit;         /* the heaviest load that held at its speed, where the search found the limit */
	char note[240];        /* e.g. "efficiency above 1: check sign, side or ratio" */
};

/* The way of turning that was commanded: -1 backward, else +1. Torque and speed times it are positive while the
 * actuator works. */
int point_way(const struct curve_point *p);
/* Same commanded speed, or none of both was commanded one. */
bool points_same_speed(const struct curve_point *a, const struct curve_point *b);

/* How far the mean of another window of the same step would lie from this one, at about 95 %: two means differ by sqrt
 * 2 of what one of them scatters by, and k = 2. NaN where the scatter is not known. */
double another_window(double scatter);

/* The zeros of the torque cell, of the run and of those that it resumes. */
struct curve_zero {
	size_t n;                    /* readings */
	bool turned;                 /* all of them by turning both ways */
	bool doubted;                /* it moved by more than is explained */
	double moved_Nm, u_moved_Nm; /* furthest between two readings of a run (of the doubted stretches where there
					are any), and what of that is explained (k = 1);
					NaN where none has two */
	double noise_Nm, noise_dof;  /* of one zero reading, root mean square (k = 1); NaN where there is none */
	double locked_Nm;            /* limits of the friction that a shaft at rest may hold; 0 when turned */
	double faded_Nm;             /* limits of what fading drag may have done to it */
	double u_faded_Nm;           /* of one zero reading by that, root mean square (k = 1); NaN: none */
	char note[320];              /* what a person has to know of it; "" when nothing */
};

/* What the search for the limit came to at a speed. */
struct curve_limit {
	struct limit_found found;
	bool torque;      /* the loads are N·m; else A of the brake */
	enum limit limit; /* of the load that did not hold, from the samples; LIMIT_NONE: no limit was found */
	char text[240];   /* the logbook's sentence, and what the samples say */
};

#define CURVE_REMARKS (12 + PROFILE_SPEEDS) /* a search for the limit tells one for each speed */

struct curve {
	struct unc_ctx *ctx; /* owns all uncertain numbers of the points */
	size_t n;
	struct curve_point *points;
	bool at_flange;  /* torques hold what a bearing outside the cradle takes; else they are the brake's */
	double coverage; /* of expanded uncertainties in reports, 0.95 */
	int64_t run_id, calibration_id, map_id; /* 0 for hand-taken readings */
	/* What ended the curve: LIMIT_NONE when the plan or the table simply ended. */
	enum limit end_limit;
	char end_note[480]; /* in words; "" when there is nothing to say */
	char remarks[CURVE_REMARKS][480];
	size_t n_limits;
	struct curve_limit limits[PROFILE_SPEEDS];
	struct curve_zero zero; /* n 0 for hand-taken readings */
	size_t n_remarks;       /* what the whole curve should say: rotor-side telemetry, zero drift, ... */
};
void curve_free(struct curve *curve); /* NULL is fine */

/* The points were commanded more than one speed. */
bool curve_has_speeds(const struct curve *curve);
/* " at 60 rpm" where there are several, else "". Returns buf. */
const char *curve_at_speed(const struct curve *curve, const struct curve_point *p, char buf[40]);
/* Adds a remark; silently dropped when all rooms are taken. */
void curve_remark(struct curve *curve, const char *format, ...) PRINTF_LIKE(2, 3);
/* The same before all others, in the place of the last one when all rooms are taken: what makes the figures doubtful.
 */
void curve_remark_first(struct curve *curve, const char *format, ...) PRINTF_LIKE(2, 3);
/* Adds to a point's note, after "; "; cut where the note ends. */
void point_note(struct curve_point *p, const char *format, ...) PRINTF_LIKE(2, 3);

/* Reduce a sweep (and the runs that it resumes) from its samples. Profiles are those that the logbook kept.
 * *ret given to the caller, written on success only.
 * RC_ARG       the run is not a sweep, holds no load point or rests on no calibration
 * RC_DB        the logbook cannot be read */
enum rc curve_from_run(struct logbook *lb, int64_t run_id, struct curve **ret, struct err *err) MUST_CHECK;

/* The same of a map of the brake: points at its currents and speeds, without a plan. What it tells of noise and input
 * power serves a forecast; no published figure rests on it.
 * RC_ARG       the run is not a map, was turned by hand without an actuator, or rests on no calibration */
enum rc curve_from_map(struct logbook *lb, int64_t run_id, struct curve **ret, struct err *err) MUST_CHECK;

/* The curve as others read it: "points": [...] with torque_Nm, u_torque_Nm ... limit, settled, direction, and
 * calibration_id, map_id, coverage, remarks. Given to the caller; NULL when out of memory. */
json_t *curve_to_json(const struct curve *curve);

#endif
