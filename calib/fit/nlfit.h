/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Nonlinear least squares, a door to gsl_multifit_nlinear. The trust region's ways are tried in turn until one arrives:
 * Levenberg-Marquardt, the same with geodesic acceleration, dogleg, double dogleg, two-dimensional subspace, each with
 * the scalings of Moré, Levenberg and Marquardt. What they find is finished by Gauss-Newton steps in double-double
 * arithmetic, and is an answer only where a further step is under a thousandth of each parameter's u. The NIST sets
 * with a higher level of difficulty are reached from both of their starts (tests/published/test_strd.c). A least sum of
 * squares is one of possibly several: another start may lead to a lesser one. No I/O, no clock; allocates for the
 * length of a call. */
#ifndef BRIDLE_CALIB_FIT_NLFIT_H
#define BRIDLE_CALIB_FIT_NLFIT_H

#include "calib/number/err.h"

#include <stddef.h>

#define NLFIT_PARAMS 12

struct nlfit_model {
	size_t p;
	/* The curve at x. Not finite: the step is refused. */
	double (*value)(const double *param, double x, void *ctx);
	/* Its derivatives by the parameters; NULL: by central differences, extrapolated. */
	void (*gradient)(const double *param, double x, double *ret_gradient, void *ctx);
	void *ctx;
};

struct nlfit {
	size_t p;
	double param[NLFIT_PARAMS], u[NLFIT_PARAMS];
	double cov[NLFIT_PARAMS][NLFIT_PARAMS]; /* residual_sd^2 (J'WJ)^-1 */
	double rss, residual_sd, dof;
	int iterations;
};

/* weight: 1/u^2 or NULL. start: p values. ret written on success only.
 * RC_ARG too few points, not finite, a weight not positive; RC_SINGULAR no answer from this start, with the reason. */
enum rc nlfit(const struct nlfit_model *model, const double *x, const double *y, const double *weight, size_t n,
	      const double *start, struct nlfit *ret, struct err *err) MUST_CHECK;

#endif
