/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/regress.h"

#include "calib/fit/regress_private.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <string.h>

#define LARGEST 1e100

static double weight_of(const struct regress_in *in, size_t i)
{
	return in->weight ? in->weight[i] : 1;
}

static enum rc check_shape(const struct regress_in *in, size_t p, struct err *err)
{
	if (in->degree < 1 || in->degree > REGRESS_DEGREE)
		return err_set(err, RC_ARG, 0, "degree %d: expected 1 to %d", in->degree, REGRESS_DEGREE);
	if (in->m < 1 || in->m > REGRESS_TERMS - 1)
		return err_set(err, RC_ARG, 0, "%zu variables: expected 1 to %d", in->m, REGRESS_TERMS - 1);
	if (in->m > 1 && in->degree > 1)
		return err_set(err, RC_ARG, 0, "a degree of %d goes with one variable, found %zu", in->degree, in->m);
	if (in->n < p + 1)
		return err_set(err, RC_ARG, 0,
			       "%zu point%s too few: %zu coefficients and their uncertainty need at least "
			       "%zu",
			       in->n, in->n == 1 ? " is" : "s are", p, p + 1);
	return RC_OK;
}

static enum rc check_point(const struct regress_in *in, size_t i, struct err *err)
{
	double w = weight_of(in, i);

	for (size_t j = 0; j < in->m; j++) {
		double x = in->x[i * in->m + j];
		if (!isfinite(x))
			return err_set(err, RC_ARG, 0, "point %zu of %zu: x is not a finite number", i + 1, in->n);
		if (fabs(x) > LARGEST)
			return err_set(err, RC_RANGE, 0, "point %zu of %zu: x = %g is too large to compute with", i + 1,
				       in->n, x);
	}
	if (!isfinite(in->y[i]))
		return err_set(err, RC_ARG, 0, "point %zu of %zu: y is not a finite number", i + 1, in->n);
	if (fabs(in->y[i]) > LARGEST)
		return err_set(err, RC_RANGE, 0, "point %zu of %zu: y = %g is too large to compute with", i + 1, in->n,
			       in->y[i]);
	if (!(w > 0) || !isfinite(w))
		return err_set(err, RC_ARG, 0, "point %zu of %zu: the weight %g is not positive; a weight is 1/u^2",
			       i + 1, in->n, w);
	if (!(w < LARGEST && w > 1 / LARGEST))
		return err_set(err, RC_RANGE, 0, "point %zu of %zu: the weight %g is out of what can be computed",
			       i + 1, in->n, w);
	return RC_OK;
}

/* Any centre and scale near the data serve; powers of two keep the scaling exact. */
static void choose_basis(const struct regress_in *in, struct regress *fit)
{
	for (size_t j = 0; j < in->m; j++) {
		double low = INFINITY, high = -INFINITY, sum = 0;
		int exponent;
		for (size_t i = 0; i < in->n; i++) {
			double x = in->x[i * in->m + j];
			low = fmin(low, x);
			high = fmax(high, x);
			sum += x / (double)in->n;
		}
		fit->x_min[j] = low;
		fit->x_max[j] = high;
		fit->centre[j] = fit->through_origin ? 0 : in->degree > 1 ? low + 0.5 * (high - low) : sum;
		double reach = fmax(fabs(high - fit->centre[j]), fabs(low - fit->centre[j]));
		frexp(reach, &exponent);
		fit->scale[j] = reach > 0 ? ldexp(1, exponent) : 1;
	}
}

void regress_row(const struct regress *fit, const double *x, struct dd row[REGRESS_TERMS])
{
	size_t j = 0;

	if (!fit->through_origin)
		row[j++] = dd_of(1);
	if (fit->m > 1) {
		for (size_t k = 0; k < fit->m; k++) {
			struct dd t = dd_two_sum(x[k], -fit->centre[k]);
			row[j++] = (struct dd){ t.hi / fit->scale[k], t.lo / fit->scale[k] };
		}
		return;
	}
	struct dd t = dd_two_sum(x[0], -fit->centre[0]), power;
	t = power = (struct dd){ t.hi / fit->scale[0], t.lo / fit->scale[0] };
	for (; j < fit->p; j++) {
		row[j] = power;
		power = dd_mul(power, t);
	}
}

struct dd regress_residual(const struct regress *fit, const double *x, double y)
{
	struct dd row[REGRESS_TERMS], r = dd_of(y);

	regress_row(fit, x, row);
	for (size_t j = 0; j < fit->p; j++)
		r = dd_sub(r, dd_mul(row[j], fit->basis_coef[j]));
	return r;
}

static enum rc singular(const struct regress_in *in, const struct regress *fit, size_t term, struct err *err)
{
	size_t variable = term - (fit->through_origin ? 0 : 1);

	if (in->m == 1 && !(fit->x_max[0] > fit->x_min[0]) && !fit->through_origin)
		return err_set(err, RC_SINGULAR, 0, "every point has the same x (%g): they do not determine a slope",
			       fit->x_min[0]);
	if (in->m == 1 && fit->through_origin && term == 0)
		return err_set(err, RC_SINGULAR, 0, "every x is 0: they do not determine a slope through the origin");
	if (in->m == 1)
		return err_set(err, RC_SINGULAR, 0, "the points have too few different x for degree %d", in->degree);
	if (!(fit->x_max[variable] > fit->x_min[variable]))
		return err_set(err, RC_SINGULAR, 0, "variable %zu is the same (%g) at every point", variable + 1,
			       fit->x_min[variable]);
	return err_set(err, RC_SINGULAR, 0, "variable %zu follows from the others: leave it out", variable + 1);
}

