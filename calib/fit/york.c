/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/york.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

#define MOST_ITERATIONS 500

struct data {
	const double *x, *y, *u_x, *u_y, *r;
	size_t n;
};
struct state {
	double b, x_mean, y_mean, sum_w;
};

static enum rc check(const struct data *d, struct err *err)
{
	double low = INFINITY, high = -INFINITY;

	if (d->n < 3)
		return err_set(err, RC_ARG, 0, "%zu points are too few: a line with errors in both variables needs 3",
			       d->n);
	for (size_t i = 0; i < d->n; i++) {
		if (!isfinite(d->x[i]) || !isfinite(d->y[i]) || !isfinite(d->u_x[i]) || !isfinite(d->u_y[i]))
			return err_set(err, RC_ARG, 0, "point %zu of %zu is not finite", i + 1, d->n);
		if (d->u_x[i] < 0 || d->u_y[i] < 0 || !(d->u_x[i] + d->u_y[i] > 0))
			return err_set(err, RC_ARG, 0,
				       "point %zu of %zu: uncertainties %g and %g; expected none negative and one of "
				       "them positive",
				       i + 1, d->n, d->u_x[i], d->u_y[i]);
		if (d->r && !(fabs(d->r[i]) < 1))
			return err_set(err, RC_ARG, 0, "point %zu of %zu: correlation %g, expected between -1 and 1",
				       i + 1, d->n, d->r[i]);
		low = fmin(low, d->x[i]);
		high = fmax(high, d->x[i]);
	}
	if (!(high > low))
		return err_set(err, RC_SINGULAR, 0, "every point has the same x (%g): they do not determine a slope",
			       low);
	return RC_OK;
}

static double common(const struct data *d, size_t i)
{
	return d->r ? d->r[i] * d->u_x[i] * d->u_y[i] : 0;
}

static double weight(const struct data *d, size_t i, double b)
{
	return 1 / (d->u_y[i] * d->u_y[i] + b * b * d->u_x[i] * d->u_x[i] - 2 * b * common(d, i));
}

static void centre(const struct data *d, struct state *s)
{
	double sx = 0, sy = 0;

	s->sum_w = 0;
	for (size_t i = 0; i < d->n; i++) {
		double w = weight(d, i, s->b);
		s->sum_w += w;
		sx += w * (d->x[i] - d->x[0]);
		sy += w * (d->y[i] - d->y[0]);
	}
	s->x_mean = d->x[0] + sx / s->sum_w;
	s->y_mean = d->y[0] + sy / s->sum_w;
}

/* The adjusted x less its mean, York's beta. */
static double beta(const struct data *d, size_t i, const struct state *s)
{
	double u = d->x[i] - s->x_mean, v = d->y[i] - s->y_mean;

	return weight(d, i, s->b) *
	       (u * d->u_y[i] * d->u_y[i] + s->b * v * d->u_x[i] * d->u_x[i] - (s->b * u + v) * common(d, i));
}

static double next_slope(const struct data *d, struct state *s)
{
	double over = 0, under = 0;

	centre(d, s);
	for (size_t i = 0; i < d->n; i++) {
		double wb = weight(d, i, s->b) * beta(d, i, s);
		over += wb * (d->y[i] - s->y_mean);
		under += wb * (d->x[i] - s->x_mean);
	}
	return over / under;
}

static double ordinary_slope(const struct data *d)
{
	double mx = 0, my = 0, xx = 0, xy = 0, n = (double)d->n;

	for (size_t i = 0; i < d->n; i++) {
		mx += d->x[i] / n;
		my += d->y[i] / n;
	}
	for (size_t i = 0; i < d->n; i++) {
		xx += (d->x[i] - mx) * (d->x[i] - mx);
		xy += (d->x[i] - mx) * (d->y[i] - my);
	}
	return xy / xx;
}

static void errors(const struct data *d, struct state *s, struct york *ret)
{
	double mean = 0, squares = 0;

	centre(d, s);
	for (size_t i = 0; i < d->n; i++)
		mean += weight(d, i, s->b) * beta(d, i, s) / s->sum_w;
	for (size_t i = 0; i < d->n; i++) {
		double u = beta(d, i, s) - mean, r = d->y[i] - s->y_mean - s->b * (d->x[i] - s->x_mean);
		squares += weight(d, i, s->b) * u * u;
		ret->chi2 += weight(d, i, s->b) * r * r;
	}
	double at = s->x_mean + mean;
	ret->slope = s->b;
	ret->intercept = s->y_mean - s->b * s->x_mean;
	ret->u_slope = sqrt(1 / squares);
	ret->u_intercept = sqrt(1 / s->sum_w + at * at / squares);
	ret->cov = -at / squares;
	ret->dof = (double)d->n - 2;
	ret->p = gsl_cdf_chisq_Q(ret->chi2, ret->dof);
}

enum rc york_fit(const double *x, const double *y, const double *u_x, const double *u_y, const double *r, size_t n,
		 struct york *ret, struct err *err)
{
	struct data d = { x, y, u_x, u_y, r, n };
	struct york fit = { 0 };
	enum rc rc = check(&d, err);

	if (rc)
		return rc;
	struct state s = { .b = ordinary_slope(&d) };
	for (;;) {
		double b = next_slope(&d, &s), step = fabs(b - s.b);
		if (!isfinite(b) || fit.iterations++ >= MOST_ITERATIONS)
			return err_set(err, RC_SINGULAR, 0,
				       "the line with errors in both variables does not settle: the points do "
				       "not determine a slope");
		s.b = b;
		if (step <= 4e-16 * fabs(b) || (fit.iterations > 50 && step <= 1e-12 * fabs(b)))
			break;
	}
	errors(&d, &s, &fit);
	if (!isfinite(fit.u_intercept) || !isfinite(fit.chi2))
		return err_set(err, RC_RANGE, 0,
			       "the points are too large, or their uncertainties too small, to compute with");
	*ret = fit;
	return RC_OK;
}
