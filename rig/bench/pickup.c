/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/pickup.h"
#include "bench/draw.h"
#include "calib/number/units.h"

#include <math.h>
#include <string.h>

#define REFERENCE_SPAN_RAD 0.02 /* the wobble is a straight line over this: error below 2e-4 of its amplitude */
#define PLAY_COUNT_FRAC 0.05    /* a resting edge does not chatter */

void pickup_init(struct pickup *u, const struct physics *physics, double pulses_per_rev, int sign, gsl_rng *rng)
{
	memset(u, 0, sizeof *u);
	u->physics = physics;
	u->rng = rng;
	u->count_per_rad = pulses_per_rev / (2 * UNITS_PI);
	u->sign = sign;
	u->wobble_phase_rad = 2 * UNITS_PI * gsl_rng_uniform(rng);
	u->marks = physics->pickup.single > 0.5 ? (int)fmin(fmax(rint(pulses_per_rev), 1), PICKUP_MARKS) : 4;
	for (int i = 0; i < u->marks; i++)
		u->mark_count[i] = physics->pickup.uneven_count * draw_normal(rng);
	u->edge_s = -1;
	u->reference_rad = INFINITY;
	pickup_add(u, 0, 0, 1);
	u->pulses = 0;
	u->edge_s = -1;
}

static double position(struct pickup *u, double angle_rad)
{
	double away = angle_rad - u->reference_rad;

	if (!(fabs(away) < REFERENCE_SPAN_RAD)) {
		u->reference_rad = angle_rad;
		u->reference_sin = sin(angle_rad + u->wobble_phase_rad);
		u->reference_cos = cos(angle_rad + u->wobble_phase_rad);
		away = 0;
	}
	return angle_rad * u->count_per_rad +
	       u->physics->pickup.wobble_count * (u->reference_sin + u->reference_cos * away);
}

/* Where the edge from step k - 1 to step k lies. */
static double edge_at(const struct pickup *u, int64_t k)
{
	return (double)k + u->mark_count[(k % u->marks + u->marks) % u->marks];
}

static void notice(struct pickup *u, int way, double frac, double t_s, double step_s)
{
	double when = t_s - step_s * (1 - frac) + u->physics->pickup.jitter_s * gsl_rng_uniform(u->rng);

	u->disc += way;
	if (when - u->edge_s < u->physics->pickup.dead_s)
		return;
	if (u->half) { /* every second edge is left, and it goes to and fro between two counts */
		if (u->disc & 1)
			return;
		way = u->disc & 2 ? 1 : -1;
	}
	u->pulses += u->physics->pickup.single > 0.5 ? 1 : way * u->sign;
	u->edge_s = when;
}

void pickup_add(struct pickup *u, double angle_rad, double t_s, double step_s)
{
	double from = u->position_count, to = position(u, angle_rad);

	while (to >= edge_at(u, u->disc + 1))
		notice(u, 1, (edge_at(u, u->disc + 1) - from) / (to - from), t_s, step_s);
	while (to < edge_at(u, u->disc) - PLAY_COUNT_FRAC)
		notice(u, -1, (edge_at(u, u->disc) - PLAY_COUNT_FRAC - from) / (to - from), t_s, step_s);
	u->position_count = to;
}
