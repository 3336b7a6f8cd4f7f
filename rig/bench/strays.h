/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Stray torques on the cradle, which the cell shows and no shaft transmits: cables and hoses that wander (a stationary
 * first-order process), and shafts that are not in line, which push once a turn. With a cell in the shaft there are no
 * cables at the cradle, but its own bending once a turn reads the same. */
#ifndef BRIDLE_BENCH_STRAYS_H
#define BRIDLE_BENCH_STRAYS_H

#include "bench/physics.h"

#include <gsl/gsl_rng.h>

#define STRAYS_TICK_S 1e-3

struct strays {
	double cable; /* standard normal, slow */
	double cable_keep, once_phase_rad;
	double cradle_Nm; /* now */
};

void strays_init(struct strays *strays, const struct physics *physics, gsl_rng *rng);

/* One millisecond. angle: of the shaft. */
void strays_tick(struct strays *strays, const struct physics *physics, double angle_rad, gsl_rng *rng);

#endif
