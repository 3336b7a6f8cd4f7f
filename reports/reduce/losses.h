/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What an actuator loses, and the constants that follow, fitted to a curve. Pure.
 *
 *   P_in - P_shaft = fixed + in_step T + square T^2 (+ by_speed n, where the points have several speeds)
 *
 * T torque and n speed of the output. fixed: friction that does not grow with the load, electronics, and at one speed
 * all that depends on it; in_step: friction that grows with the load (gears); square: the copper, since current follows
 * torque. Ordinary least squares over the settled points on the way up. What the points share (lever, gains of the
 * meter) goes through by source; the scatter about the model is added. The winding's temperature is not in it: the
 * copper is that of the run. */
#ifndef BRIDLE_REPORTS_REDUCE_LOSSES_H
#define BRIDLE_REPORTS_REDUCE_LOSSES_H

#include "reports/reduce/curve.h"

#define LOSSES_TERMS 4

struct losses {
	size_t n;   /* points used */
	bool known; /* the four below hold: five points at three torques or more, and two more than terms */
	bool several_speeds;
	struct unc fixed_W, in_step_W_per_Nm, square_W_per_Nm2,
		by_speed_W_per_rpm;                /* the last only with several_speeds */
	double residual_W, worst_W;                /* standard deviation about the model, the largest departure */
	double low_Nm, high_Nm, low_rpm, high_rpm; /* the points lie between: the model says nothing beyond */
	bool droop;                         /* three points on the actuator's own curve and a slope that stands out */
	struct unc droop_rpm_per_Nm;        /* above 0: the speed falls */
	bool drive_constant;                /* three points with the drive's own current */
	struct unc k_t_Nm_per_A, no_load_A; /* at the output; the current as the drive indicates it, taken as exact */
	bool at_rotor;                      /* and the gear's ratio */
	struct unc k_t_rotor_Nm_per_A;      /* by the ratio alone: what the gear loses with the load is in it */
};

struct losses losses_of(const struct curve *curve);
/* The drive's constant at the rotor too; ratio: rotor turns per output turn, 0 or NaN: not known. */
void losses_at_rotor(struct losses *losses, const struct curve *curve, double ratio);

/* {"points", "fixed_W": {"value", "u", "dof"}, "in_step_W_per_Nm", "square_W_per_Nm2", "by_speed_W_per_rpm",
 * "residual_W", "droop_rpm_per_Nm", "drive_k_t_Nm_per_A", "drive_k_t_rotor_Nm_per_A", "drive_no_load_A"};
 * null for what the data do not carry. */
json_t *losses_to_json(const struct curve *curve, const struct losses *losses);

#endif
