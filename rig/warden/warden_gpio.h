/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The output of a GPIO chip that closes the contactor: by the kernel's own call on a descriptor that was asked for as
 * an output (rig/instrument/gpio_lines.h), so that the warden needs no library. */
#ifndef BRIDLE_WARDEN_WARDEN_GPIO_H
#define BRIDLE_WARDEN_WARDEN_GPIO_H

#include <stdbool.h>

/* The orders of such a line. */
#define WARDEN_GPIO_CLOSE "1"
#define WARDEN_GPIO_OPEN "0"

/* False with errno: it was not set. Does not wait for a chip of the computer itself. */
bool warden_gpio_set(int fd, bool active);

#endif
