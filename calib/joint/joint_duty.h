/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a joint asks of its actuator, at the output shaft: torque and speed over one cycle, from a description of the
 * arm and its motion or as read. Torque positive when it drives towards larger angles. Pure arithmetic; the caller owns
 * all arrays. */
#ifndef BRIDLE_CALIB_JOINT_JOINT_DUTY_H
#define BRIDLE_CALIB_JOINT_JOINT_DUTY_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>

struct joint_duty {
	size_t n;
	double *time_s, *speed_rpm, *torque_Nm; /* a row holds until the next; the last one ends the cycle */
};

/* An arm that goes to and fro between two angles, resting at both. Angle 0 is level, 90 deg upwards. */
struct joint_arm {
	double mass_kg, centre_m; /* of the arm */
	double inertia_kgm2;      /* of the arm about the joint's axis */
	double payload_kg, reach_m;
	double friction_Nm, gravity_m_s2;
	double tilt_deg; /* of the axis: 0 lies level, 90 stands upright and feels no gravity */
	double from_deg, to_deg, speed_rpm, acceleration_rad_s2, jerk_rad_s3, pause_s;
};
/* Duty in n rows, 100 at least. Each part of a way (speeding up, even speed, slowing down, rest) has rows by its time,
 * and a tenth of them at least (the rest a fiftieth): a short motion beside a long pause is seen whole. Rest to rest
 * with bounded speed, acceleration and jerk (L. Biagiotti, C. Melchiorri, Trajectory Planning for Automatic Machines
 * and Robots, Springer 2008; section 3.4 from memory). RC_ARG a figure that cannot be. */
enum rc joint_arm_duty(const struct joint_arm *arm, struct joint_duty *duty, struct err *err) MUST_CHECK;

/* Times that do not rise, a gap of more than five usual steps, or a jump of speed that no machine makes: over half of
 * the range from standstill, and more than 1 rpm, within less than 0.1 s (common practice, no source). RC_ARG with the
 * row. */
enum rc joint_duty_check(const struct joint_duty *duty, struct err *err) MUST_CHECK;
/* A cycle that is repeated ends where it begins. The speed, and the angle (deg, NULL where there is none; whole turns
 * are no difference), may differ by the larger of three times the largest step inside and 5 % of the
 * range. A speed of both signs (each 5 % of the way or more) has to come back to within 5 % of the way. RC_ARG with the
 * difference. one_way: the duty goes on from where it ends, and only the speed is asked. */
enum rc joint_duty_closes(const struct joint_duty *duty, const double *angle_deg, bool one_way,
			  struct err *err) MUST_CHECK;
/* Speed from angles (deg): differences from row to row. */
void joint_speed_of_angle(const double *time_s, const double *angle_deg, size_t n, double *ret_rpm);
/* Adds the actuator's own inertia, as it is felt at the output (rotor's times ratio squared). */
void joint_add_inertia(struct joint_duty *duty, double inertia_kgm2);

struct joint_sums {
	double cycle_s, rms_Nm, peak_Nm, peak_rpm;
	double peak_W, peak_braking_W; /* mechanical; braking: the output drives the actuator, positive */
};
struct joint_sums joint_sums(const struct joint_duty *duty);

#endif
