/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A thread that takes the edges of GPIO lines as they come: the kernel keeps only a few of them. Each look leaves a
 * view in a box (instrument/box.h), so that the tick never waits for it. */
#ifndef BRIDLE_INSTRUMENT_GPIO_WATCH_H
#define BRIDLE_INSTRUMENT_GPIO_WATCH_H

#include "channel/clock.h"
#include "instrument/gpio_view.h"

#include <stdbool.h>

#define GPIO_LOOK_MS 10     /* between two looks at the levels, at most */
#define GPIO_NAP_NS 1000000 /* after edges: they come in bunches then, and a shaft that turns fast leaves time */

struct gpio_watch;

/* lines: it owns them from here on, also when it fails. clock: the machine's, not a bench's; must outlive it. The first
 * view is there when it returns. RC_NOMEM, RC_IO. */
enum rc gpio_watch_start(const struct gpio_lines *lines, const struct clock_src *clock, bool two_channels,
			 struct gpio_watch **ret, struct err *err) MUST_CHECK;
/* The newest view; false, and *ret as it was, when there is none since the last time. Never waits. */
bool gpio_watch_take(struct gpio_watch *watch, struct gpio_view *ret);
/* Joins within one look, and closes the lines. NULL is fine. */
void gpio_watch_free(struct gpio_watch *watch);

#endif
