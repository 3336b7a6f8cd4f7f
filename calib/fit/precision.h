/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Repeatability and reproducibility of a measurement, in the shape of ISO 5725-2: the same thing measured again and
 * again in cells (mountings, operators), at one level. Pure arithmetic but for the memory of the call.
 *
 * One-way analysis of variance with random cells. With p cells of n_i values, N in all, cell means y_i and standard
 * deviations s_i (ISO 5725-2:1994, 7.4, from memory of the text; the same estimators are those of a one-way random
 * model):
 *
 *   s_r^2 = sum (n_i - 1) s_i^2 / (N - p)                      repeatability, N - p degrees of freedom
 *   s_d^2 = sum n_i (y_i - y)^2 / (p - 1)                      y: mean of all values
 *   n_bar = (N - sum n_i^2 / N) / (p - 1)                      values to a cell
 *   s_L^2 = (s_d^2 - s_r^2) / n_bar, 0 when it comes out less  between cells
 *   s_R^2 = s_L^2 + s_r^2                                      reproducibility
 *
 * Intervals: s_r by chi squared. s_R by the modified large-sample interval for a sum of mean squares with positive
 * weights (Graybill and Wang, J. Am. Stat. Assoc. 75 (1980) 869, from memory), exact where one of the two is all.
 *
 * Consistency (ISO 5725-2:1994, 7.3): Mandel's h (a cell's mean against the others) and k (its scatter against the
 * others'), Cochran's test on the greatest scatter and Grubbs' on the mean that is furthest off. Critical values are
 * computed by the formulae of Wilrich, AStA Adv. Stat. Anal. 97 (2013) 1 (from memory of the formulae; the printed
 * tables are met: tests/published/test_precision.c). A value beyond the one of 5 % is a straggler, beyond that of 1 %
 * an outlier; nothing is ever left out. */
#ifndef BRIDLE_CALIB_FIT_PRECISION_H
#define BRIDLE_CALIB_FIT_PRECISION_H

#include "calib/number/err.h"

#include <stddef.h>

#define PRECISION_CELLS 24

enum precision_mark { PRECISION_FINE, PRECISION_STRAGGLER, PRECISION_OUTLIER };

struct precision_test {
	double value;      /* the statistic: Cochran's C, Grubbs' G; NaN where the data carry none */
	double at_5, at_1; /* critical values at 5 % and 1 %; NaN likewise */
	size_t cell;       /* the one that it is about */
	enum precision_mark mark;
};

struct precision_cell {
	size_t n;
	double mean, sd; /* sd NaN for one value */
	double h, k;     /* NaN where not defined: fewer than three cells, no scatter */
	enum precision_mark h_mark, k_mark;
};

struct precision {
	size_t p, n; /* cells with values, values */
	double n_bar, mean;
	double s_r, dof_r, s_r_low, s_r_high;
	double s_L;
	double s_R, s_R_low, s_R_high;
	/* Standard deviation of the cells' means, p - 1 degrees of freedom: what a later cell's mean differs by from
	 * the mean of all, what is left of the repeatability in it. Never 0 by chance, as s_L is. */
	double s_means;
	double F, p_value;         /* of no difference between cells */
	double h_5, h_1, k_5, k_1; /* critical values; NaN with fewer than three cells */
	struct precision_test cochran, grubbs;
	struct precision_cell cell[PRECISION_CELLS]; /* by number; n 0: none of that number */
};

/* cell[i] < PRECISION_CELLS for each y[i]. confidence of both intervals, in (0, 1).
 * RC_ARG  a value not finite, a cell out of range, fewer than two cells, or no cell with two values. */
enum rc precision_of(const double *y, const size_t *cell, size_t n, double confidence, struct precision *ret,
		     struct err *err) MUST_CHECK;

#endif
