/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Repeatability and reproducibility over two factors that are crossed: each of a operators at each of b mountings, n
 * values in each pair. Both are random, and may act together. Pure arithmetic.
 *
 * Two-way analysis of variance with interaction, balanced (Searle, Casella and McCulloch, Variance Components, 1992,
 * from memory; the same mean squares are those of a study of gauge repeatability and reproducibility):
 *
 *   E(MS_a) = s_e^2 + n s_ab^2 + b n s_a^2     a - 1 degrees of freedom
 *   E(MS_b) = s_e^2 + n s_ab^2 + a n s_b^2     b - 1
 *   E(MS_ab) = s_e^2 + n s_ab^2                (a - 1)(b - 1)
 *   E(MS_e) = s_e^2                            a b (n - 1); the repeatability s_r is its root
 *
 *   s_R^2 = s_a^2 + s_b^2 + s_ab^2 + s_e^2     reproducibility: any operator at any mounting
 *   s_later^2 = s_a^2 + s_b^2 + s_ab^2 + s_e^2/n = MS_a/(b n) + MS_b/(a n) + (1 - 1/a - 1/b) MS_ab/n
 *
 * The mean's u^2 is (MS_a + MS_b)/(a b n): MS_ab/(a b n), which could be taken off, is left in on the safe side.
 *
 * A component below zero counts as zero. s_later is that of the mean of a later pair of another operator and another
 * mounting; it is a sum of mean squares with weights that are not negative, never 0 by chance, and its degrees of
 * freedom are those of Welch and Satterthwaite (JCGM 100:2008, G.4.1). Interval of s_R: modified large-sample
 * (precision.h), of s_later^2 + (1 - 1/n) MS_e. */
#ifndef BRIDLE_CALIB_FIT_CROSSED_H
#define BRIDLE_CALIB_FIT_CROSSED_H

#include "calib/number/err.h"

#include <stddef.h>

#define CROSSED_LEVELS 12 /* of each factor */

struct crossed_factor {
	double square, dof; /* mean square */
	double s;           /* its component, 0 when it comes out less */
	double p_value;     /* of a component of 0, by the F test; NaN where nothing scatters */
};

struct crossed {
	size_t a, b, n; /* levels of either, values in each pair */
	double mean, u_mean, dof_mean;
	struct crossed_factor of_a, of_b, together; /* of_a, of_b against together, that against the rest */
	double square_e, dof_e, s_r;
	double s_R, s_R_low, s_R_high;
	double s_later, dof_later;
};

/* a[i], b[i]: levels from 0 of the i-th value. confidence in (0, 1).
 * RC_ARG: a value not finite, fewer than two levels of either, more than CROSSED_LEVELS, or pairs that do not all have
 * the same number of values, two at least. */
enum rc crossed_of(const double *y, const size_t *a, const size_t *b, size_t n, double confidence, struct crossed *ret,
		   struct err *err) MUST_CHECK;

#endif
