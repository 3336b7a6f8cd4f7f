/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What GPIO lines have told so far: levels, pulses, edges. Pure. */
#ifndef BRIDLE_INSTRUMENT_GPIO_VIEW_H
#define BRIDLE_INSTRUMENT_GPIO_VIEW_H

#include "instrument/gpio_lines.h"

struct gpio_view {
	int64_t at_ns;                  /* of the look that it is of; 0: there was none */
	unsigned active;                /* 1u << enum gpio_use */
	uint32_t dropped[GPIO_PULSE_A]; /* how often estop, guard and contactor ceased to be active */
	int64_t pulses;                 /* of the pick-up: edges of one channel, or steps of two */
	int64_t edge_ns;                /* of the newest of them; 0: none yet */
	uint32_t lost;                  /* times that edges of the pick-up were or may have been lost */
	unsigned seen;                  /* channels that had an edge */
	bool gone;                      /* the chip is */
};

/* An edge, in order of time. Two channels: a step forward is A before B, and two edges of one channel with the same
 * level mean that one between them was lost. One channel: each edge is a pulse, and no direction is known. */
void gpio_view_edge(struct gpio_view *view, const struct gpio_edge *edge, bool two_channels);
/* The levels as they are read. A line that is not active any more without an edge that said so has dropped too. */
void gpio_view_levels(struct gpio_view *view, unsigned active);

#endif
