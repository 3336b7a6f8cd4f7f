/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The virtual end of GPIO lines: what a small computer would see on its chip, told over a socket in bench time
 * (rig/instrument/gpio.h has the form of a line). A look each 2 ms, and at once when a line changes. Bytes out, bench
 * time; no physics and no sockets. Its output is a relay (bench/relay_line.h). */
#ifndef BRIDLE_BENCH_GPIO_LINE_H
#define BRIDLE_BENCH_GPIO_LINE_H

#include "channel/gpio_wire.h"

#include <stddef.h>
#include <stdint.h>

#define GPIO_LINE_US 2000

struct gpio_line_senses {
	bool estop_ok, cage_closed, contactor_closed;
	int64_t pulses;
	double edge_us; /* negative: none yet */
};

struct gpio_line {   /* zeroed = fresh */
	bool silent; /* a fault: nothing is told any more */
	unsigned active;
	uint32_t dropped[GPIO_PULSE_A];
	int64_t told_us;
	bool ever_told;
};

/* Bytes that have left by t_us. */
size_t gpio_line_take(struct gpio_line *line, const struct gpio_line_senses *senses, int64_t t_us, char *buf,
		      size_t size);

#endif
