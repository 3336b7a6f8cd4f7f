/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Lost motion, stiffness and friction of a gear from readings at its output. Angles in arc-minutes of the output,
 * torque positive when it turns the output towards larger angles. Uncertainties (k = 1) are from the scatter of the
 * readings alone; NaN where too few readings tell. No I/O; allocates for the length of a call. */
#ifndef BRIDLE_CALIB_PLAY_PLAY_H
#define BRIDLE_CALIB_PLAY_PLAY_H

#include "calib/number/err.h"

#include <stddef.h>

#define PLAY_ARCMIN_PER_RAD 3437.746770784939
#define PLAY_LOST_SHARE 0.03  /* of rated torque, where lost motion is read */
#define PLAY_STILL_SHARE 0.05 /* of the largest speed of that way: up to that the output stands */

struct play_number {
	double value, u, dof; /* value NaN: not known */
};

/* Free travel d at radius r: d/r rad (small angles), the mean of n pairs. u_radius_mm and u_travel_mm (k = 1) are
 * common to all pairs. RC_ARG a radius that is not positive, a travel that is negative. */
enum rc play_lever(const double *radius_mm, const double *travel_mm, size_t n, double u_radius_mm, double u_travel_mm,
		   struct play_number *ret_arcmin, struct err *err) MUST_CHECK;

/* The loop: one side locked, torque slowly to + rated, - rated and back, once or more. */
struct play_loop {
	/* Between the middles of the loop at + and - 3 % of rated torque: the definition in use for precision gears. */
	struct play_number lost_motion_arcmin;
	struct play_number stiffness_Nm_per_arcmin;      /* loading, 50 to 100 % of rated, both signs */
	struct play_number stiffness_zero_Nm_per_arcmin; /* loading, 3 to 15 % */
	struct play_number hysteresis_loss_J;            /* area of the loop */
	struct play_number hysteresis_arcmin;            /* width of the loop at no torque */
	struct play_number wind_up_arcmin;               /* from - rated to + rated, both loading */
	double rated_Nm;
};
/* rated_Nm NaN: the largest torque that was reached on both sides. RC_ARG a loop that does not reach 80 % of rated on
 * both sides, or does not come back. */
enum rc play_loop(const double *torque_Nm, const double *angle_arcmin, size_t n, double rated_Nm, struct play_loop *ret,
		  struct err *err) MUST_CHECK;

/* Running torque against speed: |T| = coulomb + viscous |n|. RC_ARG fewer than two speeds, a speed of 0, a torque that
 * drives where friction holds back. */
enum rc play_friction(const double *torque_Nm, const double *speed_rpm, size_t n, struct play_number *ret_coulomb_Nm,
		      struct play_number *ret_viscous_Nm_per_rpm, struct err *err) MUST_CHECK;

/* Back-driving by one sign of torque: breakaway is the largest torque before the output moves (mean over attempts),
 * running the mean while it turns at more than half of its largest speed. Rows in the order of time. NaN where that
 * sign is not there. */
void play_back_drive(const double *torque_Nm, const double *speed_rpm, size_t n, int sign,
		     struct play_number *ret_breakaway_Nm, struct play_number *ret_running_Nm);

/* Rotor's turns for one of the output, from angles of both (deg; where all lie within one turn, jumps of more than half
 * a turn are whole turns). ret_off_deg: n, what each angle of the rotor is off the line; NULL: not wanted. RC_ARG when
 * the output turns by less than a degree. */
enum rc play_ratio(const double *rotor_deg, const double *output_deg, size_t n, struct play_number *ret,
		   double *ret_off_deg, struct err *err) MUST_CHECK;

#endif
