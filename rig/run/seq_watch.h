/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Watching: nothing is energised, every channel is looked at for a while. Pure. */
#ifndef BRIDLE_RUN_SEQ_WATCH_H
#define BRIDLE_RUN_SEQ_WATCH_H

#include "run/sequence.h"

#include <stdint.h>

enum watch_channel {
	WATCH_CELL, WATCH_TORQUE, WATCH_SPEED, WATCH_BRAKE, WATCH_VOLTAGE, WATCH_CURRENT,
	WATCH_TEMP_BRAKE, WATCH_TEMP_CASE, WATCH_TEMP_WINDING, WATCH_TEMP_AMBIENT, WATCH_CHANNELS
};

struct watch_sum { uint64_t n; double mean, m2, min, max; }; /* running mean and sum of squares (Welford 1962) */

struct watch {
	double seconds; /* how long; set by the caller, INFINITY = until stopped */
	bool started;
	struct mono begin;
	struct snapshot first, last;
	struct watch_sum sum[WATCH_CHANNELS];
};

void watch_step(void *state, const struct snapshot *snap, struct seq_out *ret);

double watch_sd(const struct watch_sum *sum); /* sample standard deviation, NaN below two values */

#endif
