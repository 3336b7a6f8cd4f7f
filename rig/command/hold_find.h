/* SPDX-License-Identifier: GPL-3.0-or-later */
/* From the record of a hold to what `hold` tells, whether the record came from a table or from the rig. */
#ifndef BRIDLE_COMMAND_HOLD_FIND_H
#define BRIDLE_COMMAND_HOLD_FIND_H

#include "command/hold_tell.h"

#include <math.h>

struct hold_wanted {
	double limit_degC;         /* of the winding; NaN: none */
	double rated_degC;         /* ambient of holding times and ratings; NaN: the record's */
	double K_per_h;            /* of the equilibrium */
	double window_s;           /* over which its slope is taken */
	double list[HOLD_TORQUES]; /* N.m of the holding times; none: 1.1 to 3 times the continuous torque */
	size_t n_list;
	/* What all readings of loss and torque are off by together, relative, k = 1; 0: not told, in no interval. */
	double u_loss_1, u_torque_1;
	double u_sensor_K[HOLD_SENSORS]; /* likewise of the temperatures, all rows of one sensor together */
	double most_beside_W;            /* the case may get between nothing and so much past the winding; 0: none */
};

/* As without options: equilibrium at 2 K/h (IEC 60034-1) over half an hour. */
static inline struct hold_wanted hold_wanted_usual(void)
{
	return (struct hold_wanted){ .limit_degC = NAN, .rated_degC = NAN, .K_per_h = 2, .window_s = 1800 };
}

struct hold_found hold_none(void); /* nothing known */

/* ret: of hold_none. RC_ARG a limit below the ambient, too few rows; RC_SINGULAR the record does not tell. */
enum rc hold_find(const struct hold_wanted *w, const struct thermal_record *r, struct hold_found *ret,
		  struct err *err) MUST_CHECK;

#endif
