/* SPDX-License-Identifier: GPL-3.0-or-later */
/* GPIO lines of a small computer as an instrument: emergency stop, guard and contactor (role lines), pick-up (role
 * pickup), and the output that closes the contactor (role power). That output has no lease: it is set by the warden
 * alone (rig/warden), through a copy of its descriptor.
 *
 * On a chip a thread takes edges and levels (instrument/gpio_watch.h). On a virtual bench the other process tells the
 * same, one line of text a look: "G ACTIVE DROPPED DROPPED DROPPED PULSES EDGE AT", times in microseconds of the bench.
 *
 * A line that ceased to be active between two ticks counts as not active in the next one, however short it was. Once
 * edges of the pick-up were lost, its angle is not known any more: its channel is missing until it is opened anew. */
#ifndef BRIDLE_INSTRUMENT_GPIO_H
#define BRIDLE_INSTRUMENT_GPIO_H

#include "instrument/gpio_view.h"
#include "instrument/instrument.h"

#define GPIO_STALE_S 0.3    /* its channels are believed so long; 30 looks */
#define GPIO_SCHEME "gpio:" /* of a link that is a chip */

struct gpio_setup {
	const char *chip; /* for gpio_lines_open; NULL: a virtual bench tells over the link. Borrowed while it opens */
	struct gpio_wire wire[GPIO_USES];
	double pulses_per_rev; /* of the output */
	int direction;         /* +1 or -1: sign of the pulses against the rig's positive direction */
};

/* config->gpio is set. link: NULL with a chip. */
enum rc gpio_open(const struct instrument_config *config, struct link *link, const struct clock_src *clock,
		  struct instrument *ret, struct err *err) MUST_CHECK;

#endif
