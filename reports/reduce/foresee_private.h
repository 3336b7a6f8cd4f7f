/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the largest source of a foretold uncertainty is, and what would make it smaller, in words. */
#ifndef BRIDLE_REPORTS_REDUCE_FORESEE_PRIVATE_H
#define BRIDLE_REPORTS_REDUCE_FORESEE_PRIVATE_H

#include "reports/reduce/budget.h"
#include "reports/reduce/foresee.h"

/* The budget of the torque, n > 0 rows, and U_torque_Nm are given; sets source, share, the parts of U and the advice.
 * Rows of one kind (two readings of the zero, the pieces that hang) count together. */
void foresee_advise(const struct rig_profile *rig, const struct budget_row *row, size_t n, double torque_Nm,
		    struct foreseen *ret);

#endif
