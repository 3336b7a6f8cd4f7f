/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What gpio.c shows to its tests alone: a fake in place of the chip. */
#ifndef BRIDLE_INSTRUMENT_GPIO_PRIVATE_H
#define BRIDLE_INSTRUMENT_GPIO_PRIVATE_H

#include "instrument/gpio.h"

/* gpio_open with lines that are open: it owns them from here on, also when it fails. */
enum rc gpio_open_lines(const struct instrument_config *config, const struct gpio_lines *lines,
			const struct clock_src *clock, struct instrument *ret, struct err *err) MUST_CHECK;

#endif
