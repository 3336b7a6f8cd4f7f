/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Correlation matrices: are they possible, and their square root.
 * Pure arithmetic: no I/O, no globals. */
#ifndef BRIDLE_CALIB_CORRELATED_H
#define BRIDLE_CALIB_CORRELATED_H

#include "calib/err.h"

#include <stddef.h>

/* ret (n x n, row by row) with ret ret^T = r, by eigenvectors, so that a matrix of lower rank (two numbers that are
 * one) is fine. Eigenvalues that rounding made slightly negative count as 0.
 * RC_ARG not finite, not symmetric, diagonal not 1, outside [-1, 1]; RC_SINGULAR an eigenvalue is negative: no such
 * set of numbers can exist; RC_NOMEM. ret is written on success only. */
enum rc correlated_root(const double *r, size_t n, double *ret, struct err *err) MUST_CHECK;

#endif
