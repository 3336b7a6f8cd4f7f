/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The closed torque loop: brake current for a wanted torque. Feed-forward from the brake map's branch, and an integral
 * on measured torque against what the torque should be by now (the set-point seen through the brake's lag), so that
 * an exact map never winds the integral up. Each set-point is approached from one side: rising ones from below,
 * falling ones from above, because the brake remembers.
 *
 * Gain: a brake with first-order lag tau under a pure integral K/s is critically damped at K = 1/(4 tau) (roots of
 * tau s^2 + s + K), hence no overshoot; tau here is the brake's lag plus what the cell's chain adds.
 *
 * Pure: no I/O, no clock, no allocation, no globals. NaN torque freezes the integral. */
#ifndef BRIDLE_RUN_TORQUE_CONTROL_H
#define BRIDLE_RUN_TORQUE_CONTROL_H

#include "calib/brake/brakemap.h"

#include <stdbool.h>

struct torque_control_config {
	const struct brakemap *map; /* borrowed; NULL: integral only, with rated_Nm / max_A for a slope */
	double max_A, rated_Nm;
	double lag_s;         /* used when the map has none (NaN); both NaN: 0.3 s */
	double ramp_Nm_per_s; /* bound on the set-point's own speed */
	double slew_A_per_s;  /* bound on the current's speed */
};

/* Zeroed = brake off. */
struct torque_control {
	double set_Nm;   /* the last set-point asked for */
	double from_Nm;  /* where the approach began */
	double ramp_Nm;  /* set-point on its way */
	double model_Nm; /* ramp seen through the lag: what the torque should be now */
	double integral_A, out_A;
	enum brakemap_branch branch;
	int saturated; /* +1: full current and still too little torque; -1: no current and still too much; 0 */
	double saturated_s;
	bool primed;
};

/* Start from a brake that carries out_A at torque_Nm (bumpless). */
void torque_control_prime(struct torque_control *c, double out_A, double torque_Nm);

/* One tick of dt_s; returns the brake current. hold: torque is not the brake's doing now (shaft near standstill), so
 * leave the integral alone. */
double torque_control_step(struct torque_control *c, const struct torque_control_config *config, double set_Nm,
			   double torque_Nm, double dt_s, bool hold);

/* The ramp has arrived. */
bool torque_control_arrived(const struct torque_control *c);

#endif
