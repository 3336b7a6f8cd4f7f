/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of regress.c, shared by its files only. */
#ifndef BRIDLE_CALIB_FIT_REGRESS_PRIVATE_H
#define BRIDLE_CALIB_FIT_REGRESS_PRIVATE_H

#include "calib/fit/regress.h"

/* Terms of the basis at x. */
void regress_row(const struct regress *fit, const double *x, struct dd row[REGRESS_TERMS]);
/* y less the curve, in double-double. */
struct dd regress_residual(const struct regress *fit, const double *x, double y);
/* Fills coef from basis_coef and cov from basis_cov. */
enum rc regress_to_plain(struct regress *fit, struct err *err) MUST_CHECK;
enum rc regress_lack_of_fit(const struct regress_in *in, struct regress *fit, struct err *err) MUST_CHECK;
double regress_leverage(const struct regress_in *in, const struct regress *fit, const struct lsq *lsq, size_t i);
void regress_points(const struct regress_in *in, const struct regress *fit, const struct lsq *lsq,
		    struct regress_point *points);
/* Fills basis_coef, basis_cov, residual_sd and the points (may be NULL). */
enum rc regress_robust(const struct regress_in *in, struct regress *fit, struct regress_point *points,
		       struct err *err) MUST_CHECK;

#endif
