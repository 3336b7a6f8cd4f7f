/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the files of the comparison share. */
#ifndef BRIDLE_REPORTS_REDUCE_COMPARE_PRIVATE_H
#define BRIDLE_REPORTS_REDUCE_COMPARE_PRIVATE_H

#include "reports/reduce/compare.h"

/* One branch of a run at one commanded speed: its points by torque, those without the quantity left out. */
#define BRANCH_MOST 200
struct branch {
	const struct curve *curve;
	enum compare_quantity quantity;
	size_t n;
	const struct curve_point *point[BRANCH_MOST];
};
void branch_of(const struct curve *curve, int direction, double commanded_rpm, enum compare_quantity quantity,
	       struct branch *ret);
/* Between its outermost points, or beyond by no more than such a point's u of torque: two runs to one set-point end as
 * far apart, and the outermost chord goes on so far. */
bool branch_holds(const struct branch *b, double torque_Nm);
/* The quantity at a torque inside the branch, with all its parts in the curve's own context. */
struct unc branch_at(const struct branch *b, double torque_Nm);

/* Is a source of that name the same thing in both runs? */
struct sameness {
	const struct report *a, *b;
	bool calibration, rig;
};
struct sameness sameness_of(const struct compare_side *a, const struct compare_side *b);
bool source_is_common(const struct sameness *s, const char *name);

#endif
