/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The keys of an [instrument NAME] that is GPIO lines. Inside this room only. */
#ifndef BRIDLE_PROFILE_GPIO_KEYS_H
#define BRIDLE_PROFILE_GPIO_KEYS_H

#include "profile/inifile.h"

/* Reads p->wire, and the orders of its output. Refused: words that are no line, two keys with one line, a role without
 * its lines, a line without its role. Other kinds: nothing is checked. */
void gpio_check(struct inifile *r, struct instrument_profile *p);

/* When the whole file is read: GPIO lines are on a chip (a virtual bench alone, and always, tells them over a
 * socket), and nothing else is. */
void gpio_check_link(struct inifile *r, const struct rig_profile *rig, const struct instrument_profile *p,
		     const char *section);

#endif
