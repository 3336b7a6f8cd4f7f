/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pick-up on the output shaft: an eccentric disc, uneven phases or teeth, and the node's delay in noticing an edge.
 * Quadrature, or one tooth sensor that cannot tell the direction and only counts up. */
#ifndef BRIDLE_BENCH_PICKUP_H
#define BRIDLE_BENCH_PICKUP_H

#include "bench/physics.h"

#include <gsl/gsl_rng.h>
#include <stdbool.h>
#include <stdint.h>

#define PICKUP_MARKS 256

struct pickup {
	const struct physics *physics; /* borrowed */
	gsl_rng *rng;
	double count_per_rad;
	int sign;
	int marks;                       /* that differ: the 4 phases of quadrature, or all teeth of one sensor */
	double mark_count[PICKUP_MARKS]; /* error of each */
	double wobble_phase_rad;
	double reference_rad, reference_sin, reference_cos;
	double position_count; /* at the end of the last step */
	int64_t disc;          /* edges passed on the disc */
	int64_t pulses;        /* counted by the node; quadrature: with the rig's sign */
	bool half;             /* one channel of the two is dead */
	double edge_s;         /* when the last one was noticed; negative before the first */
};

/* rng: kept, given to the pick-up. */
void pickup_init(struct pickup *pickup, const struct physics *physics, double pulses_per_rev, int sign, gsl_rng *rng);

/* The shaft is at angle_rad at the end of a step of step_s that ends at t_s. */
void pickup_add(struct pickup *pickup, double angle_rad, double t_s, double step_s);

#endif
