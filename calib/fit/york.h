/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Straight line with errors in both variables: D. York, N. M. Evensen, M. L. Martinez and J. De Basabe Delgado, Am. J.
 * Phys. 72 (2004) 367, eq. 13. Pure arithmetic, no allocation. */
#ifndef BRIDLE_CALIB_FIT_YORK_H
#define BRIDLE_CALIB_FIT_YORK_H

#include "calib/number/err.h"

#include <stddef.h>

struct york {
	double intercept, slope;
	double u_intercept, u_slope, cov; /* from the stated u, not from the scatter */
	double chi2, dof, p;              /* does the scatter fit the stated u? */
	int iterations;
};

/* u_x, u_y: standard uncertainties, not negative, of each point at least one positive. r: correlation of the two errors
 * of a point, inside (-1, 1); NULL: none.
 * RC_ARG n < 3, not finite, negative u, |r| >= 1; RC_SINGULAR equal abscissae or no convergence. */
enum rc york_fit(const double *x, const double *y, const double *u_x, const double *u_y, const double *r, size_t n,
		 struct york *ret, struct err *err) MUST_CHECK;

#endif
