/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Stray torques on the cradle, which the cell shows and no shaft transmits: cables and hoses that wander (a stationary
 * first-order process), and shafts that are not in line, which push once a turn. With a cell in the shaft there are no
 * cables at the cradle, but its own bending once a turn reads the same. */
#ifndef BRIDLE_BENCH_STRAYS_H
#define BRIDLE_BENCH_STRAYS_H

#include "bench/physics.h"

#include <gsl/gsl_rng.h>

#define STRAYS_WANDER_S 0.01 /* between two looks at the cables */

struct strays {
	double cable;        /* standard normal, slow */
	double cable_keep, cable_new, once_phase_rad;
	double cradle_Nm;    /* now */
};

void strays_init(struct strays *strays, const struct physics *physics, gsl_rng *rng);

/* Each STRAYS_WANDER_S. */
void strays_wander(struct strays *strays, gsl_rng *rng);

/* Torque with the shaft at angle_rad. */
void strays_turn(struct strays *strays, const struct physics *physics, double angle_rad);

#endif
