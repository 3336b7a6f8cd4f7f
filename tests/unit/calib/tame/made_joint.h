/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A free joint simulated in small steps of its own (Runge-Kutta of order 4), driven by pseudo-random steps of torque on
 * top of one that keeps it turning; white noise on the speed. */
#ifndef BRIDLE_TESTS_MADE_JOINT_H
#define BRIDLE_TESTS_MADE_JOINT_H

#include "calib/tame/tame_identify.h"

#include <math.h>
#include <stdint.h>

#define MADE_ROWS 3000
#define MADE_STEPS 40 /* of the simulation, a row */

struct made_joint {
	double rotor, arm, stiffness, damping, viscous, offset;
	double row_s, noise;
	uint64_t seed;
};
struct made_record {
	double time[MADE_ROWS], torque[MADE_ROWS], speed[MADE_ROWS];
};

static double made_uniform(uint64_t *seed)
{
	*seed = *seed * 6364136223846793005u + 1442695040888963407u; /* D. E. Knuth, TAOCP 2, 3.3.4 */
	return (double)(*seed >> 11) / 9007199254740992.0;
}

/* Near a normal deviate: twelve uniform ones. */
static double made_normal(uint64_t *seed)
{
	double sum = -6;

	for (int i = 0; i < 12; i++)
		sum += made_uniform(seed);
	return sum;
}

static void made_slope(const struct made_joint *j, const double x[3], double torque, double ret[3])
{
	double gear = j->stiffness * x[1] + j->damping * (x[0] - x[2]);

	ret[0] = (torque - j->offset - gear - j->viscous * x[0]) / j->rotor;
	ret[1] = x[0] - x[2];
	ret[2] = gear / j->arm;
}

static inline struct tame_record made_record(const struct made_joint *j, struct made_record *ret)
{
	double base = j->offset + 3 * j->viscous, x[3] = { 3, 0, 3 }, h = j->row_s / MADE_STEPS, step = 1;
	uint64_t seed = j->seed;

	for (int i = 0; i < MADE_ROWS; i++) {
		if (i % 5 == 0)
			step = made_uniform(&seed) < 0.5 ? -1 : 1;
		ret->time[i] = i * j->row_s;
		ret->torque[i] = base + step;
		ret->speed[i] = x[0] + j->noise * made_normal(&seed);
		for (int s = 0; s < MADE_STEPS; s++) {
			double k[4][3], at[3];
			made_slope(j, x, base + step, k[0]);
			for (int n = 1; n < 4; n++) {
				for (int c = 0; c < 3; c++)
					at[c] = x[c] + (n == 3 ? h : h / 2) * k[n - 1][c];
				made_slope(j, at, base + step, k[n]);
			}
			for (int c = 0; c < 3; c++)
				x[c] += h / 6 * (k[0][c] + 2 * k[1][c] + 2 * k[2][c] + k[3][c]);
		}
	}
	return (struct tame_record){ ret->time, ret->torque, ret->speed, MADE_ROWS };
}

#endif
