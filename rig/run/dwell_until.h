/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How long to dwell for a target instead of a time: [steady] dwell = until 0.2 %. In two stages (the idea is Stein's,
 * Ann. Math. Stat. 16 (1945) 243, from memory): readings before the window, the pilot, tell the scatter of a mean of
 * theirs, and from that alone the length of the window is fixed, once. No reading of the window is asked whether to
 * stop, so stopping can pull neither its mean nor its scatter. The pilot's scatter stands with Student's factor of its
 * effective readings, since few of them tell it badly.
 *
 * What is to be small is how far the mean of another window would lie (2 sqrt 2 of the scatter of one), as a share of
 * the reading, or of floor where the reading is less.
 *
 * Pure: no I/O, no clock, no allocation, no globals; fixed memory. */
#ifndef BRIDLE_RUN_DWELL_UNTIL_H
#define BRIDLE_RUN_DWELL_UNTIL_H

#include <stddef.h>

#define DWELL_MEANS 512

struct dwell_until {
	double frac;               /* target; 0: the dwell is a time */
	double floor_Nm;           /* smallest reading that the share is taken of */
	double pilot_s, longest_s; /* the pilot is the shortest window, too */
};

/* Readings of the pilot, in stretches of equal count. */
struct dwell_record {
	size_t n, each, in;
	double sum, mean[DWELL_MEANS];
};
void dwell_record_begin(struct dwell_record *r);
void dwell_record_add(struct dwell_record *r, double torque_Nm);

/* Length of the window, s, after a pilot that took so long. The longest where the pilot cannot tell. */
double dwell_until_s(const struct dwell_until *target, const struct dwell_record *pilot, double pilot_s);

/* Expected: scatter_Nm of a mean over 1 s. */
double dwell_until_expected_s(const struct dwell_until *target, double torque_Nm, double scatter_Nm);

#endif
