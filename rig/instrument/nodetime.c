/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/nodetime.h"

#define AHEAD_US 250000
#define BEHIND_US 2000000

int64_t nodetime_unwrap(const struct nodetime *n, uint32_t t_us, int64_t host_us)
{
	int64_t expected;

	if (!n->started)
		return t_us;
	expected = host_us - n->offset_us;
	return expected + (int32_t)(t_us - (uint32_t)expected);
}

static int64_t drift_us(const struct nodetime *n, int64_t host_us)
{
	return (host_us - n->heard_us) * NODETIME_DRIFT_PPM / 1000000;
}

bool nodetime_fits(const struct nodetime *n, int64_t node_us, int64_t host_us)
{
	if (!n->started)
		return true;
	return node_us <= host_us - n->offset_us + AHEAD_US + n->waited_us + drift_us(n, host_us) &&
	       node_us >= n->last_us - BEHIND_US;
}

void nodetime_hear(struct nodetime *n, int64_t node_us, int64_t host_us, int64_t waited_us)
{
	int64_t offset_us = host_us - node_us;

	if (n->started) {
		int64_t relaxed_us = n->offset_us + drift_us(n, host_us);

		if (offset_us > relaxed_us)
			offset_us = relaxed_us;
	}
	/* Less than a whole microsecond of drift must not be thrown away tick by tick. */
	if (!n->started || offset_us != n->offset_us || host_us - n->heard_us > 1000000)
		n->heard_us = host_us;
	n->offset_us = offset_us;
	if (!n->started || waited_us < n->waited_us)
		n->waited_us = waited_us;
	n->last_us = node_us;
	n->started = true;
}

int64_t nodetime_host_us(const struct nodetime *n, int64_t node_us)
{
	return node_us + n->offset_us;
}
