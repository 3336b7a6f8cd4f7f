/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Linear regression: polynomials in one variable up to the tenth degree, or several
 * variables; ordinary, weighted or robust; with all that says whether to believe it.
 *
 * Variables are centred (with a constant term) and scaled, rows are folded into a
 * triangle by Givens rotations in double-double (calib/fit/lsq.h), residuals are taken in
 * double-double: what comes out is right to the last digits that the data carry.
 * No I/O, no clock, no globals; allocates for the length of a call only. */
#ifndef BRIDLE_CALIB_FIT_REGRESS_H
#define BRIDLE_CALIB_FIT_REGRESS_H

#include "calib/number/err.h"
#include "calib/fit/lsq.h"

#include <stdbool.h>
#include <stddef.h>

#define REGRESS_DEGREE 10
#define REGRESS_TERMS LSQ_TERMS /* coefficients, the constant counted */

struct regress_in {
	size_t n, m;     /* points; variables, 1 to 15 */
	const double *x; /* n rows of m, borrowed */
	const double *y;
	const double *weight; /* 1/u^2 of each point, positive; NULL: all alike */
	int degree;           /* 1 to 10; above 1 only with one variable */
	bool through_origin;  /* no constant term */
	bool robust; /* Tukey's bisquare by iterated weights (GSL); nothing is left out, outliers are flagged */
};

struct regress {
	size_t p, m;             /* coefficients, variables */
	int degree, first_power; /* first_power 1 through the origin, else 0 */
	bool through_origin, robust, weighted;
	double coef[REGRESS_TERMS]; /* constant (unless through the origin), then rising powers or the variables in
				       order */
	/* From the scatter about the fit: residual_sd^2 (X'WX)^-1. */
	double cov[REGRESS_TERMS][REGRESS_TERMS];
	double n, dof;
	double rss;         /* sum of w r^2 */
	double residual_sd; /* sqrt(rss/dof), of a point of weight 1; a robust scale when robust; NaN without dof */
	double r_squared;   /* about the mean; about zero through the origin (as NIST certifies NoInt1) */
	double F, F_p;      /* of the regression; NaN when there is nothing to test */
	/* Lack of fit against the scatter of repeats (equal x); NaN without repeats or when robust. */
	double lof_F, lof_p, lof_dof1, lof_dof2;
	/* n ln(rss/n) - sum ln w + 2 k n/(n - k - 1), k = p + 1: Hurvich and Tsai, Biometrika 76 (1989) 297. To compare
	 * fits to the same points only. NaN when n <= k + 1. */
	double aicc;
	double u_known_factor; /* times a u of coef: its value when the weights are taken as 1/u^2 for good:
				  1/residual_sd */
	double chi2_p;         /* of rss if weights are 1/u^2; NaN unweighted */
	double x_min[REGRESS_TERMS], x_max[REGRESS_TERMS];
	/* The basis in which it was solved, for bands: t = (x - centre)/scale. */
	double centre[REGRESS_TERMS], scale[REGRESS_TERMS];
	struct dd basis_coef[REGRESS_TERMS];
	struct dd basis_cov[REGRESS_TERMS][REGRESS_TERMS];
};

struct regress_point {
	double fit, residual;
	double leverage;    /* of the points as they lie; a robust fit's own weights are not in it */
	double studentised; /* residual over its own standard deviation; NaN where the scatter is no more than the
			       rounding of y */
	double deleted;     /* the same with this point left out of the standard deviation: Student's t, dof - 1 */
	double weight;      /* robust weight 0..1; 1 otherwise */
	bool outlier;       /* deleted residual beyond Student's t at 5 %, shared among n points (Bonferroni) */
};

/* ret_points: n of them, may be NULL. ret and ret_points are written on success only.
 * RC_ARG       too few points, a value not finite, a weight not positive, degree or m out of range
 * RC_SINGULAR  equal abscissae, or a variable that the others determine (the sentence names it)
 * RC_RANGE     overflow; RC_NOMEM */
enum rc regress_fit(const struct regress_in *in, struct regress *ret, struct regress_point *ret_points,
		    struct err *err) MUST_CHECK;

/* At x (m values): the curve, its standard uncertainty by the fit, and that of a new reading of weight 1. */
struct regress_value {
	double value, u_fit, u_single;
};
struct regress_value regress_at(const struct regress *fit, const double *x);

/* Inverse prediction, one variable: where the curve takes y, of standard uncertainty u_y, inside the range of the
 * points widened by a tenth on both sides. u from the slope there, with both the reading's and the fit's share.
 * RC_RANGE it does not take that value there; RC_SINGULAR at more than one place, or where it does not slope. */
enum rc regress_invert(const struct regress *fit, double y, double u_y, double *ret_x, double *ret_u_x,
		       struct err *err) MUST_CHECK;

/* --- straight line for long records, plain double, two passes, no allocation --- */
struct regress_line {
	/* About the weighted mean of x, where height and slope are independent. */
	double x_mean, y_mean, slope;
	double u_y_mean, u_slope; /* from the scatter */
	double intercept, u_intercept, cov;
	double chi2, residual_sd, dof;
};
/* weight NULL: all 1. Errors as above (n >= 3). */
enum rc regress_line_fit(const double *x, const double *y, const double *weight, size_t n, struct regress_line *ret,
			 struct err *err) MUST_CHECK;

#endif
