/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Speed over whole turns. On a wheel of few marks each edge is seen, and marks that are unevenly spaced are most of
 * what is wrong with a speed from edges. From a mark to the same mark, turns later, that falls out: speed = turns /
 * time, exact but for the moments at which the two edges were noticed. */
#ifndef BRIDLE_REPORTS_REDUCE_WHOLE_TURNS_H
#define BRIDLE_REPORTS_REDUCE_WHOLE_TURNS_H

#include <stdbool.h>
#include <stddef.h>

struct whole_turns {
	double rpm, u_rpm; /* without sign; u from the edges' moments alone */
	double left_frac;  /* part of the time from the first edge to the last that is not in it */
};

/* t_s, at: moments and counts of n edges, both rising; per_rev: marks a turn. False, and *ret untouched, when no mark
 * comes twice, or too few do so in a row to tell how well their moments are known: twelve.
 *
 * How well: the time of a turn, mark by mark, changes from one mark to the next by four moments' errors and by what the
 * shaft did; half the root mean square of that is taken as the error of one moment (at least: a shaft that changes its
 * speed makes it larger). */
bool whole_turns(const double *t_s, const double *at, size_t n, double per_rev, struct whole_turns *ret);

#endif
