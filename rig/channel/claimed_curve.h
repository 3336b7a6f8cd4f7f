/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The whole curve of a data sheet, as its table gives it: plain data. */
#ifndef BRIDLE_CHANNEL_CLAIMED_CURVE_H
#define BRIDLE_CHANNEL_CLAIMED_CURVE_H

#include <stdbool.h>
#include <stddef.h>

#define CLAIMED_POINTS 64

struct claimed_curve {
	size_t n; /* points, by rising torque; 0: none was given */
	bool has_efficiency, has_current;
	double torque_Nm[CLAIMED_POINTS], speed_rpm[CLAIMED_POINTS]; /* at the output, 0 or more */
	double efficiency[CLAIMED_POINTS];                           /* 0 to 1 */
	double current_A[CLAIMED_POINTS];                            /* of the supply, 0 or more */
};

#endif
