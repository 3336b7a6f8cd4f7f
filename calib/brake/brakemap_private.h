/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of brakemap.c, shared by its files only. */
#ifndef BRIDLE_CALIB_BRAKE_BRAKEMAP_PRIVATE_H
#define BRIDLE_CALIB_BRAKE_BRAKEMAP_PRIVATE_H

#include "calib/brake/brakemap.h"

struct brakemap_knot {
	double n, current_A, torque_Nm;
	double u_Nm;        /* all of it */
	double u_random_Nm; /* of the mean, from the scatter of its readings; NaN for one reading */
	double ss;          /* scatter: sum of squares about the mean */
};
struct brakemap_knots {
	size_t n;
	struct brakemap_knot knot[BRAKEMAP_KNOTS];
};

/* Readings of a branch gathered by current and brought to the mean slip. Allocates; RC_NOMEM. */
enum rc brakemap_gather(const struct brakemap_reading *r, size_t n, enum brakemap_branch branch,
			const struct brakemap *map, struct brakemap_knots *ret, struct err *err) MUST_CHECK;
/* The cell's gain is common to all knots and no scatter shows it: it moves a slope as it moves the torque of the knot
 * at the top. u of that knot without its scatter, by its torque. */
double brakemap_scale(const struct brakemap_knot *top);
/* Fills the slip slope of map, its u by scatter alone. */
enum rc brakemap_slip(const struct brakemap_reading *r, size_t n, struct brakemap *map, struct err *err) MUST_CHECK;
/* Fills the linear range and its slope. */
void brakemap_linear_range(const struct brakemap_knots *k, struct brakemap *map);

#endif
