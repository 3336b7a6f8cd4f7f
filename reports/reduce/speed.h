/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Speed of the output over a window, from pulses and the times of their edges, and what the disc of the pick-up does to
 * it. Only the two outer edges count for the mean: each is off by its own place on the disc, and both by the disc's
 * eccentricity at unlike angles. How far, the steps from edge to edge tell; but a shaft that changes its speed hides it
 * or passes for it. The disc is the same in every window of a run, so it is taken from the one in which the shaft
 * turned most evenly. */
#ifndef BRIDLE_REPORTS_REDUCE_SPEED_H
#define BRIDLE_REPORTS_REDUCE_SPEED_H

#include "reports/reduce/window.h"

struct disc {
	double edge, turn; /* standard deviation of an edge's place, amplitude once per turn; counts */
	double uneven; /* rms of the steps from edge to edge about a steady speed: less is better; NaN nothing seen */
	double apart;  /* how unlike the outer edges' angles are: sqrt(1 - cos), 0 after whole turns */
	double rpm_per_count; /* speed over this window by a displacement of one outer edge */
	double other_u_rpm;   /* what else is uncertain: ticks of the clock, the window's ends */
};

/* In rpm, signed as the samples' own speed, u with this window's own disc. Without an edge in the window: 0 with the
 * standard uncertainty of "less than one pulse". Where marks come again (reports/reduce/whole_turns.h) the disc falls
 * out, and none is seen. ret_disc may be NULL. */
struct mean window_speed(const struct window *w, double pulses_per_rev, double length_s, struct disc *ret_disc);

/* Eccentricity from the evenest window, misplaced edges from the middle of those that see them: where a whole number of
 * phases falls into each sample, a window sees one phase only. Less than a revolution does not count. n may be 0
 * (uneven NaN). */
struct disc disc_of(const struct disc *const *seen, size_t n);
/* u of a window's speed with another disc; stays where the window or the run has seen none. */
void speed_take_disc(struct mean *speed, const struct disc *window, const struct disc *disc);

#define WINDOW_BLOCKS 20
/* Speeds of at most max stretches, edge to edge, without sign; returns how many. At least two edges. */
size_t speed_of_blocks(const struct window *w, double pulses_per_rev, double *ret_rpm, size_t max);

#endif
