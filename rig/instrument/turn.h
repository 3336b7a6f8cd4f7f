/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Pulses to angle and speed of the output. Pure.
 *
 * Speed is pulses between two edges over the time between them, both by the node's clock, so it does not know
 * the sampling: exact at a steady speed, however slow. The stretch is the shortest of at least 20 ms, or one pulse.
 * Before the second edge it is 0. Between edges the speed can only be what an edge right now would give, and it is 0
 * when none came for 0.5 s. */
#ifndef BRIDLE_INSTRUMENT_TURN_H
#define BRIDLE_INSTRUMENT_TURN_H

#include <stdbool.h>
#include <stdint.h>

#define TURN_STRETCH_US 20000
#define TURN_STANDS_US 500000
#define TURN_EDGES 64 /* 20 ms at 1000 samples/s, and room */

struct turn {
	double per_rev; /* pulses per turn of the output */
	int sign;       /* +1 or -1 */
	bool started;
	uint16_t last_raw;
	int64_t pulses; /* unwrapped, signed, since the start */
	int64_t t_us;   /* newest sample */
	struct turn_edge {
		int64_t t_us, pulses;
	} edge[TURN_EDGES]; /* ring, newest at [at] */
	unsigned at, n;
	double speed_rpm; /* NaN until the first sample, and when per_rev is not positive */
	/* When the newest edge came, signed: what came after it, or did not, is not in it. Pulses that end at once
	 * leave it as it was, where speed_rpm falls. NaN until the first sample. */
	double edge_rpm;
};

/* A sample: node time, raw counter, whether age_us tells the last edge (not full). */
void turn_take(struct turn *turn, int64_t t_us, uint16_t raw, bool has_edge, uint32_t age_us);

double turn_angle_rev(const struct turn *turn);
/* Node time of the last edge, s; NaN before the first. */
double turn_edge_s(const struct turn *turn);

#endif
