/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The zeros of the torque cell in the reduction of a run: two halves of a zero that was turned both ways joined to one,
 * and the zero under a point with what is not known of it. Pure arithmetic; counts are signed by the profile. */
#ifndef BRIDLE_REPORTS_REDUCE_ZEROS_H
#define BRIDLE_REPORTS_REDUCE_ZEROS_H

#include "reports/reduce/reduce.h"

struct zero {
	int64_t run_id;
	double at_s, count, u_count, dof, n, ambient_degC, cell_degC;
	bool turned;      /* both ways; else at rest */
	double u_unlike;  /* counts: the drag may differ between the two directions of a zero read both ways */
	double u_fade;    /* counts: what the drag, fading between the two forward readings, may have done to it */
	double locked_Nm; /* half-width: what friction may have locked into a shaft at rest; 0 when turned */
	uint32_t noise, fading; /* sources of this zero reading */
	/* the stretch to the next zero of the same run; moved 0 where there is none */
	uint32_t drift;
	double moved_Nm, u_moved_Nm; /* how far the zero moved over it, and what of that is explained, k = 1 */
	double explained_Nm;         /* k = 2, and what temperature is known to do the same way */
	bool doubted;                /* moved by more than that */
};

/* The zeros among the readings of all runs, in order of time; room for as many as there are readings. Readings with a
 * direction that follow one another are one zero, turned both ways: the last forward, backward, forward, or forward and
 * backward of an older logbook (run/seq_zero.h, calib/cell/turned_zero.h); what has no backward reading is none. At
 * rest friction holds up to the brake's drag in the shaft: limits, [brake] drag of rig.ini, else 3 % of its torque. */
void reduction_add_zeros(struct reduction *r, const struct window_means *readings, size_t n, struct zero *room);

/* The zeros of the same run on both sides of a time; the same one twice at the ends. False: none at all. */
bool zeros_around(const struct reduction *r, int64_t run_id, double at_s, const struct zero **ret_before,
		  const struct zero **ret_after);

/* Zero at a time on the line between its neighbours. What the zero did between them is not known: a rectangular
 * half-width of half their difference in the middle, nothing where a zero was read. Where the stretch is doubted either
 * reading may have been wrong from the start: a standard uncertainty of half their difference all along, so that two of
 * it hold both. */
struct zero_here {
	double count, ambient_degC, cell_degC, share_after, drift_u;
	const struct zero *before, *after;
};
struct zero_here zeros_between(const struct zero *before, const struct zero *after, double at_s);

/* The uncertainty of that zero put on a torque, by source. slope: N·m a count. */
struct unc zeros_take_off(const struct reduction *r, struct unc torque, const struct zero_here *z, double slope);

/* What a curve says of its zeros: c->zero and the remarks. */
void zeros_remark(const struct reduction *r, struct curve *c);

#endif
