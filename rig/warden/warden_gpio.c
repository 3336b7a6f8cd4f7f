/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "warden/warden_gpio.h"

#include <linux/gpio.h>
#include <sys/ioctl.h>

bool warden_gpio_set(int fd, bool active)
{
	struct gpio_v2_line_values values = { .bits = active, .mask = 1 };

	return ioctl(fd, GPIO_V2_LINE_SET_VALUES_IOCTL, &values) == 0;
}
