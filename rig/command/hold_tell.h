/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What `hold` found, for its two ways onto paper. */
#ifndef BRIDLE_COMMAND_HOLD_TELL_H
#define BRIDLE_COMMAND_HOLD_TELL_H

#include "calib/thermal/thermal_fit.h"

#include <jansson.h>

#define HOLD_TORQUES 24
/* What is found again with something else in its place: a sensor that is off, or heat of the drive. */
enum hold_source { HOLD_WINDING, HOLD_CASE, HOLD_AMBIENT, HOLD_SENSORS, HOLD_DRIVE = HOLD_SENSORS, HOLD_SOURCES };
const char *hold_source_name(enum hold_source source); /* as budgets name it */

struct hold_point {
	double torque_Nm;
	struct thermal_answer time_s;
	bool extrapolated; /* above the largest torque that was held */
};
struct hold_duty {
	double time_s, share; /* share NaN: S2 */
	struct thermal_answer torque_Nm;
};
struct hold_found {
	struct thermal_fit fit;
	const char *store; /* name of the one store, when there is one */
	bool equilibrium, slope_known;
	double slope_K_per_h, u_slope_K_per_h, equilibrium_K_per_h, window_s;
	double limit_degC, ambient_degC; /* limit NaN: none given */
	double u_loss_1, u_torque_1;     /* common to all readings, in the intervals; 0: not told */
	/* What the model moves by where a sensor tells its u too much, signed, and u by the drive's heat; in the
	 * intervals. 0: not told. */
	double moved_tau_s[HOLD_SOURCES][THERMAL_STORES], moved_K_per_W[HOLD_SOURCES][THERMAL_STORES];
	bool ambient_assumed, by_resistance, limit_reached;
	double held_Nm, held_W, most_Nm, warmest_degC; /* NaN where not known */
	struct thermal_answer time_s, steady_degC, continuous_Nm;
	char untold[200]; /* why the record gives no model: nothing of the fit holds then; "" it gives one */
	size_t n_points, n_duties;
	struct hold_point point[HOLD_TORQUES];
	struct hold_duty duty[8];
};

/* More than 2 % above the largest torque that was held: it rests on the law of the loss. */
bool hold_beyond(const struct hold_found *h, double torque_Nm);
json_t *hold_json(const struct hold_found *h);
void hold_print(const struct hold_found *h);

#endif
