/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Expanded uncertainty that knows the shape of its sources: where a rectangular source carries most of the uncertainty,
 * Student's t of the effective degrees of freedom covers 100 % instead of 95 %, and an interval that is too wide is as
 * wrong as one that is too narrow (JCGM 101:2008, 9.2.3, shows it for four rectangular inputs). */
#ifndef BRIDLE_CALIB_NUMBER_COVERAGE_H
#define BRIDLE_CALIB_NUMBER_COVERAGE_H

#include "calib/number/uncertain.h"

/* U = k u of a number at a coverage probability: Student's t of its effective degrees of freedom, made
 * narrower where rectangular or triangular sources rule. *ret_k may be NULL. */
double unc_expanded(const struct unc_ctx *ctx, struct unc x, double coverage, double *ret_k);

/* Probability that the number is at least limit, from the distribution that unc_expanded takes: a limit that lies U(P)
 * below the value is exceeded with the probability (1 + P)/2. u 0 gives 0 or 1; NaN where value or limit is not a
 * number. */
double unc_probability_above(const struct unc_ctx *ctx, struct unc x, double limit);

/* k of one distribution by itself: exactly for limits (rectangle sqrt 3 P, triangle sqrt 6 (1 - sqrt(1 - P)), trapezoid
 * with beta its top over its base), Student's t otherwise; limits with finite dof widen as t does. NaN for coverage
 * outside (0, 1). */
double dist_coverage_factor(enum dist dist, double beta, double dof, double coverage);

#endif
