/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A run over time in a fixed number of bins, whatever its length: when the bins
 * are full, neighbours are joined and the bin width doubles. Lowest, highest and
 * mean of each bin are kept, so that a blip is still seen. */
#ifndef BRIDLE_REPORTS_REDUCE_TRACE_H
#define BRIDLE_REPORTS_REDUCE_TRACE_H

#include "logbook/logbook.h"

#include <stdbool.h>
#include <stddef.h>

#define TRACE_BINS 1000
enum trace_channel {
	TRACE_TORQUE,
	TRACE_SPEED,
	TRACE_VOLT,
	TRACE_AMP,
	TRACE_BRAKE_A,
	TRACE_CASE,
	TRACE_WINDING,
	TRACE_BRAKE,
	TRACE_AMBIENT,
	TRACE_CHANNELS
};

struct trace_value {
	double low, high, sum;
	size_t n;
};
struct trace {
	int64_t begin_ns;
	double width_s;
	size_t n; /* bins in use */
	struct trace_value bin[TRACE_BINS][TRACE_CHANNELS];
};

void trace_begin(struct trace *t);
void trace_add(struct trace *t, const struct sample *s);
double trace_mean(const struct trace *t, size_t bin, enum trace_channel channel); /* NaN when empty */

#endif
