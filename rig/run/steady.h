/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Steady is a test, not a wait: over a sliding window the slope of each watched channel, with the error of that slope,
 * must lie inside its limit. The slope and its error are those of calib/fit/stats.h; here several channels are judged
 * together.
 *
 * Pure: no I/O, no clock, no allocation, no globals; fixed memory. The caller owns the struct, made once before a run.
 */
#ifndef BRIDLE_RUN_STEADY_H
#define BRIDLE_RUN_STEADY_H

#include "calib/fit/stats.h"

#include <stdbool.h>
#include <stddef.h>

#define STEADY_CHANNELS 3

struct steady_limit {
	double slope_per_s; /* largest slope allowed; INFINITY = this channel is not judged */
	double resolution;  /* of the channel's readings; a slope cannot be known better than that; 0 = fine */
	/* false: steady only when |slope| + u <= limit (shown to be steady). true: not steady only when |slope| - u >
	 * limit (shown to move), for slow, coarse readings such as temperatures; a channel without readings (NaN) then
	 * passes. */
	bool lenient;
};

struct steady_slope {
	double slope_per_s, u_per_s; /* NaN before the window is full; u with the resolution's share */
	double mean;
};

struct steady {
	double window_s;
	size_t n_channels;
	struct steady_limit limit[STEADY_CHANNELS];
	struct stats_settle channel[STEADY_CHANNELS];
	struct steady_slope slope[STEADY_CHANNELS]; /* renewed once in a 24th of the window */
	double begin_s, renewed_s;
	bool full;
};

/* window_s > 0, n <= STEADY_CHANNELS. limits: copied. */
void steady_begin(struct steady *s, double window_s, const struct steady_limit *limits, size_t n);
void steady_clear(struct steady *s); /* forget the samples, keep the limits */

/* One sample: values[n_channels] at t_s (rising). */
void steady_add(struct steady *s, double t_s, const double *values);

/* A full window and every channel inside its limit. */
bool steady_is(const struct steady *s);
/* A full window and some channel shown to move: |slope| - 2 u > limit. For giving up what was called steady. */
bool steady_is_lost(const struct steady *s);
/* Channel that is furthest outside, or -1. */
int steady_worst(const struct steady *s);
struct steady_slope steady_slope(const struct steady *s, size_t channel); /* below n */

#endif
