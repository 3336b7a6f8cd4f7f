/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Step response: what the torque does after a step of its command. A step is a change of more than a fifth of the whole
 * range from a row to the next, with an unchanged command of OBEY_STEP_ROWS rows or more before and behind it. Each is
 * put between the mean of the last quarter before it (0) and of the last quarter behind it (1). No I/O. */
#ifndef BRIDLE_CALIB_OBEY_OBEY_STEP_H
#define BRIDLE_CALIB_OBEY_OBEY_STEP_H

#include "calib/obey/obey.h"

#define OBEY_STEP_ROWS 8

/* Means over the steps; u by their scatter (NaN with one step) and, in delay and rise, by half a row each way
 * (rectangle), where the torque was between two rows. */
struct obey_step {
	size_t steps;
	double row_s;                   /* from row to row, mean: what is shorter is not told */
	struct obey_number delay_s;     /* from the row of the new command to half of the way; never less than 0 */
	struct obey_number rise_s;      /* from 10 % to 90 % of the way */
	struct obey_number overshoot_1; /* by which the largest mean of three rows is beyond 1; 0 where none is */
};
/* RC_ARG times that do not rise, no step, or none that the torque follows. */
enum rc obey_step(const double *time_s, const double *commanded_Nm, const double *measured_Nm, size_t n,
		  struct obey_step *ret, struct err *err) MUST_CHECK;

#endif
