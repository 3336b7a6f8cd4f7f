/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The node's clock, seen from the host's: unwrapped, mapped, and judged for whether it fits. Pure.
 *
 * A line comes in some time after it was sent, never before. So of all differences between the host's
 * time of arrival and the node's time the smallest is the best: it is kept, and relaxed slowly so that two clocks that
 * run apart are followed. What stays is the shortest transit (about 6 ms for a fast sample at 115200 baud). */
#ifndef BRIDLE_INSTRUMENT_NODETIME_H
#define BRIDLE_INSTRUMENT_NODETIME_H

#include <stdbool.h>
#include <stdint.h>

#define NODETIME_DRIFT_PPM 200 /* two crystals or ceramic resonators trimmed at the works, far apart: from memory */

struct nodetime {
	bool started;
	int64_t offset_us; /* host less node */
	int64_t last_us;   /* newest node time, unwrapped */
	int64_t heard_us;  /* host's time when offset_us was last looked at in earnest */
	int64_t waited_us; /* how much too large offset_us may be, because what came was not looked at at once */
};

/* The unwrapped time nearest to what the host expects now. Before the start: t_us itself. */
int64_t nodetime_unwrap(const struct nodetime *n, uint32_t t_us, int64_t host_us);

/* False: ahead of what can be (further than 0.25 s, the drift and waited_us), or more than 2 s behind the newest. */
bool nodetime_fits(const struct nodetime *n, int64_t node_us, int64_t host_us);

/* Take in a time that fits and is not older than the newest. waited_us: it may have come in so long before host_us,
 * when the host looked the time before. */
void nodetime_hear(struct nodetime *n, int64_t node_us, int64_t host_us, int64_t waited_us);

/* Host's time at which the node's clock showed node_us. */
int64_t nodetime_host_us(const struct nodetime *n, int64_t node_us);

#endif
