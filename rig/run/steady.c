/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/steady.h"

#include <math.h>

static const struct steady_slope unknown = { NAN, NAN, NAN };

void steady_begin(struct steady *s, double window_s, const struct steady_limit *limits, size_t n)
{
	*s = (struct steady){ .window_s = window_s, .n_channels = n < STEADY_CHANNELS ? n : STEADY_CHANNELS };
	for (size_t i = 0; i < s->n_channels; i++)
		s->limit[i] = limits[i];
	steady_clear(s);
}

void steady_clear(struct steady *s)
{
	if (isnan(s->begin_s))
		return; /* already empty: called every tick while a load is on its way */
	for (size_t i = 0; i < s->n_channels; i++) {
		stats_settle_begin(&s->channel[i], s->window_s);
		s->slope[i] = unknown;
	}
	s->begin_s = s->renewed_s = NAN;
	s->full = false;
}

static struct steady_slope renewed(const struct steady *s, size_t channel)
{
	struct stats_slope slope = stats_settle_slope(&s->channel[channel]);

	if (!slope.known)
		return unknown;
	/* A single step of the resolution in mid-window makes a slope of 1.5 steps a window: that at most; rectangular.
	 */
	double u_resolution = 1.5 * s->limit[channel].resolution / s->window_s / sqrt(3);
	return (struct steady_slope){ slope.slope_per_s, hypot(slope.u_slope_per_s, u_resolution), slope.mean };
}

void steady_add(struct steady *s, double t_s, const double *values)
{
	if (isnan(s->begin_s))
		s->begin_s = s->renewed_s = t_s;
	for (size_t i = 0; i < s->n_channels; i++)
		stats_settle_add(&s->channel[i], t_s, values[i]);
	if (t_s - s->begin_s < s->window_s || (s->full && t_s - s->renewed_s < s->window_s / STATS_SETTLE_BINS))
		return;
	s->full = true;
	s->renewed_s = t_s;
	for (size_t i = 0; i < s->n_channels; i++)
		s->slope[i] = renewed(s, i);
}

struct steady_slope steady_slope(const struct steady *s, size_t channel)
{
	return channel < s->n_channels ? s->slope[channel] : unknown;
}

/* How far outside its limit, as a ratio: > 1 is outside, 0 inside. NaN is outside unless the channel is lenient. */
static double excess(const struct steady *s, size_t channel)
{
	const struct steady_limit *limit = &s->limit[channel];
	struct steady_slope k = s->slope[channel];

	if (isinf(limit->slope_per_s))
		return 0;
	double size = fabs(k.slope_per_s) + (limit->lenient ? -k.u_per_s : k.u_per_s);
	if (isnan(size))
		return limit->lenient ? 0 : INFINITY;
	if (size <= limit->slope_per_s)
		return 0;
	return limit->slope_per_s > 0 ? size / limit->slope_per_s : INFINITY;
}

bool steady_is(const struct steady *s)
{
	return s->full && steady_worst(s) < 0;
}

bool steady_is_lost(const struct steady *s)
{
	for (size_t i = 0; s->full && i < s->n_channels; i++)
		if (fabs(s->slope[i].slope_per_s) - 2 * s->slope[i].u_per_s > s->limit[i].slope_per_s)
			return true;
	return false;
}

int steady_worst(const struct steady *s)
{
	int worst = -1;
	double most = 1;

	for (size_t i = 0; s->full && i < s->n_channels; i++) {
		double e = excess(s, i);
		if (e > most) {
			most = e;
			worst = (int)i;
		}
	}
	return worst;
}
