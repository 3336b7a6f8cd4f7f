/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A figure for each procedure that tells what an actuator can carry. Into a folder, which is made: NAME.csv, NAME.gp
 * and, by gnuplot, NAME.svg, with NAME obey, play, hold or ripple. State is told by shape and dashes, not by colour: a
 * grey print reads the same. RC_IO: a file cannot be written, gnuplot is missing or failed. */
#ifndef BRIDLE_COMMAND_CARRY_FIGURE_H
#define BRIDLE_COMMAND_CARRY_FIGURE_H

#include "command/hold_tell.h"
#include "command/obey_tell.h"
#include "command/play_tell.h"
#include "command/ripple_find.h"

/* Measured against commanded torque, n readings in the order of time, with the line of gain and offset. */
enum rc carry_figure_obey(const char *dir, const double *commanded_Nm, const double *measured_Nm, size_t n,
			  const struct obey_slow *found, struct err *err) MUST_CHECK;
/* The loop, n rows, with the torques at which the lost motion is read. */
enum rc carry_figure_play(const char *dir, const double *torque_Nm, const double *angle_arcmin, size_t n,
			  const struct play_loop *found, struct err *err) MUST_CHECK;
/* Temperatures against time, with the limit where there is one. */
enum rc carry_figure_hold(const char *dir, const struct thermal_record *r, const struct hold_found *found,
			  struct err *err) MUST_CHECK;
/* Amplitudes by order with their intervals; those out of sight are left out. */
enum rc carry_figure_ripple(const char *dir, const struct ripple_found *found, struct err *err) MUST_CHECK;

#endif
