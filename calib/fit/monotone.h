/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Curves that only rise: pooling of neighbours that fall, and the shape-keeping
 * cubic through the rest. Pure arithmetic, no allocation. */
#ifndef BRIDLE_CALIB_FIT_MONOTONE_H
#define BRIDLE_CALIB_FIT_MONOTONE_H

#include <stddef.h>

/* The nearest non-falling sequence in weighted least squares: y is replaced. Pool adjacent violators
 * (Ayer et al., Ann. Math. Stat. 26 (1955) 641). n at most MONOTONE_MAX, weights positive. */
#define MONOTONE_MAX 64
void monotone_pool(double *y, const double *weight, size_t n);

/* Slopes at the knots for a cubic that rises and falls only where the data do (Fritsch and Carlson,
 * SIAM J. Numer. Anal. 17 (1980) 238; end slopes by the three-point formula, limited). x rising. */
void monotone_slopes(const double *x, const double *y, size_t n, double *ret_slope);

/* The cubic at a place, clamped to the ends. */
double monotone_value(const double *x, const double *y, const double *slope, size_t n, double at);

/* Where a non-falling curve takes a value, clamped to the ends; on a flat stretch its begin. */
double monotone_inverse(const double *x, const double *y, const double *slope, size_t n, double value);

#endif
