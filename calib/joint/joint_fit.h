/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Does an actuator carry a duty? Its curve, its heat over the repeated cycle, its supply. No I/O. */
#ifndef BRIDLE_CALIB_JOINT_JOINT_FIT_H
#define BRIDLE_CALIB_JOINT_JOINT_FIT_H

#include "calib/joint/joint_duty.h"
#include "calib/thermal/thermal_model.h"

/* Largest torque at a speed, straight between the points; speeds rise. u_torque_Nm (k = 1) or NULL. open: 1 for a point
 * that was held and beyond which nobody looked, so that it bounds nothing; else 0; NULL: each is the largest. */
struct joint_curve {
	size_t n;
	double *speed_rpm, *torque_Nm, *u_torque_Nm, *open;
};
/* Sorts by speed, in place; of points at one speed the largest torque stays. */
void joint_curve_sort(struct joint_curve *curve);
/* Below the slowest point its torque; above the fastest none: 0. ret_u may be NULL. */
double joint_curve_at(const struct joint_curve *curve, double speed_rpm, double *ret_u);
/* Is there more to be had at that speed, for all that the curve tells? One of the points beside it is open. */
bool joint_curve_open(const struct joint_curve *curve, double speed_rpm);

/* The row that lies worst against the curve: least available - |torque| in units of the curve's u there; among equals,
 * and where no u is known, the least. Rows that want more than a curve that is open there are left out; n when no
 * other is left. */
size_t joint_worst_row(const struct joint_duty *duty, const struct joint_curve *curve);
/* Of the rows that are left out there the one that wants most beyond; n: none is. */
size_t joint_untested_row(const struct joint_duty *duty, const struct joint_curve *curve);
/* So many times all torques have each row inside, by sigmas of the curve's u. */
double joint_torque_times(const struct joint_duty *duty, const struct joint_curve *curve, double sigmas);

/* The duty as the heat sees it: steps of mean loss. */
struct joint_heat {
	size_t n;
	double *span_s, *square_Nm2, *loaded; /* mean of the torque's square; share of the time under torque */
};
/* Rows are put together, or a long one is parted, so that a step is at most step_s (a part of a row at least 1/50 of
 * it). RC_NOMEM. ret is the caller's in any case: joint_heat_free. */
enum rc joint_heat_of(const struct joint_duty *duty, double step_s, struct joint_heat *ret, struct err *err) MUST_CHECK;
void joint_heat_free(struct joint_heat *heat); /* of zeros is fine */
#define JOINT_HEAT_SHARE 50                    /* steps to a time constant of the winding */

/* Warmest of the winding in the cycle that repeats for ever, with every torque times a share, and after each cycle a
 * pause without torque; INFINITY when it never settles. */
double joint_peak_winding_degC(const struct joint_heat *heat, const struct thermal_model *m,
			       const struct thermal_loss *loss, double ambient_degC, double share, double pause_s);

/* Electrical power of a row: shaft power and loss; a loss that is not known in watts comes by the efficiency (drives:
 * T w / eff; brakes: T w eff comes back). */
double joint_electrical_W(double torque_Nm, double speed_rpm, const struct thermal_loss *loss, double winding_degC,
			  double efficiency);

#endif
