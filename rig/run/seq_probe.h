/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Watching: nothing is energised, every channel is looked at for a while. Pure. */
#ifndef BRIDLE_RUN_SEQ_PROBE_H
#define BRIDLE_RUN_SEQ_PROBE_H

#include "run/probe_hum.h"
#include "run/sequence.h"

#include <stdint.h>

#define PROBE_KEPT 1024

enum probe_channel {
	PROBE_CELL,
	PROBE_TORQUE,
	PROBE_SPEED,
	PROBE_BRAKE,
	PROBE_VOLTAGE,
	PROBE_CURRENT,
	PROBE_TEMP_BRAKE,
	PROBE_TEMP_CASE,
	PROBE_TEMP_WINDING,
	PROBE_TEMP_AMBIENT,
	PROBE_TEMP_CELL,
	PROBE_CHANNELS
};

struct probe_sum {
	uint64_t n;
	double mean, m2, min, max;
}; /* running mean and sum of squares (Welford 1962) */

struct probe {
	double length_s; /* how long; set by the caller, INFINITY = until stopped */
	bool started;
	struct mono begin;
	struct snapshot first, last;
	struct probe_sum sum[PROBE_CHANNELS];
	uint32_t edges; /* ticks with a new edge of the pick-up; of the pulses meanwhile the least and the most: */
	int64_t pulses_min, pulses_max;
	uint32_t same_way, other_way; /* readings of a drive whose rotor turned as the pick-up says, and against it */
	struct probe_conversion kept[PROBE_KEPT]; /* the newest, as a ring */
	size_t n_kept;                            /* ever */
};

void probe_step(void *state, const struct snapshot *snap, struct seq_out *ret);

double probe_sd(const struct probe_sum *sum); /* sample standard deviation, NaN below two values */

#endif
