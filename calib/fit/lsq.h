/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The least squares kernel under every linear fit here: rows are folded one by one
 * into a triangle by Givens rotations in double-double (Golub and Van Loan, Matrix
 * Computations, 4th ed., 5.2.5 and 6.5.3). Constant memory, no allocation, no I/O. */
#ifndef BRIDLE_CALIB_FIT_LSQ_H
#define BRIDLE_CALIB_FIT_LSQ_H

#include "calib/number/dd.h"

#include <stddef.h>

#define LSQ_TERMS 16

struct lsq {
	size_t p, n;
	struct dd r[LSQ_TERMS][LSQ_TERMS + 1]; /* upper triangle; the last used column holds Q'y */
};

/* p terms, 1..LSQ_TERMS. */
void lsq_begin(struct lsq *fit, size_t p);
/* row (p terms) and y already multiplied by the square root of the row's weight. */
void lsq_add(struct lsq *fit, const struct dd *row, struct dd y);

#define LSQ_FULL_RANK LSQ_TERMS
/* The first term that the ones before it determine (the sine of its angle to them is under 1e-12),
 * or LSQ_FULL_RANK. */
size_t lsq_deficient_term(const struct lsq *fit);
/* Of full rank only. */
void lsq_solve(const struct lsq *fit, struct dd *ret_coef);
/* Inverse of the triangle: (X'WX)^-1 = inv inv'. */
void lsq_inverse(const struct lsq *fit, struct dd ret_inv[LSQ_TERMS][LSQ_TERMS]);
/* row' (X'WX)^-1 row for a row given without weight. */
double lsq_leverage(const struct lsq *fit, const struct dd *row);

#endif
