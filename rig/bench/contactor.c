/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "bench/contactor.h"

void contactor_tick(struct contactor *c, double step_s, double close_s, double open_s)
{
	bool coil = c->command && c->estop_ok && c->cage_closed && !c->dropping;

	if (coil == c->closed || (c->closed && c->welded)) {
		c->moving_s = 0;
		return;
	}
	c->moving_s += step_s;
	if (c->moving_s >= (coil ? close_s : open_s)) {
		c->closed = coil;
		c->moving_s = 0;
	}
}
