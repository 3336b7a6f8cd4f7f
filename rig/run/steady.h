/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Steady is a test, not a wait: over a sliding window the slope of each watched channel, with the error of that
 * slope, must lie inside its limit. And the mean of a window whose samples hang together.
 *
 * Pure: no I/O, no clock, no allocation, no globals. Memory is fixed: the samples are averaged into STEADY_BINS bins
 * a window, whatever the rate. The caller owns the struct, made once before a run. */
#ifndef BRIDLE_RUN_STEADY_H
#define BRIDLE_RUN_STEADY_H

#include <stdbool.h>
#include <stddef.h>

#define STEADY_BINS 30
#define STEADY_CHANNELS 3

struct steady_limit {
	double slope_per_s; /* largest slope allowed; INFINITY = this channel is not judged */
	double resolution;  /* of the channel's readings; a slope cannot be known better than that; 0 = fine */
	/* false: steady only when |slope| + u <= limit (proved steady). true: not steady only when |slope| - u > limit
	 * (proved moving), for slow, coarse readings such as temperatures; a channel without readings (NaN) then passes. */
	bool lenient;
};

struct steady {
	double window_s, bin_s;
	size_t n_channels;
	struct steady_limit limit[STEADY_CHANNELS];
	double bin[STEADY_CHANNELS][STEADY_BINS];
	double sum[STEADY_CHANNELS];
	size_t in_bin, filled, next; /* next: where the next closed bin goes */
	double bin_begin_s;          /* NaN = no sample yet */
};

struct steady_slope {
	double slope_per_s, u_per_s; /* least squares over the bins; u with lag-1 autocorrelation of the residuals and the resolution */
	double mean;
};

/* window_s > 0, n <= STEADY_CHANNELS. limits: copied. */
void steady_begin(struct steady *s, double window_s, const struct steady_limit *limits, size_t n);
void steady_clear(struct steady *s); /* forget the samples, keep the limits */

/* One sample: values[n_channels] at t_s (rising). True when a bin was closed, so that the verdict may be new. */
bool steady_add(struct steady *s, double t_s, const double *values);

/* A full window and every channel inside its limit. */
bool steady_is(const struct steady *s);
/* A full window and some channel proved to move: |slope| - 2 u > limit. For giving up what was called steady. */
bool steady_is_lost(const struct steady *s);
/* Channel that is furthest outside, or -1. */
int steady_worst(const struct steady *s);
/* NaN before the window is full. */
struct steady_slope steady_slope(const struct steady *s, size_t channel);

/* Mean of correlated samples, one at a time. u = sd sqrt((1 + r)/(1 - r)/n) with r the lag-1 autocorrelation,
 * which is the large-n law for a first-order autoregressive series (r < 0 counts as 0); for few or longer correlated
 * samples the mean of 8 to 16 batches gives a second value and the larger one is reported. Zeroed = empty. */
#define WMEAN_BATCHES 16
struct wmean {
	size_t n;
	double first, last;        /* sums are kept about the first value, against cancellation */
	double sum, sum2, sum_lag; /* of d, d^2, d_i d_(i+1) */
	double batch[WMEAN_BATCHES];
	size_t n_batch, in_batch, batch_size;
};
void wmean_add(struct wmean *m, double value);
double wmean_mean(const struct wmean *m); /* NaN when empty */
double wmean_sd(const struct wmean *m);   /* NaN for n < 2 */
double wmean_u(const struct wmean *m);    /* of the mean; NaN for n < 4 */

#endif
