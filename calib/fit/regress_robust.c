/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/regress_private.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit.h>
#include <math.h>
#include <string.h>

struct robust {
	gsl_matrix *X, *cov;
	gsl_vector *y, *coef, *r;
	gsl_multifit_robust_workspace *work;
};

static void robust_free(struct robust *b)
{
	gsl_matrix_free(b->X);
	gsl_matrix_free(b->cov);
	gsl_vector_free(b->y);
	gsl_vector_free(b->coef);
	gsl_vector_free(b->r);
	gsl_multifit_robust_free(b->work);
}

static bool robust_alloc(struct robust *b, size_t n, size_t p)
{
	*b = (struct robust){ .X = gsl_matrix_alloc(n, p),
			      .cov = gsl_matrix_alloc(p, p),
			      .y = gsl_vector_alloc(n),
			      .coef = gsl_vector_alloc(p),
			      .r = gsl_vector_alloc(n),
			      .work = gsl_multifit_robust_alloc(gsl_multifit_robust_bisquare, n, p) };
	return b->X && b->cov && b->y && b->coef && b->r && b->work;
}

static void fill(const struct regress_in *in, const struct regress *fit, struct robust *b)
{
	struct dd row[REGRESS_TERMS];

	for (size_t i = 0; i < in->n; i++) {
		double root = in->weight ? sqrt(in->weight[i]) : 1;
		regress_row(fit, in->x + i * in->m, row);
		for (size_t j = 0; j < fit->p; j++)
			gsl_matrix_set(b->X, i, j, root * dd_to(row[j]));
		gsl_vector_set(b->y, i, root * in->y[i]);
	}
}

/* Share of the scatter explained, each point counted as far as it was believed. */
static double weighted_r_squared(const struct regress_in *in, const struct regress *fit, const gsl_vector *weights,
				 const gsl_vector *r)
{
	double sum = 0, total = 0, rss = 0, tss = 0;

	for (size_t i = 0; i < in->n; i++) {
		double w = gsl_vector_get(weights, i) * (in->weight ? in->weight[i] : 1);
		sum += w * in->y[i];
		total += w;
		rss += gsl_vector_get(weights, i) * pow(gsl_vector_get(r, i), 2);
	}
	double mean = fit->through_origin ? 0 : sum / total;
	for (size_t i = 0; i < in->n; i++)
		tss += gsl_vector_get(weights, i) * (in->weight ? in->weight[i] : 1) * pow(in->y[i] - mean, 2);
	return 1 - rss / tss;
}

static void take(const struct regress_in *in, struct regress *fit, const struct robust *b, struct regress_point *points)
{
	gsl_multifit_robust_stats stats = gsl_multifit_robust_statistics(b->work);
	double limit = gsl_cdf_ugaussian_Qinv(0.025 / fit->n), scale = stats.sigma_mad;
	/* GSL mixes the ordinary scatter, outliers and all, into sigma and with it into the covariance. */
	double own = stats.sigma_rob, smaller = own * own / (stats.sigma * stats.sigma);

	fit->residual_sd = own;
	fit->r_squared = weighted_r_squared(in, fit, stats.weights, stats.r);
	fit->F = fit->F_p = fit->aicc = fit->chi2_p = NAN;
	fit->u_known_factor = 1 / own;
	for (size_t j = 0; j < fit->p; j++) {
		fit->basis_coef[j] = dd_of(gsl_vector_get(b->coef, j));
		for (size_t k = 0; k < fit->p; k++)
			fit->basis_cov[j][k] = dd_of(smaller * gsl_matrix_get(b->cov, j, k));
	}
	fit->rss = 0;
	for (size_t i = 0; i < in->n; i++) {
		double root = in->weight ? sqrt(in->weight[i]) : 1;
		double r = dd_to(regress_residual(fit, in->x + i * in->m, in->y[i]));
		fit->rss += root * root * r * r;
		if (points)
			points[i] = (struct regress_point){ .fit = in->y[i] - r,
							    .residual = r,
							    .leverage = NAN,
							    .studentised = root * r / scale,
							    .deleted = NAN,
							    .weight = gsl_vector_get(stats.weights, i),
							    .outlier = fabs(root * r) > limit * scale };
	}
}

enum rc regress_robust(const struct regress_in *in, struct regress *fit, struct regress_point *points, struct err *err)
{
	gsl_error_handler_t *before = gsl_set_error_handler_off();
	struct robust b;
	enum rc rc = RC_OK;

	/* Points that all lie on the curve leave no scale for weights: the ordinary fit is the answer. */
	bool exact = !(fit->residual_sd > 1e-13 * fabs(fit->basis_coef[0].hi));
	if (!robust_alloc(&b, in->n, fit->p)) {
		rc = err_set(err, RC_NOMEM, 0, "out of memory for %zu points", in->n);
		goto out;
	}
	fill(in, fit, &b);
	gsl_multifit_robust_maxiter(1000, b.work);
	int status = exact ? GSL_EFAILED : gsl_multifit_robust(b.X, b.y, b.coef, b.cov, b.work);
	if (exact) {
		for (size_t i = 0; points && i < in->n; i++)
			points[i] = (struct regress_point){
				.fit = in->y[i], .leverage = NAN, .studentised = NAN, .deleted = NAN, .weight = 1
			};
	} else if (status) {
		rc = err_set(err, RC_SINGULAR, 0, "the robust fit found no answer (%s): look at the points",
			     gsl_strerror(status));
	} else {
		take(in, fit, &b, points);
	}
out:
	robust_free(&b);
	gsl_set_error_handler(before);
	return rc;
}
