/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A window in stretches: torque, speed and input power that belong together. */
#ifndef BRIDLE_REPORTS_REDUCE_BLOCKS_H
#define BRIDLE_REPORTS_REDUCE_BLOCKS_H

#include "reports/reduce/speed.h"

/* The window cut into stretches of equal length, each with its means: what has to be looked at together (torque times
 * speed, over input power). n 0: the window has too few readings or edges. */
struct blocks {
	size_t n;
	bool has_watt;
	double count[WINDOW_BLOCKS], rpm[WINDOW_BLOCKS],
		watt[WINDOW_BLOCKS]; /* speed without its sign; watt where has_watt */
};
struct blocks window_blocks(const struct window *w, double pulses_per_rev);

#endif
