/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Correlation matrices: are they possible, their square root, and the degrees of freedom of a sum.
 * Pure arithmetic: no I/O, no globals. */
#ifndef BRIDLE_CALIB_NUMBER_CORRELATED_H
#define BRIDLE_CALIB_NUMBER_CORRELATED_H

#include "calib/number/err.h"

#include <stddef.h>

/* ret (n x n, row by row) with ret ret^T = r, by eigenvectors, so that a matrix of lower rank (two numbers that are
 * one) is fine. Eigenvalues that rounding made slightly negative count as 0.
 * RC_ARG not finite, not symmetric, diagonal not 1, outside [-1, 1]; RC_SINGULAR an eigenvalue is negative: no such
 * set of numbers can exist; RC_NOMEM. ret is written on success only. */
enum rc correlated_root(const double *r, size_t n, double *ret, struct err *err) MUST_CHECK;

/* Effective degrees of freedom of sum b_i x_i, b signed contributions (sensitivity times u), r as above or NULL when
 * all are independent, dof INFINITY where u is well known. The formula of Welch and Satterthwaite (JCGM 100:2008, G.2b)
 * is for independent components. Inputs that are correlated, directly or by way of others, count as one component of it
 * (Willink, Metrologia 44 (2007) 340, 4.1: inputs that were observed together, n times each, are a sample of their sum,
 * so the sum has their n - 1; seen by way of the documentation and source of a public library that computes JCGM 100
 * H.2 so, the paper itself not). Where the degrees of freedom inside such a component differ, they were not observed
 * together, and how the errors of their u go together is not known; then the component has at least V^2/(sum |b_i
 * B_i|/sqrt(dof_i))^2 with B_i = sum_j r_ij b_j and V = sum b_i B_i: first-order propagation with the errors of all u_i
 * going together (own, by the triangle inequality). Never below 1; INFINITY when all that counts is well known or every
 * b is 0. RC_NOMEM. */
enum rc correlated_dof(const double *b, const double *dof, const double *r, size_t n, double *ret,
		       struct err *err) MUST_CHECK;

#endif
