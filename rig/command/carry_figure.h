/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A figure for each procedure that tells what an actuator can carry, as texts: one more drawing of *ret, which owns it
 * (also on failure); its kind is set, its doc is left alone. reports/page/procedure_files.h writes and draws them.
 * State is told by shape and dashes, not by colour: a grey print reads the same. RC_NOMEM. */
#ifndef BRIDLE_COMMAND_CARRY_FIGURE_H
#define BRIDLE_COMMAND_CARRY_FIGURE_H

#include "command/carry_draw.h"
#include "command/hold_tell.h"
#include "command/obey_tell.h"
#include "command/play_tell.h"
#include "command/ripple_find.h"
#include "calib/tame/tame_free.h"
#include "reports/reduce/procedure.h"

/* Measured against commanded torque, n readings in the order of time, with the line of gain and offset. */
enum rc carry_figure_obey(const double *commanded_Nm, const double *measured_Nm, size_t n,
			  const struct obey_slow *found, struct procedure *ret, struct err *err) MUST_CHECK;
/* With those of a shaft that turned, after the n_still first rows; found: of those. */
enum rc carry_figure_obey_speeds(const struct obey_rows *rows, size_t n_still, const struct obey_slow *found,
				 struct procedure *ret, struct err *err) MUST_CHECK;
/* The loop, n rows, with the torques at which the lost motion is read. */
enum rc carry_figure_play(const double *torque_Nm, const double *angle_arcmin, size_t n, const struct play_loop *found,
			  struct procedure *ret, struct err *err) MUST_CHECK;
/* Temperatures against time, with the limit where there is one. */
enum rc carry_figure_hold(const struct thermal_record *r, const struct hold_found *found, struct procedure *ret,
			  struct err *err) MUST_CHECK;
/* Torque against the time to the limit, with bands and the continuous torque; nothing below two such times. */
enum rc carry_figure_holding(const struct hold_found *found, struct procedure *ret, struct err *err) MUST_CHECK;
/* Amplitudes by order with their intervals; those out of sight are left out. */
enum rc carry_figure_ripple(const struct ripple_found *found, struct procedure *ret, struct err *err) MUST_CHECK;
/* Commanded and measured torque of a stretch of a fast record against time. */
enum rc carry_figure_response(const double *time_s, const double *commanded_Nm, const double *measured_Nm, size_t n,
			      struct procedure *ret, struct err *err) MUST_CHECK;
/* Torque and speed of a stretch of the record against time; gain: of the torque that was commanded. */
enum rc carry_figure_tame(const struct tame_free *found, double gain, struct procedure *ret,
			  struct err *err) MUST_CHECK;

/* What one of these made (its rc), drawn into a folder and cleared. RC_IO: a file cannot be written, gnuplot is missing
 * or failed. */
enum rc carry_figure_draw(enum rc made, const char *dir, struct procedure *p, struct err *err) MUST_CHECK;

#endif
