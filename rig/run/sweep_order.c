/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_sweep.h"

#include <stdint.h>

static void put(struct sweep_item *items, size_t *n, int step, int direction, double set, bool repeat)
{
	if (*n < SWEEP_ITEMS)
		items[(*n)++] =
			(struct sweep_item){ .step = step, .direction = direction, .set = set, .repeat = repeat };
}

/* splitmix64 (Steele, Lea, Flood, OOPSLA 2014): small, and the same on every machine. */
static uint64_t next_random(uint64_t *state)
{
	uint64_t z = (*state += 0x9e3779b97f4a7c15u);

	z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9u;
	z = (z ^ (z >> 27)) * 0x94d049bb133111ebu;
	return z ^ (z >> 31);
}

/* Fisher and Yates. */
static void shuffle(struct sweep_item *items, size_t n, unsigned seed)
{
	uint64_t state = seed;

	for (size_t i = n; i > 1; i--) {
		size_t j = (size_t)(next_random(&state) % i);
		struct sweep_item swap = items[i - 1];
		items[i - 1] = items[j];
		items[j] = swap;
	}
}

size_t sweep_order(const struct plan_profile *plan, size_t n_allowed, struct sweep_item items[SWEEP_ITEMS])
{
	size_t steps = plan->n < n_allowed ? plan->n : n_allowed, n = 0;

	for (size_t i = 0; i < steps; i++)
		put(items, &n, (int)i, plan->shuffle ? 0 : +1, plan->step[i], false);
	if (plan->shuffle)
		shuffle(items, n, plan->seed);
	for (size_t i = steps; plan->down && !plan->shuffle && i-- > 0;)
		if (i + 1 < steps)
			put(items, &n, (int)i, -1, plan->step[i], false);
	if (plan->repeat_first && n > 0)
		put(items, &n, items[0].step, 0, items[0].set, true);
	return n;
}

bool sweep_cross_off(struct sweep_item *items, size_t n, int step, int direction, unsigned flags)
{
	bool repeat = (flags & POINT_REPEAT) != 0;

	if (flags & (POINT_TARE | POINT_CUT))
		return false;
	for (size_t i = 0; i < n; i++) {
		if (items[i].done || items[i].step != step || items[i].direction != direction ||
		    items[i].repeat != repeat)
			continue;
		items[i].done = true;
		return true;
	}
	return false;
}
