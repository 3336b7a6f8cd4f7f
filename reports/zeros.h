/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The zeros of the torque cell in the reduction of a run: two halves of a zero that was turned both ways joined to one,
 * and the zero under a point with what is not known of it. Pure arithmetic; counts are signed by the profile. */
#ifndef BRIDLE_REPORTS_ZEROS_H
#define BRIDLE_REPORTS_ZEROS_H

#include "reports/reduce.h"

struct zero {
	int64_t run_id;
	double at_s, count, u_count, dof, n, ambient_degC;
	double u_unlike;     /* counts: the drag may differ between the two directions of a zero read both ways */
	bool half;           /* the forward half of such a zero, still without the other: not a zero yet */
	uint32_t noise;      /* source of this zero reading */
	uint32_t drift;      /* source of the stretch from this zero to the next of the same run */
};

/* Signed count of zero, registered. A reading with direction +1 and the next one with -1 are one zero, turned both ways
 * (run/seq_zero.h); a half that stays alone counts for nothing. */
void reduction_add_zero(struct reduction *r, const struct reading *reading, struct zero *room);

/* The zeros of the same run on both sides of a time; the same one twice at the ends. False: none at all. */
bool zeros_around(const struct reduction *r, int64_t run_id, double at_s, const struct zero **ret_before,
		  const struct zero **ret_after);

/* Zero at a time on the line between its neighbours. What the zero did between them is not known: a rectangular
 * half-width of half their difference in the middle, nothing where a zero was read. */
struct zero_here { double count, ambient_degC, share_after, drift_u; const struct zero *before, *after; };
struct zero_here zeros_between(const struct zero *before, const struct zero *after, double at_s);

/* The uncertainty of that zero put on a torque, by source. slope: N·m a count. */
struct unc zeros_take_off(const struct reduction *r, struct unc torque, const struct zero_here *z, double slope);

#endif
