/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/gpio_line.h"

#include <inttypes.h>
#include <stdio.h>

size_t gpio_line_take(struct gpio_line *l, const struct gpio_line_senses *s, int64_t t_us, char *buf, size_t size)
{
	unsigned active = (unsigned)s->estop_ok << GPIO_ESTOP | (unsigned)s->cage_closed << GPIO_CAGE |
			  (unsigned)s->contactor_closed << GPIO_CONTACTOR;
	bool changed = active != l->active || !l->ever_told;

	for (unsigned use = 0; use < GPIO_PULSE_A; use++)
		l->dropped[use] += (l->active & ~active) >> use & 1;
	l->active = active;
	if (l->silent || (!changed && t_us - l->told_us < GPIO_LINE_US))
		return 0;
	l->told_us = t_us;
	l->ever_told = true;
	int n = snprintf(buf, size, "G %u %" PRIu32 " %" PRIu32 " %" PRIu32 " %" PRId64 " %" PRId64 " %" PRId64 "\n",
			 active, l->dropped[0], l->dropped[1], l->dropped[2], s->pulses,
			 s->edge_us < 0 ? 0 : (int64_t)s->edge_us, t_us);
	return n > 0 && (size_t)n < size ? (size_t)n : 0;
}
