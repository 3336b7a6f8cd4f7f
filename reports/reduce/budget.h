/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The uncertainty budget of one number: what each source gives, largest first. */
#ifndef BRIDLE_REPORTS_REDUCE_BUDGET_H
#define BRIDLE_REPORTS_REDUCE_BUDGET_H

#include "calib/number/uncertain.h"

#include <stddef.h>

struct budget_row {
	const char *name; /* borrowed from the context */
	double u;         /* signed contribution, in the number's unit; of joined rows the root of the sum of squares */
	double share_frac; /* of the variance */
	double dof;        /* NaN for joined rows */
	enum dist dist;
	size_t joined; /* 0 for one source; else how many small ones stand in this last row */
};

/* At most max rows; what does not fit is joined in the last one. Returns how many. */
size_t budget_of(const struct unc_ctx *ctx, struct unc x, struct budget_row *ret, size_t max);

#endif
