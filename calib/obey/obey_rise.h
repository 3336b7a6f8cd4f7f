/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Step response out of small pseudo-random steps, each too short to settle: least squares of the torque's changes
 * by the last OBEY_RISE_LAGS commands (a finite impulse response, L. Ljung, System Identification, 2nd ed., 4.2,
 * from memory), and its running sum. Rows are means over even stretches, so a step is seen through a stretch: a
 * torque that follows at once seems to rise in 0.8 of one. The true rise lies between what is seen and what is
 * left of it where a stretch is taken off in quadrature; half of that goes into u as a rectangle. u of the
 * scatter: the record in blocks, each left out once (jackknife). Means do not know where in a row a command
 * changes: an eighth of a row either way, a rectangle, in both times. Allocates for the length of a call; no I/O. */
#ifndef BRIDLE_CALIB_OBEY_OBEY_RISE_H
#define BRIDLE_CALIB_OBEY_OBEY_RISE_H

#include "calib/obey/obey_step.h"

#define OBEY_RISE_LAGS 40

/* late_s: a row may be told so much too late, 0 to that (rectangle); half of it is put to the delay. ret: steps is the
 * number of changes of the command; rise_s and delay_s as obey_step has them. RC_ARG too few rows; RC_SINGULAR the
 * command does not change enough, or the torque does not follow it. */
enum rc obey_rise(double period_s, double late_s, const double *commanded_Nm, const double *measured_Nm, size_t n,
		  struct obey_step *ret, struct err *err) MUST_CHECK;

#endif
