/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The live line: what goes on at the rig, in one line of a given width; and how long it will still take. Pure. */
#ifndef BRIDLE_TERMINAL_LIVE_LINE_H
#define BRIDLE_TERMINAL_LIVE_LINE_H

#include <stdbool.h>
#include <stddef.h>

/* A slow instrument tells five times a second: what is older than this has missed two. */
#define LIVE_OLD_S 0.5

struct live_line {
	const char *title; /* the command */
	int step, steps;   /* from 1; 0: there are none (steps 0: how many is not known) */
	int direction;     /* +1 rising, -1 falling, 0 neither */
	const char *phase; /* word of the sequence (run/sequence.h); "" none */
	double phase_s;    /* time in it so far; NaN: not shown */
	/* What is commanded and measured; NaN: none, and left out. */
	double commanded_Nm, commanded_A, torque_Nm, speed_rpm, brake_A, voltage_V, current_A;
	double power_age_s;             /* of the older of voltage and current; told from LIVE_OLD_S on. 0: not known */
	bool hung;                      /* what is commanded hangs there as a weight */
	double count;                   /* of the cell; shown where there is no torque */
	double left_low_s, left_high_s; /* time left between these; NaN: not known */
	double frac;                    /* of the whole, for the bar where there is room */
	const char *stop;               /* how to stop, as "q stops"; "" not at all */
};

/* At most columns columns (UTF-8 by characters), not cut inside a word or number: a narrow line has shorter words and
 * then leaves out, in this order, title and bar, time in the phase, time left, phase, speed. The step, the torque and
 * how to stop stay as long as they fit. Never "nan". */
void live_line_text(const struct live_line *l, int columns, char *buf, size_t size);

/* Time left as it is shown: it goes down with the clock and drifts to what the newest estimate says. Zeroed: nothing
 * known. */
struct live_left {
	bool known;
	double s, spread; /* estimate; share by which it may be wrong */
};

/* estimate_s: NaN, none at the moment, which takes back nothing. spread: share by which it may be wrong, 0 = by the
 * clock. dt_s: since the step before. */
void live_left_step(struct live_left *left, double estimate_s, double spread, double dt_s);

#endif
