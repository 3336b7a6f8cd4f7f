/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Critical values of the consistency tests, shown to the tests of this room, and the interval that crossed.c shares. */
#ifndef BRIDLE_CALIB_FIT_PRECISION_PRIVATE_H
#define BRIDLE_CALIB_FIT_PRECISION_PRIVATE_H

#include <stddef.h>

/* Critical values at probability alpha: h and Grubbs two-sided, k and Cochran for the greatest. NaN for p < 3 (h,
 * Grubbs), p < 2 or n < 2 (k, Cochran). */
double precision_h_at(size_t p, double alpha);
double precision_k_at(size_t p, size_t n, double alpha);
double precision_cochran_at(size_t p, size_t n, double alpha);
double precision_grubbs_at(size_t p, double alpha);

/* The root of a sum of mean squares with weights that are not negative: its modified large-sample interval (Graybill
 * and Wang, precision.h). value: a mean square times its weight. */
struct precision_part {
	double value, dof;
};
void precision_interval(const struct precision_part *part, size_t n, double confidence, double *ret_low,
			double *ret_high);

#endif
