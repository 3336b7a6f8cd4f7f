/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/gpio_view.h"

#define PICK_UP (1u << GPIO_PULSE_A | 1u << GPIO_PULSE_B)

static bool is_active(const struct gpio_view *view, enum gpio_use use)
{
	return view->active >> use & 1;
}

/* Quadrature: after an edge of A both are unlike going forward, after one of B both are alike. */
static int step_of(const struct gpio_view *view, const struct gpio_edge *edge)
{
	bool alike = is_active(view, GPIO_PULSE_A) == is_active(view, GPIO_PULSE_B);

	return (edge->use == GPIO_PULSE_A) == alike ? -1 : 1;
}

static void take_pulse(struct gpio_view *view, const struct gpio_edge *edge, bool same, bool two_channels)
{
	bool seen = view->seen >> edge->use & 1;

	view->seen |= 1u << edge->use;
	view->edge_ns = edge->t_ns;
	if (!two_channels)
		view->pulses++;
	else if (!same)
		view->pulses += step_of(view, edge);
	view->lost += same && seen;
}

void gpio_view_edge(struct gpio_view *view, const struct gpio_edge *edge, bool two_channels)
{
	bool same = is_active(view, (enum gpio_use)edge->use) == edge->active;

	view->active = (view->active & ~(1u << edge->use)) | (unsigned)edge->active << edge->use;
	if (PICK_UP >> edge->use & 1)
		take_pulse(view, edge, same, two_channels);
	else if ((same || !edge->active) && edge->use < GPIO_PULSE_A) /* the same again: it was away in between */
		view->dropped[edge->use]++;
}

void gpio_view_levels(struct gpio_view *view, unsigned active)
{
	unsigned fell = view->active & ~active & ~PICK_UP;

	for (unsigned use = 0; use < GPIO_PULSE_A; use++)
		view->dropped[use] += fell >> use & 1;
	/* Edges that are on their way tell of the pick-up's channels, once they were seen. */
	view->active = (view->active & PICK_UP & (view->seen)) | (active & ~(PICK_UP & view->seen));
}
