/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/regress_private.h"

#include <float.h>
#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>

static double weight_of(const struct regress_in *in, size_t i)
{
	return in->weight ? in->weight[i] : 1;
}

/* What is left when y is nothing but rounded: no scatter to compare a point with. */
static double rounding_of(const struct regress_in *in)
{
	double most = 0;

	for (size_t i = 0; i < in->n; i++)
		most = fmax(most, sqrt(weight_of(in, i)) * fabs(in->y[i]));
	return 4 * DBL_EPSILON * most;
}

double regress_leverage(const struct regress_in *in, const struct regress *fit, const struct lsq *lsq, size_t i)
{
	struct dd row[REGRESS_TERMS];

	regress_row(fit, in->x + i * in->m, row);
	return weight_of(in, i) * lsq_leverage(lsq, row);
}

void regress_points(const struct regress_in *in, const struct regress *fit, const struct lsq *lsq,
		    struct regress_point *points)
{
	double rounding = rounding_of(in);
	double limit = fit->dof > 1 ? gsl_cdf_tdist_Qinv(0.025 / fit->n, fit->dof - 1) : INFINITY;

	for (size_t i = 0; i < in->n; i++) {
		const double *x = in->x + i * in->m;
		struct regress_point *q = &points[i];
		*q = (struct regress_point){ .studentised = NAN, .deleted = NAN, .weight = 1 };
		q->residual = dd_to(regress_residual(fit, x, in->y[i]));
		q->fit = in->y[i] - q->residual;
		q->leverage = regress_leverage(in, fit, lsq, i);
		double rest = 1 - q->leverage;
		if (!(rest > 1e-10) || !(fit->residual_sd > rounding))
			continue; /* the curve goes through this point whatever it says */
		q->studentised = q->residual * sqrt(weight_of(in, i)) / (fit->residual_sd * sqrt(rest));
		double t2 = q->studentised * q->studentised;
		if (fit->dof > 1)
			q->deleted = t2 < fit->dof ? q->studentised * sqrt((fit->dof - 1) / (fit->dof - t2))
						   : copysign(INFINITY, q->studentised);
		q->outlier = fabs(q->deleted) > limit;
	}
}

/* --- pure error --- */
struct entry {
	const double *x;
	size_t m;
	double y, w;
};

static int by_x(const void *a, const void *b)
{
	const struct entry *p = a, *q = b;

	for (size_t j = 0; j < p->m; j++)
		if (p->x[j] < q->x[j] || p->x[j] > q->x[j])
			return p->x[j] < q->x[j] ? -1 : 1;
	return 0;
}

static struct dd group_scatter(const struct entry *e, size_t n)
{
	struct dd sum = dd_of(0), total = dd_of(0), ss = dd_of(0);

	for (size_t i = 0; i < n; i++) {
		sum = dd_add(sum, dd_two_product(e[i].w, e[i].y));
		total = dd_add(total, dd_of(e[i].w));
	}
	struct dd mean = dd_div(sum, total);
	for (size_t i = 0; i < n; i++) {
		struct dd d = dd_sub(dd_of(e[i].y), mean);
		ss = dd_add(ss, dd_mul(dd_of(e[i].w), dd_mul(d, d)));
	}
	return ss;
}

static void test(struct regress *fit, double pure, double levels)
{
	if (!(levels > (double)fit->p) || !(fit->n > levels))
		return;
	fit->lof_dof1 = levels - (double)fit->p;
	fit->lof_dof2 = fit->n - levels;
	if (pure > 0) {
		fit->lof_F = fmax(fit->rss - pure, 0) / fit->lof_dof1 / (pure / fit->lof_dof2);
		fit->lof_p = isfinite(fit->lof_F) ? gsl_cdf_fdist_Q(fit->lof_F, fit->lof_dof1, fit->lof_dof2) : 0;
	}
}

enum rc regress_lack_of_fit(const struct regress_in *in, struct regress *fit, struct err *err)
{
	struct entry *e = calloc(in->n, sizeof *e);
	struct dd pure = dd_of(0);
	size_t levels = 0, end;

	fit->lof_F = fit->lof_p = fit->lof_dof1 = fit->lof_dof2 = NAN;
	if (!e)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu points", in->n);
	for (size_t i = 0; i < in->n; i++)
		e[i] = (struct entry){ in->x + i * in->m, in->m, in->y[i], weight_of(in, i) };
	qsort(e, in->n, sizeof *e, by_x);
	for (size_t i = 0; i < in->n; i = end, levels++) {
		for (end = i + 1; end < in->n && by_x(&e[i], &e[end]) == 0; end++)
			;
		pure = dd_add(pure, group_scatter(e + i, end - i));
	}
	free(e);
	if (!in->robust)
		test(fit, dd_to(pure), (double)levels);
	return RC_OK;
}
