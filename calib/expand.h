/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Coverage factor that knows the shape: where a rectangular source carries most of the uncertainty, Student's t on the
 * effective degrees of freedom covers 100 % instead of 95 %, and an interval that is too wide is as wrong as one
 * that is too narrow (JCGM 101:2008, 9.2.3, shows it for four rectangular inputs). */
#ifndef BRIDLE_CALIB_EXPAND_H
#define BRIDLE_CALIB_EXPAND_H

#include "calib/uncertain.h"

/* Excess kurtosis of the sum of a's sources: sum g_i u_i^4 / u^4 with g -1.2 rectangular, -0.6 triangular, and so on; 0
 * for normal ones and for t (whose tails the degrees of freedom count). 0 when u is 0. */
double unc_kurtosis(const struct unc_ctx *ctx, struct unc a);

/* Two-sided factor for a standardised symmetric distribution of that excess kurtosis in [-1.2, 0], from the symmetric
 * beta distribution with the same (Pearson's type II): sqrt 3 times the coverage for one rectangle, the normal
 * quantile for 0. NaN for coverage outside (0, 1). */
double shape_factor(double excess_kurtosis, double coverage);

/* k for a: Student's t at its effective degrees of freedom, times the shape's factor over the normal one. */
double unc_expand_factor(const struct unc_ctx *ctx, struct unc a, double coverage);

#endif
