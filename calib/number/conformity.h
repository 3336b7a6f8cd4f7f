/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Is a claim met? Probability, guarded limits and the three-way verdict of
 * JCGM 106:2012, from a measured value and its standard uncertainty.
 *
 * Pure arithmetic: no I/O, no globals. */
#ifndef BRIDLE_CALIB_NUMBER_CONFORMITY_H
#define BRIDLE_CALIB_NUMBER_CONFORMITY_H

#include "calib/number/err.h"

/* NOT_TESTED: nothing that was measured bears on the claim, so there is no probability either. */
enum verdict { VERDICT_UNDECIDED, VERDICT_CONFIRMED, VERDICT_REFUTED, VERDICT_NOT_TESTED };
#define VERDICTS 4

/* Tolerance interval; -INFINITY or INFINITY for a side that is free. */
struct conform_limits {
	double lower, upper;
};

/* Probability that the true value lies within the limits (JCGM 106, 7.2 and 7.4), for a normal distribution or,
 * with finite dof, Student's t scaled by u. u 0 gives 0 or 1. NaN when y or u is not finite, u < 0, dof < 1, or
 * the limits are crossed or NaN. */
double conform_probability(double y, double u, double dof, struct conform_limits limits);

/* confirmed when the probability is at least confidence, refuted when it is at most 1 - confidence, otherwise
 * (and for NaN) undecided. confidence in (0.5, 1). */
enum verdict conform_verdict(double probability, double confidence);
const char *verdict_name(enum verdict verdict);

/* Acceptance limits inside the tolerance limits (JCGM 106, 8.3): each finite limit moves inwards by z u, z the
 * one-sided normal (or t) factor of confidence. A measured value inside them is confirmed as far as one limit
 * decides. RC_ARG bad u, dof or confidence, crossed limits; RC_SINGULAR nothing is left between them. */
enum rc conform_guarded(struct conform_limits limits, double u, double dof, double confidence,
			struct conform_limits *ret, struct err *err) MUST_CHECK;

#endif