static enum rc solve(const struct regress_in *in, struct regress *fit, struct lsq *lsq, struct err *err)
{
	struct dd row[REGRESS_TERMS];

	lsq_begin(lsq, fit->p);
	for (size_t i = 0; i < in->n; i++) {
		struct dd root = in->weight ? dd_sqrt(dd_of(in->weight[i])) : dd_of(1);
		regress_row(fit, in->x + i * in->m, row);
		for (size_t j = 0; in->weight && j < fit->p; j++)
			row[j] = dd_mul(row[j], root);
		lsq_add(lsq, row, in->weight ? dd_mul(dd_of(in->y[i]), root) : dd_of(in->y[i]));
	}
	size_t term = lsq_deficient_term(lsq);
	if (term != LSQ_FULL_RANK)
		return singular(in, fit, term, err);
	lsq_solve(lsq, fit->basis_coef);
	return RC_OK;
}

static void basis_covariance(struct regress *fit, const struct lsq *lsq)
{
	struct dd inv[LSQ_TERMS][LSQ_TERMS];
	double s2 = fit->rss / fit->dof;

	lsq_inverse(lsq, inv);
	for (size_t j = 0; j < fit->p; j++)
		for (size_t k = 0; k < fit->p; k++) {
			struct dd sum = dd_of(0);
			for (size_t l = 0; l < fit->p; l++)
				sum = dd_add(sum, dd_mul(inv[j][l], inv[k][l]));
			fit->basis_cov[j][k] = dd_mul(dd_of(s2), sum);
		}
}

static struct dd weighted_mean_y(const struct regress_in *in)
{
	struct dd sum = dd_of(0), total = dd_of(0);

	for (size_t i = 0; i < in->n; i++) {
		sum = dd_add(sum, dd_two_product(weight_of(in, i), in->y[i]));
		total = dd_add(total, dd_of(weight_of(in, i)));
	}
	return dd_div(sum, total);
}

static void quality(const struct regress_in *in, struct regress *fit)
{
	struct dd rss = dd_of(0), tss = dd_of(0), mean = fit->through_origin ? dd_of(0) : weighted_mean_y(in);
	double log_weights = 0, k = (double)fit->p + 1, model_dof = (double)fit->p - (fit->through_origin ? 0 : 1);

	for (size_t i = 0; i < in->n; i++) {
		struct dd w = dd_of(weight_of(in, i)), r = regress_residual(fit, in->x + i * in->m, in->y[i]);
		struct dd d = dd_sub(dd_of(in->y[i]), mean);
		rss = dd_add(rss, dd_mul(w, dd_mul(r, r)));
		tss = dd_add(tss, dd_mul(w, dd_mul(d, d)));
		log_weights += log(weight_of(in, i));
	}
	fit->n = (double)in->n;
	fit->dof = fit->n - (double)fit->p;
	fit->rss = dd_to(rss);
	fit->residual_sd = sqrt(fit->rss / fit->dof);
	fit->r_squared = tss.hi > 0 ? 1 - dd_to(dd_div(rss, tss)) : NAN;
	fit->F = dd_to(dd_sub(tss, rss)) / model_dof / (fit->rss / fit->dof);
	fit->F_p = isfinite(fit->F) ? gsl_cdf_fdist_Q(fmax(fit->F, 0), model_dof, fit->dof) : (fit->F > 0 ? 0 : NAN);
	fit->aicc = fit->n - k - 1 > 0 && fit->rss > 0
			    ? fit->n * log(fit->rss / fit->n) - log_weights + 2 * k * fit->n / (fit->n - k - 1)
			    : NAN;
	fit->u_known_factor = 1 / fit->residual_sd;
	fit->chi2_p = in->weight ? gsl_cdf_chisq_Q(fit->rss, fit->dof) : NAN;
}

enum rc regress_fit(const struct regress_in *in, struct regress *ret, struct regress_point *ret_points, struct err *err)
{
	struct regress fit = { .m = in->m,
			       .degree = in->degree,
			       .through_origin = in->through_origin,
			       .robust = in->robust,
			       .weighted = in->weight != NULL,
			       .first_power = in->through_origin ? 1 : 0 };
	struct lsq lsq;
	enum rc rc;

	fit.p = (in->m > 1 ? in->m : (size_t)(in->degree > 0 ? in->degree : 0)) + (in->through_origin ? 0 : 1);
	if ((rc = check_shape(in, fit.p, err)))
		return rc;
	for (size_t i = 0; i < in->n; i++)
		if ((rc = check_point(in, i, err)))
			return rc;
	choose_basis(in, &fit);
	if ((rc = solve(in, &fit, &lsq, err)))
		return rc;
	quality(in, &fit);
	basis_covariance(&fit, &lsq);
	if ((rc = regress_lack_of_fit(in, &fit, err)))
		return rc;
	if (in->robust && (rc = regress_robust(in, &fit, ret_points, err)))
		return rc;
	for (size_t i = 0; in->robust && ret_points && i < in->n; i++)
		ret_points[i].leverage = regress_leverage(in, &fit, &lsq, i);
	if ((rc = regress_to_plain(&fit, err)))
		return rc;
	if (ret_points && !in->robust)
		regress_points(in, &fit, &lsq, ret_points);
	*ret = fit;
	return RC_OK;
}
