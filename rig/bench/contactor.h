/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Contactor and the stop chain that is wired to its coil: the node's command, the emergency stop and the guard switch
 * in series. No software lies between a pulled stop and the coil. */
#ifndef BRIDLE_BENCH_CONTACTOR_H
#define BRIDLE_BENCH_CONTACTOR_H

#include <stdbool.h>

struct contactor {
	bool command; /* of the node */
	bool estop_ok, cage_closed;
	bool welded, dropping; /* faults */
	bool closed;
	double moving_s; /* since coil and contact disagree */
};

void contactor_tick(struct contactor *contactor, double step_s, double close_s, double open_s);

#endif
