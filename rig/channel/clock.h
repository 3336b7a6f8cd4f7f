/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The one clock. Everything asks it; nothing else calls the system's time.
 * Two fillings: the machine's monotonic clock, and the bench clock of a virtual
 * bench in lock-step (docs/tether.md). */
#ifndef BRIDLE_CHANNEL_CLOCK_H
#define BRIDLE_CHANNEL_CLOCK_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stdint.h>

struct mono {
	int64_t ns;
}; /* monotonic: deadlines, periods, control. Never mixed with wall time. */
struct wall {
	int64_t ns;
}; /* UTC since 1970: logbook and reports only */

struct clock_src {
	struct mono (*now)(void *ctx);
	struct wall (*wall)(void *ctx); /* the machine's, also on a virtual bench */
	/* Return at t or later. RC_OK, or why time cannot go on (the bench is gone). */
	enum rc (*sleep_until)(void *ctx, struct mono t, struct err *err);
	/* How long the machine was suspended, in all, at least: now() does not count it. NULL: never. */
	int64_t (*slept_ns)(void *ctx);
	void (*free)(void *ctx);
	void *ctx;
	bool is_bench; /* bench time stands still while nobody sleeps */
};

static inline struct mono mono_add_ns(struct mono t, int64_t ns)
{
	return (struct mono){ t.ns + ns };
}
static inline double mono_diff_s(struct mono later, struct mono earlier)
{
	return (double)(later.ns - earlier.ns) * 1e-9;
}

struct clock_src clock_machine(void);

#endif
