/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bench supply, contactor's contact, cable and the drive's bus capacitor.
 *
 * The supply holds its voltage until its current limit, then its current. Between it and the capacitor lie its
 * own resistance and the cable; both ways of current are known in closed form over a step in which the drive's
 * current is held, so no integrator is needed. The supply cannot take current back. */
#ifndef BRIDLE_BENCH_SUPPLY_H
#define BRIDLE_BENCH_SUPPLY_H

#include <stdbool.h>

struct supply_params {
	double set_V, limit_A;
	double inner_ohm, cable_ohm; /* sum must be > 0 */
	double farad, chopper_V;
};

struct supply {
	struct supply_params params;
	double step_s;
	double decay; /* of the capacitor towards the supply over a step */
	double bus_V;
	double current_A; /* mean of the step, through the cable */
	bool limiting;
	double burnt_J; /* by the chopper, in all */
};

/* Starts with an empty capacitor. */
void supply_init(struct supply *supply, const struct supply_params *params, double step_s);

/* One step with the drive's mean current. closed: the contactor's contact. */
void supply_step(struct supply *supply, bool closed, double drive_A);

/* Voltage at the supply's terminals; closed as above. */
double supply_terminal_V(const struct supply *supply, bool closed);

#endif
