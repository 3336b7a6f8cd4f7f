/* SPDX-License-Identifier: GPL-3.0-or-later */
/* One line of a GPIO chip as a profile states it: "ESTOP", "17", "17 low pull-up". A whole number is the offset on the
 * chip, anything else the line's name. low: it is active at the low level. Pure. */
#ifndef BRIDLE_CHANNEL_GPIO_WIRE_H
#define BRIDLE_CHANNEL_GPIO_WIRE_H

#include <stdbool.h>

#define GPIO_NAME 32 /* the kernel's own length, with its end */

enum gpio_bias { GPIO_AS_IS, GPIO_PULL_UP, GPIO_PULL_DOWN };

struct gpio_wire {
	char name[GPIO_NAME]; /* "" = by its offset */
	int offset;           /* -1: by its name, or not wired */
	bool wired, low;
	enum gpio_bias bias;
};

/* What a line is wired to. The first five are inputs, active = 1: emergency stop released, guard closed, contactor
 * closed, the channels of the pick-up. The last closes the contactor. */
enum gpio_use { GPIO_ESTOP, GPIO_CAGE, GPIO_CONTACTOR, GPIO_PULSE_A, GPIO_PULSE_B, GPIO_SWITCH, GPIO_USES };
#define GPIO_INPUTS GPIO_SWITCH

/* "" is a line that is not wired. False: it is none; *ret is then not wired. */
bool gpio_wire_read(const char *text, struct gpio_wire *ret);
/* Are both the same line of a chip, as far as the words tell? */
bool gpio_wire_same(const struct gpio_wire *a, const struct gpio_wire *b);
const char *gpio_use_word(enum gpio_use use); /* its key in rig.ini */

#endif
