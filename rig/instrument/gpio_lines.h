/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The small interface to the lines of one GPIO chip. Two implementations, of which the build takes the one for its
 * libgpiod: gpio_lines_v1.c (1.6) and gpio_lines_v2.c (2.x). Levels are logical: active = 1, whatever the level of the
 * wire. Times are the kernel's, taken in its interrupt, on the clock of clock_gettime(CLOCK_MONOTONIC).
 *
 * A line belongs to one program at a time: the kernel refuses a second one. Inputs are asked for with the edges of
 * both directions; the line "switch" is asked for as an output that is not active. It is not set here: its descriptor
 * takes the kernel's GPIO_V2_LINE_SET_VALUES_IOCTL, and the warden (rig/warden) has a copy. */
#ifndef BRIDLE_INSTRUMENT_GPIO_LINES_H
#define BRIDLE_INSTRUMENT_GPIO_LINES_H

#include "calib/number/err.h"
#include "channel/gpio_wire.h"

#include <stddef.h>
#include <stdint.h>

struct gpio_edge {
	int64_t t_ns;
	uint8_t use; /* enum gpio_use */
	bool active; /* after it */
};

struct gpio_lines_ops {
	/* The edges since the last time, in order of time; waits at most wait_ms for the first. *ret_n 0: none came.
	 * *ret_lost: the kernel had no room for some, or may have had none. RC_IO: the chip is gone. */
	enum rc (*take)(void *ctx, int wait_ms, struct gpio_edge *edge, size_t most, size_t *ret_n, bool *ret_lost);
	/* 1u << enum gpio_use of the inputs that are active now. RC_IO: the chip is gone. */
	enum rc (*levels)(void *ctx, unsigned *ret_active);
	void (*close)(void *ctx);
};

struct gpio_lines {
	const struct gpio_lines_ops *ops;
	void *ctx;
	int switch_fd; /* -1: there is none; closed with the rest */
};

/* chip: "/dev/gpiochip0", "gpiochip0" or the chip's label. RC_ARG: no such line; RC_SAYS_NO: a line is taken, and the
 * sentence says by whom; RC_IO: no such chip, or not for this user; RC_NOMEM. */
enum rc gpio_lines_open(const char *chip, const struct gpio_wire wire[GPIO_USES], struct gpio_lines *ret,
			struct err *err) MUST_CHECK;

#endif
