/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Slow readings at several speeds, each judged by itself: friction that turns with the shaft is an offset there, and a
 * hysteresis where it stands. Repeatability: the scatter of readings at one command, one way and one speed.
 * Allocates for the length of a call; no I/O. */
#ifndef BRIDLE_CALIB_OBEY_OBEY_SPEEDS_H
#define BRIDLE_CALIB_OBEY_OBEY_SPEEDS_H

#include "calib/obey/obey.h"

#include <stdbool.h>

#define OBEY_SPEEDS 12

/* Columns n long in the order of time, borrowed; speed_rpm (signed) and temp_degC may be NULL. */
struct obey_rows {
	size_t n;
	const double *commanded_Nm, *measured_Nm, *speed_rpm, *temp_degC;
};
struct obey_speed {
	double speed_rpm; /* mean of its rows; NaN without the column */
	size_t rows;
	bool known;            /* slow holds */
	struct obey_slow slow; /* obey.h */
};
struct obey_speeds {
	size_t n, slowest;                   /* slowest: of those that are known */
	struct obey_speed list[OBEY_SPEEDS]; /* from the fastest backwards to the fastest forwards */
	struct obey_number repeatability_Nm; /* pooled standard deviation; NaN: no command came twice the same way */
};
/* Speeds that lie closer together than a twentieth of the largest are one. RC_ARG more than OBEY_SPEEDS of them, or
 * none whose rows tell a gain: as obey_slow. */
enum rc obey_speeds(const struct obey_rows *rows, struct obey_speeds *ret, struct err *err) MUST_CHECK;

#endif
