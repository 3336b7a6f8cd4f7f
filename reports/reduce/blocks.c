/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/blocks.h"

static bool block_means(const struct series *s, double ret[WINDOW_BLOCKS])
{
	if (s->n < WINDOW_BLOCKS)
		return false;
	for (size_t b = 0; b < WINDOW_BLOCKS; b++) {
		size_t from = b * s->n / WINDOW_BLOCKS, to = (b + 1) * s->n / WINDOW_BLOCKS;
		double sum = 0;
		for (size_t i = from; i < to; i++)
			sum += s->x[i];
		ret[b] = sum / (double)(to - from);
	}
	return true;
}

struct blocks window_blocks(const struct window *w, double per_rev)
{
	struct blocks ret = { 0 };

	if (w->edge_s.n < 2 || speed_of_blocks(w, per_rev, ret.rpm, WINDOW_BLOCKS) < WINDOW_BLOCKS ||
	    !block_means(&w->count, ret.count))
		return ret;
	ret.n = WINDOW_BLOCKS;
	ret.has_watt = block_means(&w->power, ret.watt);
	return ret;
}
