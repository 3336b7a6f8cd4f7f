/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Brake: coil, magnetic memory, friction torque, heat.
 *
 * Poles of a hysteresis brake: where the coil's field falls, the rotor keeps a pattern of poles under the teeth.
 * Turning under current magnetises it evenly again (over some cogs), turning without current only wears the pattern
 * away over several turns. So a current that falls at standstill leaves drag that fades, and one that is lowered slowly
 * enough while the shaft turns leaves none (common practice, no source).
 *
 * The brake only ever takes energy out of the shaft: what it
 * gives the world is the most that its friction can do, and the world applies it without passing rest. */
#ifndef BRIDLE_BENCH_BRAKE_H
#define BRIDLE_BENCH_BRAKE_H

#include "bench/physics.h"
#include "bench/play.h"

#include <gsl/gsl_rng.h>
#include <stdbool.h>

#define BRAKE_TICK_S 1e-3

struct brake {
	const struct physics *physics; /* borrowed */
	double max_A, rated_Nm;        /* of rig.ini */
	double drag_ratio;             /* drag turned backwards over drag turned forwards; 1 until the caller sets it */
	gsl_rng *rng;
	double lag_keep, uneven_keep, driver_keep;
	double current_A;       /* true */
	double wanted_A;        /* by the set-point */
	bool stuck_driver, off; /* faults: current holds at stuck_A; coil open */
	double stuck_A;
	struct play_bank memory;
	double magnet_frac, last_frac; /* y of the memory */
	double torque_Nm;              /* after the lag, without drag */
	double uneven;                 /* standard normal, correlated in time */
	double stood;                  /* 1 just after standing, wears off with turns */
	double run_in;                 /* 1 until the powder has spread */
	double cogging_Nm;             /* drag of frozen poles, mean over a turn */
	double friction_Nm;            /* most that it does now at running, drag at rest included */
	double coil_J;                 /* coil's heat, in all */
};

/* rng: kept, given to the brake for its unevenness. */
void brake_init(struct brake *brake, const struct physics *physics, double max_A, double rated_Nm, gsl_rng *rng);

/* One millisecond. angle of the shaft against the housing, its speed, its rotor's heat. */
void brake_tick(struct brake *brake, double angle_rad, double slip_rad_per_s, double rotor_degC, double housing_degC);

/* What its current reading says, A. */
double brake_readback_A(const struct brake *brake);

/* Friction impulse over a step between two bodies that would move at free_rad_per_s against each other and have
 * the inertia reduced_kgm2 against each other: N·m·s, of the sign of free_rad_per_s, never past rest.
 * *stuck: whether they rested before, and whether they do now. */
double brake_impulse(const struct brake *brake, double free_rad_per_s, double reduced_kgm2, double step_s, bool *stuck);

#endif
