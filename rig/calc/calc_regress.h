/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of `calc regress`: what was asked, what came out, and its two ways onto paper. */
#ifndef BRIDLE_CALC_CALC_REGRESS_H
#define BRIDLE_CALC_CALC_REGRESS_H

#include "calib/fit/regress.h"
#include "calib/fit/york.h"
#include "terminal/cli.h"
#include "profile/csv.h"

struct regress_options {
	const char *x, *y, *degree, *weights, *ux, *uy, *predict, *invert, *u_invert, *coverage;
	bool origin, robust, both, points;
};

struct number_list {
	size_t n;
	double value[32];
};

struct regress_job {
	struct csv table;
	size_t n, m, x_column[REGRESS_TERMS], y_column, weight_column;
	double *x, *y, *weight, *ux, *uy;
	bool weight_is_u;
	int degree;
	double coverage, k, u_invert;
	struct number_list predict, invert;
	double inverse[32], u_inverse[32];
	struct regress fit;
	struct regress_point *points;
	struct york york;
};

/* At x: u_single is NaN with errors in both, where a new reading brings its own. */
struct regress_value regress_job_at(const struct regress_options *o, const struct regress_job *job, double x);

int regress_print_json(const struct regress_options *o, const struct regress_job *job);
void regress_print_text(const struct regress_options *o, const struct regress_job *job);

#endif
