/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Torque cell and its converter: what the lever's torque becomes as a count. The brake beside it warms it, later and
 * less; while it warms through, its two ends differ, and thermal voltages of the leads shift its zero. Steps once a
 * conversion; in between it only sums, since the converter's own filter is the mean over its conversion time. */
#ifndef BRIDLE_BENCH_CELL_H
#define BRIDLE_BENCH_CELL_H

#include "bench/physics.h"
#include "bench/play.h"

#include <gsl/gsl_rng.h>
#include <stdbool.h>
#include <stdint.h>

#define CELL_BITS 24

/* True errors that rig.ini bounds. */
struct cell_truth {
	double full_scale_Nm;
	int sign;
	double zero_drift_Nm_per_K, gain_drift_per_K, creep_frac;
};

enum cell_fault { CELL_WELL, CELL_FROZEN, CELL_STALE, CELL_FULL, CELL_EMPTY, CELL_SWAPPED };

struct cell {
	const struct physics *physics; /* borrowed */
	struct cell_truth truth;
	gsl_rng *rng;
	double period_s, next_s; /* of a conversion; end of the present one */
	double sum_Nm;
	uint32_t sum_n;
	double mount_gain, mount_zero_Nm;
	struct play_bank memory; /* on torque over full scale */
	double creep;            /* torque over full scale, lagging */
	double creep_keep, wander_keep, warm_keep;
	double wander; /* standard normal, slow */
	double warm_K; /* over the room, from the brake */
	enum cell_fault fault;
	int32_t count;
	uint8_t conversion;
};

/* rng: kept, given to the cell. */
void cell_init(struct cell *cell, const struct physics *physics, const struct cell_truth *truth, gsl_rng *rng);

/* A step of the physics that ends at t_s. Converts when a conversion ends. */
void cell_add(struct cell *cell, double torque_Nm, double t_s, double room_degC, double brake_degC);

/* Out and in again: a new mounting position. */
void cell_remount(struct cell *cell);

#endif
