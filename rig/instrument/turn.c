/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/turn.h"

#include <math.h>

#define US_PER_MIN 60e6

static const struct turn_edge *edge_back(const struct turn *turn, unsigned back)
{
	return &turn->edge[(turn->at + TURN_EDGES - back) % TURN_EDGES];
}

static void add_edge(struct turn *turn, int64_t t_us, int64_t pulses)
{
	turn->at = (turn->at + 1) % TURN_EDGES;
	turn->edge[turn->at] = (struct turn_edge){ t_us, pulses };
	if (turn->n < TURN_EDGES)
		turn->n++;
}

static double rpm(const struct turn *turn, double pulses, int64_t time_us)
{
	return pulses / turn->per_rev * US_PER_MIN / (double)time_us;
}

/* The shortest stretch that is long enough and has no standstill in it; NaN when there is none. */
static double speed_between_edges(const struct turn *turn)
{
	const struct turn_edge *now = edge_back(turn, 0), *from = now;

	for (unsigned back = 1; back < turn->n && now->t_us - from->t_us < TURN_STRETCH_US; back++) {
		const struct turn_edge *e = edge_back(turn, back);

		if (from->t_us - e->t_us > TURN_STANDS_US)
			break;
		from = e;
	}
	return from == now ? NAN : rpm(turn, (double)(now->pulses - from->pulses), now->t_us - from->t_us);
}

/* The first edges after a standstill: all but the first of them came since the sample before. */
static double speed_from_rest(const struct turn *turn, int64_t before_us, int64_t moved)
{
	int64_t time_us = edge_back(turn, 0)->t_us - before_us;

	if (time_us <= 0 || (moved > -2 && moved < 2))
		return 0;
	return rpm(turn, (double)(moved > 0 ? moved - 1 : moved + 1), time_us);
}

/* No edge since: it cannot turn faster than one pulse in the time since the last edge. */
static double slowed(const struct turn *turn)
{
	int64_t since_us = turn->n > 0 ? turn->t_us - edge_back(turn, 0)->t_us : INT64_MAX;
	double most_rpm;

	if (since_us > TURN_STANDS_US)
		return 0;
	if (since_us <= 0)
		return turn->speed_rpm;
	/* Edges are never quite evenly spaced: a quarter late is not slower yet. */
	most_rpm = rpm(turn, 1.25, since_us);
	return most_rpm < fabs(turn->speed_rpm) ? copysign(most_rpm, turn->speed_rpm) : turn->speed_rpm;
}

void turn_take(struct turn *turn, int64_t t_us, uint16_t raw, bool has_edge, uint32_t age_us)
{
	int64_t before_us = turn->t_us, edge_us = t_us - (int64_t)age_us, moved = 0;

	if (turn->started)
		moved = turn->sign * (int64_t)(int16_t)(uint16_t)(raw - turn->last_raw);
	turn->last_raw = raw;
	turn->pulses += moved;
	turn->t_us = t_us;
	if (!(turn->per_rev > 0)) {
		turn->speed_rpm = turn->edge_rpm = NAN;
		return;
	}
	if (has_edge && (turn->n == 0 || edge_us > edge_back(turn, 0)->t_us)) {
		add_edge(turn, edge_us, turn->pulses);
		turn->speed_rpm = turn->started ? speed_between_edges(turn) : 0;
		if (isnan(turn->speed_rpm))
			turn->speed_rpm = speed_from_rest(turn, before_us, moved);
		turn->edge_rpm = turn->speed_rpm;
	}
	turn->started = true;
	turn->speed_rpm = slowed(turn);
}

double turn_angle_rev(const struct turn *turn)
{
	return turn->per_rev > 0 ? (double)turn->pulses / turn->per_rev : NAN;
}

double turn_edge_s(const struct turn *turn)
{
	return turn->n > 0 ? (double)edge_back(turn, 0)->t_us * 1e-6 : NAN;
}
