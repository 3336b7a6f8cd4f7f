/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/brake/brakemap_private.h"

#include "calib/fit/lsq.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

#define FEWEST_KNOTS 4
/* A bend smaller than this share of the torque that the range spans is straight enough for a feed-forward. */
#define STRAIGHT_ENOUGH 0.01

struct line {
	double slope, u_slope, rss, dof, worst, span_Nm;
};

static double term(const struct brakemap_knots *k, size_t from, size_t to, size_t i)
{
	return (k->knot[i].current_A - k->knot[from].current_A) / (k->knot[to].current_A - k->knot[from].current_A);
}

/* Polynomial of the given degree through knots from..to, weighted by their numbers of readings. */
static void fit(const struct brakemap_knots *k, size_t from, size_t to, size_t degree, struct dd coef[LSQ_TERMS],
		double *ret_rss, double *ret_worst, struct lsq *lsq)
{
	struct dd row[LSQ_TERMS];

	lsq_begin(lsq, degree + 1);
	for (size_t i = from; i <= to; i++) {
		double weight = sqrt(k->knot[i].n), x = term(k, from, to, i);
		for (size_t j = 0; j <= degree; j++)
			row[j] = dd_of(weight * pow(x, (double)j));
		lsq_add(lsq, row, dd_of(weight * k->knot[i].torque_Nm));
	}
	lsq_solve(lsq, coef);
	*ret_rss = *ret_worst = 0;
	for (size_t i = from; i <= to; i++) {
		double x = term(k, from, to, i), r = k->knot[i].torque_Nm;
		for (size_t j = 0; j <= degree; j++)
			r -= dd_to(coef[j]) * pow(x, (double)j);
		*ret_rss += k->knot[i].n * r * r;
		*ret_worst = fmax(*ret_worst, fabs(r));
	}
}

/* Scatter of one reading about its knot, pooled over the branch. */
static bool pooled(const struct brakemap_knots *k, double *ret_variance, double *ret_dof)
{
	double ss = 0, dof = 0;

	for (size_t i = 0; i < k->n; i++) {
		ss += k->knot[i].ss;
		dof += k->knot[i].n - 1;
	}
	*ret_dof = dof;
	*ret_variance = dof > 0 ? ss / dof : NAN;
	return dof > 0;
}

/* Straight: by the scatter of the readings the bend is not significant (t test of the quadratic term, 5 %), or it is
 * too small to matter. */
static bool straight(const struct brakemap_knots *k, size_t from, size_t to, struct line *ret)
{
	struct dd coef[LSQ_TERMS], inv[LSQ_TERMS][LSQ_TERMS];
	struct lsq lsq;
	double variance, dof, rss2, worst2;

	fit(k, from, to, 1, coef, &ret->rss, &ret->worst, &lsq);
	lsq_inverse(&lsq, inv);
	double width = k->knot[to].current_A - k->knot[from].current_A;
	ret->dof = (double)(to - from) - 1;
	ret->slope = dd_to(coef[1]) / width;
	ret->span_Nm = fabs(dd_to(coef[1]));
	ret->u_slope = sqrt(ret->rss / ret->dof) * fabs(dd_to(inv[1][1])) / width;
	if (!(ret->slope > 0))
		return false;
	if (ret->worst <= STRAIGHT_ENOUGH * ret->span_Nm)
		return true;
	if (!pooled(k, &variance, &dof))
		return false;
	fit(k, from, to, 2, coef, &rss2, &worst2, &lsq);
	lsq_inverse(&lsq, inv);
	double t = fabs(dd_to(coef[2])) / (sqrt(variance) * fabs(dd_to(inv[2][2])));
	double chi2 = ret->rss / variance;
	return t < gsl_cdf_tdist_Qinv(0.025, dof) && chi2 / ret->dof < gsl_cdf_fdist_Qinv(0.05, ret->dof, dof);
}

void brakemap_linear_range(const struct brakemap_knots *k, struct brakemap *map)
{
	struct line best = { 0 };
	size_t best_from = 0, best_to = 0;

	for (size_t from = 0; from + FEWEST_KNOTS <= k->n; from++)
		for (size_t to = from + FEWEST_KNOTS - 1; to < k->n; to++) {
			struct line line;
			double width = k->knot[to].current_A - k->knot[from].current_A;
			if (width > k->knot[best_to].current_A - k->knot[best_from].current_A &&
			    straight(k, from, to, &line)) {
				best = line;
				best_from = from;
				best_to = to;
			}
		}
	if (best_to == 0) {
		map->slope_Nm_per_A = map->u_slope_Nm_per_A = NAN;
		map->linear_from_A = map->linear_to_A = 0;
		return;
	}
	map->linear_from_A = k->knot[best_from].current_A;
	map->linear_to_A = k->knot[best_to].current_A;
	map->slope_Nm_per_A = best.slope;
	map->u_slope_Nm_per_A = hypot(best.u_slope, brakemap_scale(&k->knot[best_to]) * best.slope);
}
