/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Two heat stores in a row, the inner one heated and the outer one cooled by the room: an actuator's
 * winding and case, a brake's rotor and housing. Linear, so each step is exact: the matrix exponential of
 * the step is computed once. No integrator of GSL here: it would only approximate what is exact. */
#ifndef BRIDLE_BENCH_HEAT_H
#define BRIDLE_BENCH_HEAT_H

struct heat_params {
	double inner_J_per_K, outer_J_per_K;
	double inner_to_outer_K_per_W, outer_to_room_K_per_W;
};

struct heat {
	struct heat_params params;
	double inner_degC, outer_degC;
	double step_s;
	double carry[2][2]; /* of the two temperatures over one step */
	double gain[2][3];  /* of inner power, outer power and room temperature, held over the step */
};

/* Both stores start at the room's temperature. */
void heat_init(struct heat *heat, const struct heat_params *params, double step_s, double room_degC);

/* One step with the mean powers of that step. */
void heat_step(struct heat *heat, double inner_W, double outer_W, double room_degC);

#endif
