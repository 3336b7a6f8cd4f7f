/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of calib/number/montecarlo.c: columns of random numbers. */
#ifndef BRIDLE_CALIB_NUMBER_MONTECARLO_PRIVATE_H
#define BRIDLE_CALIB_NUMBER_MONTECARLO_PRIVATE_H

#include "calib/number/montecarlo.h"

#include "calib/number/mc_rng.h"

/* What the drawing needs of a model, prepared once and shared by all threads. */
struct mc_plan {
	const struct mc_model *model;
	size_t n_correlated;
	size_t *correlated; /* indices of the inputs that are drawn together */
	double *root;       /* n_correlated x n_correlated */
	struct ziggurat ziggurat;
};

enum rc mc_plan_init(struct mc_plan *plan, const struct mc_model *model, struct err *err) MUST_CHECK;
void mc_plan_free(struct mc_plan *plan);

/* n draws of every input into x[0..n_inputs-1]; scratch: n_correlated columns of n numbers. */
void mc_draw(const struct mc_plan *plan, struct mc_rng *rng, double *const *x, double *const *scratch, size_t n);

#endif
