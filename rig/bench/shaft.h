/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The brake's shaft and its cradle: two bodies about one axis, the brake's friction between them, the gear's
 * torque on the one, the cell (the lever's spring) and the dead weights on the other.
 *
 * Two frictions pass the cell by. A bearing between flange and brake brakes the shaft against the room: dry, with the
 * sign of the motion. The cradle's own bearing holds the cradle: a spring that yields at its friction (the Prandtl
 * element, which is Dahl's model with i = 0: P. R. Dahl, AIAA J. 14 (1976) 1675), so that it locks in torque at rest
 * and is shaken loose by an uneven brake. */
#ifndef BRIDLE_BENCH_SHAFT_H
#define BRIDLE_BENCH_SHAFT_H

#include "bench/brake.h"
#include "bench/physics.h"
#include "profile/kinds.h"

#include <stdbool.h>

struct shaft {
	const struct physics *physics; /* borrowed */
	enum cell_mounting mounting;
	double step_s;
	double angle_rad, rad_per_s; /* of the shaft */
	double mean_rad_per_s;       /* of the shaft over the last step */
	double cradle_rad, cradle_rad_per_s;
	double hung_kgm2; /* inertia of weights on the arm */
	bool stuck;
	double brake_Nm;    /* friction torque in the last step, on the cradle */
	double bearing_Nm;  /* of the bearing outside, in the last step, against the shaft */
	double stiction_Nm; /* of the cradle's bearing, against its displacement */
	double cell_Nm;     /* torque that the cell feels */
	double slip_J, lever_J,
		bearing_J; /* lost in brake, lever (its damping, its bearing) and bearing outside, in all */
};

void shaft_init(struct shaft *shaft, const struct physics *physics, enum cell_mounting mounting, double step_s);

/* One step. weight_Nm: dead weights on the arm, which sits on the cradle or, with a cell in the shaft, on the
 * shaft. knock_Nm: whatever else pushes the cradle. */
void shaft_step(struct shaft *shaft, const struct brake *brake, double gear_Nm, double weight_Nm, double knock_Nm);

double shaft_stored_J(const struct shaft *shaft);

#endif
