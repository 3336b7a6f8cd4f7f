/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_sweep.h"

#include <math.h>
#include <stdint.h>

/* What a way of turning holds: the speeds with that sign, and at each of them the loads allowed. */
struct half {
	const struct plan_profile *plan;
	size_t n, loads;
	size_t speed[PROFILE_SPEEDS], allowed[PROFILE_SPEEDS]; /* speed: of the plan */
};

struct list {
	struct sweep_item *items;
	size_t n;
};

static struct half half_of(const struct plan_profile *plan, const size_t *n_allowed, int way)
{
	struct half h = { .plan = plan };

	for (size_t k = 0; k < plan->n_speeds && k < PROFILE_SPEEDS; k++) {
		if ((plan->speed_rpm[k] < 0) != (way < 0))
			continue;
		h.speed[h.n] = k;
		h.allowed[h.n] = n_allowed && n_allowed[k] < plan->n ? n_allowed[k] : plan->n;
		h.loads = h.allowed[h.n] > h.loads ? h.allowed[h.n] : h.loads;
		h.n++;
	}
	return h;
}

static double item_rpm(const struct half *h, size_t k)
{
	return h->plan->drive == PLAN_SPEED ? h->plan->speed_rpm[h->speed[k]] : 0;
}

static void put(struct list *l, const struct half *h, size_t k, size_t step, int direction)
{
	if (l->n < SWEEP_ITEMS && step < h->allowed[k])
		l->items[l->n++] = (struct sweep_item){
			.step = (int)step, .direction = direction, .set = h->plan->step[step], .rpm = item_rpm(h, k)
		};
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

static void one_speed(struct list *l, const struct half *h, size_t k)
{
	for (size_t i = 0; i < h->allowed[k]; i++)
		put(l, h, k, i, +1);
	for (size_t i = h->allowed[k]; h->plan->down && i-- > 0;)
		if (i + 1 < h->allowed[k])
			put(l, h, k, i, -1);
}

static void speeds_inside(struct list *l, const struct half *h)
{
	for (size_t i = 0; i < h->loads; i++)
		for (size_t k = 0; k < h->n; k++)
			put(l, h, k, i, +1);
	for (size_t i = h->loads; h->plan->down && i-- > 0;)
		for (size_t k = 0; k < h->n; k++)
			if (i + 1 < h->allowed[k])
				put(l, h, k, i, -1);
}

static void shuffled(struct list *l, const struct half *h)
{
	size_t first = l->n;

	for (size_t k = 0; k < h->n; k++)
		for (size_t i = 0; i < h->allowed[k]; i++)
			put(l, h, k, i, 0);
	shuffle(l->items + first, l->n - first, h->plan->seed);
}

static void one_way(struct list *l, const struct half *h)
{
	size_t first = l->n;

	if (h->plan->shuffle)
		shuffled(l, h);
	else if (h->plan->speed_inside)
		speeds_inside(l, h);
	for (size_t k = 0; !h->plan->shuffle && !h->plan->speed_inside && k < h->n; k++)
		one_speed(l, h, k);
	if (!h->plan->repeat_first || l->n == first || l->n >= SWEEP_ITEMS)
		return;
	struct sweep_item again = l->items[first];
	again.direction = 0;
	again.repeat = true;
	l->items[l->n++] = again;
}

size_t sweep_order(const struct plan_profile *plan, const size_t *n_allowed, struct sweep_item items[SWEEP_ITEMS])
{
	struct list l = { .items = items };

	for (int way = 1; way >= -1; way -= 2) {
		const struct half h = half_of(plan, n_allowed, way);
		one_way(&l, &h);
	}
	return l.n;
}

static bool same_rpm(const struct sweep_item *item, double rpm)
{
	return isnan(rpm) ? !(fabs(item->rpm) > 0) : fabs(item->rpm - rpm) < 1e-6;
}

bool sweep_cross_off(struct sweep_item *items, size_t n, int step, int direction, double rpm, unsigned flags)
{
	bool repeat = (flags & POINT_REPEAT) != 0;

	if (flags & (POINT_TARE | POINT_CUT))
		return false;
	for (size_t i = 0; (flags & POINT_AT_LIMIT) && i < n; i++)
		items[i].is_limit |= items[i].direction > 0 && same_rpm(&items[i], rpm);
	for (size_t i = 0; i < n; i++) {
		if (items[i].done || items[i].step != step || items[i].direction != direction ||
		    items[i].repeat != repeat || !same_rpm(&items[i], rpm))
			continue;
		items[i].done = true;
		return true;
	}
	return false;
}

size_t sweep_legs(const struct sweep_item *items, size_t n, struct sweep_leg ret[SWEEP_WAYS])
{
	size_t legs = 0, at = 0;

	while (at < n && legs < SWEEP_WAYS) {
		struct sweep_leg leg = { .first = at, .way = items[at].rpm < 0 ? -1 : 1 };
		bool left = false;
		for (; at < n && (items[at].rpm < 0) == (leg.way < 0); at++)
			left |= !items[at].done;
		leg.n = at - leg.first;
		if (left)
			ret[legs++] = leg;
	}
	return legs;
}
