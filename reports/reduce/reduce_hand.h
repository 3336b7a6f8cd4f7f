/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Readings of a brake test taken by hand, from a CSV table with units in its headings.
 *
 * Torque comes from one of: column torque; column force with a lever; two spring balances on a drum, columns tight and
 * slack (or spring 1 and spring 2, where the side is taken from the readings), with the drum's radius and the rope's
 * thickness: a rope of thickness d on a drum of diameter D acts at (D + d)/2. Balances read in kg are turned into
 * newtons with the stated gravity. Further columns: speed, voltage, current, input power, direction (up, down). Short
 * names of the trade are taken too (T, F, T1, T2, W1, W2, S1, S2, N, V, I). */
#ifndef BRIDLE_REPORTS_REDUCE_REDUCE_HAND_H
#define BRIDLE_REPORTS_REDUCE_REDUCE_HAND_H

#include "profile/csv.h"
#include "reports/reduce/report.h"

/* As typed; NULL when not given. */
struct hand_want {
	const char *lever, *drum_radius, *drum_diameter, *rope; /* lengths, with their uncertainty where known */
	const char
		*gravity; /* "9.81 m/s2"; NULL: 9.80665 with the spread of gravity over the earth as its uncertainty */
	/* "0.5 %" is common to all readings of the column (a gain), "50 g" is each reading's own. */
	const char *u_force, *u_torque, *u_speed, *u_voltage, *u_current, *u_power;
	bool ac; /* volts times amperes is not the power, and the direct-current relations do not hold */
};

/* *ret given to the caller on success only. m gets every mistake of the table. RC_ARG with a sentence. */
enum rc report_of_readings(const struct csv *table, const struct hand_want *want, struct report **ret,
			   struct mistakes *m, struct err *err) MUST_CHECK;

#endif
