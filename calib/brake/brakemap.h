/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The brake map: coil current to torque, rising and falling branch, and its
 * inverse, which is the feed-forward of the torque controller.
 * Pure arithmetic: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_CALIB_BRAKE_BRAKEMAP_H
#define BRIDLE_CALIB_BRAKE_BRAKEMAP_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>

#define BRAKEMAP_KNOTS 48

enum brakemap_branch { BRAKEMAP_RISING, BRAKEMAP_FALLING };

struct brakemap_reading {
	double current_A; /* read back, not commanded */
	double torque_Nm, u_torque_Nm;
	double slip_rpm;
	enum brakemap_branch branch;
};

/* The falling branch begins with the last rising reading, where the current turned.
 * One branch as a monotone, shape-keeping curve through the means of its currents
 * (Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980) 238). */
struct brakemap_curve {
	size_t n;
	double current_A[BRAKEMAP_KNOTS], torque_Nm[BRAKEMAP_KNOTS], u_torque_Nm[BRAKEMAP_KNOTS];
	double slope_Nm_per_A[BRAKEMAP_KNOTS];
};

struct brakemap {
	struct brakemap_curve branch[2];         /* by enum brakemap_branch */
	double drag_Nm, u_drag_Nm;               /* rising branch at zero current, before any current was given */
	double remanence_Nm, u_remanence_Nm;     /* falling branch at zero current, less the drag */
	double slope_Nm_per_A, u_slope_Nm_per_A; /* in the linear range, rising branch */
	double linear_from_A, linear_to_A;       /* found by a test, both 0 when none */
	double slip_slope_Nm_per_rpm, u_slip_slope_Nm_per_rpm; /* NaN with one slip speed */
	double lag_s, u_lag_s; /* time constant of torque after a current step; NaN when not measured */
	double min_slip_rpm, max_slip_rpm, max_A, max_Nm;
};

/* readings: borrowed. Both branches must have at least three currents. lag fields are left NaN: see brakemap_lag.
 * ret: written on success only. RC_ARG too few or not finite; RC_SINGULAR torque does not rise with current. */
enum rc brakemap_fit(const struct brakemap_reading *readings, size_t n, struct brakemap *ret,
		     struct err *err) MUST_CHECK;

/* Time constant of a first-order response to a step, by least squares; t_s from the step, n >= 8. */
enum rc brakemap_lag(const double *t_s, const double *torque_Nm, size_t n, double *ret_lag_s, double *ret_u_s,
		     struct err *err) MUST_CHECK;

/* Torque of a branch at a current, clamped to the map's range. */
double brakemap_torque(const struct brakemap *map, enum brakemap_branch branch, double current_A);

/* Feed-forward: current for a torque on a branch, clamped to [0, max_A]; NaN torque gives 0. */
double brakemap_current(const struct brakemap *map, enum brakemap_branch branch, double torque_Nm);

#endif
