/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Rows that break the smooth trend of a table: flagged, never removed. */
#ifndef BRIDLE_REPORTS_REDUCE_OUTLIER_H
#define BRIDLE_REPORTS_REDUCE_OUTLIER_H

#include "reports/reduce/curve.h"

/* Torque against input power (or current) and against speed, each by a parabola: a row is an outlier when in every one
 * of them its deleted residual (calib/fit/regress.h) is beyond Student's t at 5 % shared among the rows, and it lies
 * off by more than a twentieth of the torque's range. Under seven rows nothing can be told and nothing is flagged. Sets
 * p->outlier and a note with what the trend expects. Errors of memory flag nothing. */
void outliers_flag(struct curve *curve);

#endif
