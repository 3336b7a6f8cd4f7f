/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/cell.h"
#include "bench/draw.h"
#include "calib/number/units.h"

#include <math.h>
#include <string.h>

#define REFERENCE_DEGC 20.0
#define MEMORY_REACH 0.2

void cell_init(struct cell *c, const struct physics *physics, const struct cell_truth *truth, gsl_rng *rng)
{
	memset(c, 0, sizeof *c);
	c->physics = physics;
	c->truth = *truth;
	c->rng = rng;
	c->period_s = c->next_s = 1 / physics->cell.rate_Hz;
	c->mount_gain = 1;
	c->creep_keep = exp(-c->period_s / physics->cell.creep_s);
	c->wander_keep = exp(-c->period_s / physics->cell.wander_s);
	c->warm_keep = exp(-c->period_s / physics->cell.warm_s);
	c->wander = draw_normal(rng);
	play_init(&c->memory, physics->cell.memory_frac, MEMORY_REACH);
}

void cell_remount(struct cell *c)
{
	c->mount_gain = 1 + c->physics->cell.remount_gain * draw_normal(c->rng);
	c->mount_zero_Nm = c->physics->cell.remount_zero_Nm * draw_normal(c->rng);
}

/* Indicated torque before zero and noise, over full scale. */
static double sensed_frac(struct cell *c, double load)
{
	const struct physics *p = c->physics;

	c->creep = load + (c->creep - load) * c->creep_keep;
	return play_step(&c->memory, load) + p->cell.bend_frac * sin(UNITS_PI * load) + c->truth.creep_frac * c->creep;
}

static double drifting_Nm(struct cell *c, double warm_K, double across_K)
{
	const struct physics *p = c->physics;

	c->wander = c->wander * c->wander_keep + sqrt(1 - c->wander_keep * c->wander_keep) * draw_normal(c->rng);
	return c->mount_zero_Nm + c->truth.zero_drift_Nm_per_K * warm_K + p->cell.emf_Nm_per_K * across_K +
	       p->cell.wander_Nm * c->wander + p->cell.noise_Nm * draw_normal(c->rng);
}

static int32_t converted(const struct cell *c, double count)
{
	double most = (double)((1 << (CELL_BITS - 1)) - 1);

	if (c->fault == CELL_FULL)
		return (int32_t)most;
	if (c->fault == CELL_EMPTY)
		return (int32_t)(-most - 1);
	if (c->fault == CELL_SWAPPED)
		count = -count;
	return (int32_t)lrint(fmin(fmax(count * c->truth.sign, -most - 1), most));
}

static void convert(struct cell *c, double room_degC, double brake_degC)
{
	const struct physics *p = c->physics;
	double target_K = p->cell.warm_frac * (brake_degC - room_degC), warm_K, torque_Nm;

	c->warm_K = target_K + (c->warm_K - target_K) * c->warm_keep;
	warm_K = room_degC + c->warm_K - REFERENCE_DEGC;
	torque_Nm = sensed_frac(c, c->sum_Nm / c->sum_n / c->truth.full_scale_Nm) * c->truth.full_scale_Nm *
		    c->mount_gain * (1 + c->truth.gain_drift_per_K * warm_K);
	torque_Nm += drifting_Nm(c, warm_K, target_K - c->warm_K);
	if (c->fault == CELL_STALE)
		return;
	c->conversion++;
	if (c->fault != CELL_FROZEN)
		c->count = converted(c, p->cell.zero_count + p->cell.gain_count * torque_Nm / c->truth.full_scale_Nm);
}

void cell_add(struct cell *c, double torque_Nm, double t_s, double room_degC, double brake_degC)
{
	c->sum_Nm += torque_Nm;
	c->sum_n++;
	if (t_s < c->next_s)
		return;
	convert(c, room_degC, brake_degC);
	c->next_s += c->period_s;
	c->sum_Nm = 0;
	c->sum_n = 0;
}
