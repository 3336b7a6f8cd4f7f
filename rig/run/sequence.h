/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a sequence is: a pure step function over a snapshot. The loop knows
 * sequences only through this. Pure: no I/O, no clock, no allocation, no globals
 * in step(); a sequence's state is allocated by whoever starts it. */
#ifndef BRIDLE_RUN_SEQUENCE_H
#define BRIDLE_RUN_SEQUENCE_H

#include "channel/event.h"
#include "channel/rigio.h"

#include <stdbool.h>
#include <stddef.h>

struct seq_out {
	struct wish wish;
	struct seq_event event;
	bool set_tare; /* from the next tick on, tare_count is what the loop subtracts from the (signed) count */
	double tare_count;
	bool done;     /* finished in order; the wish is everything off */
	bool stop;     /* ask the guard for CAUSE_SEQUENCE; event.text says why */
	double thin_s; /* rows of samples this far apart are enough, but for those around a stop (run/sample_thin.h);
			  0: every tick */
	double progress_frac;    /* 0..1 */
	double remaining_s;      /* estimate; NaN: none */
	double remaining_spread; /* share by which it may be wrong; 0 = by the clock */
	const char *phase;       /* one word for the live line; static text */
};

struct sequence {
	void (*step)(void *state, const struct snapshot *snap, struct seq_out *ret);
	void *state; /* borrowed by the loop */
};

#endif
