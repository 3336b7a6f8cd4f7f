/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Figures of what `play` and `obey` tell of a gear beside the loop: each as one more drawing of *ret (carry_draw.h),
 * with the readings and the number that they gave. RC_NOMEM, RC_RANGE. */
#ifndef BRIDLE_COMMAND_PLAY_FIGURE_H
#define BRIDLE_COMMAND_PLAY_FIGURE_H

#include "calib/number/err.h"
#include "calib/play/play.h"
#include "reports/reduce/procedure.h"

/* kind: "play" or "obey", whose result *ret is. */

/* Free travel of a lever, reading by reading, with the mean and its U. */
enum rc play_figure_lever(const double *radius_mm, const double *travel_mm, size_t n, struct play_number found,
			  struct procedure *ret, struct err *err) MUST_CHECK;
/* Torque without load against speed, both ways in one, with Coulomb and viscous friction as the line. */
enum rc play_figure_friction(const char *kind, const double *torque_Nm, const double *speed_rpm, size_t n,
			     struct play_number coulomb_Nm, struct play_number viscous_Nm_per_rpm,
			     struct procedure *ret, struct err *err) MUST_CHECK;
/* Back-driving, reading by reading, with breakaway and running torque of each way: back[way][breakaway, running]. */
enum rc play_figure_back_drive(const double *torque_Nm, const double *speed_rpm, size_t n,
			       struct play_number (*back)[2], struct procedure *ret, struct err *err) MUST_CHECK;
/* What the rotor's angle is off the ratio's straight line, over the output's; off_deg: of play_ratio. */
enum rc play_figure_ratio(const double *output_deg, const double *off_deg, size_t n, struct play_number ratio,
			  struct procedure *ret, struct err *err) MUST_CHECK;
/* The rotor's speed over the output's at several speeds. */
enum rc play_figure_ratio_speeds(const double *speed_rpm, const double *each, size_t n, struct play_number ratio,
				 struct procedure *ret, struct err *err) MUST_CHECK;

#endif
