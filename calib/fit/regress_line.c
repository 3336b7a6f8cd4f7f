/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/regress.h"

#include <math.h>

/* Independent sums let the processor work on several points at once, and keep rounding down. */
#define LANES 4

struct sums {
	double w[LANES], x[LANES], y[LANES];
};
struct products {
	double xx[LANES], xy[LANES];
};

static double total(const double lane[LANES])
{
	double sum = 0;

	for (int k = 0; k < LANES; k++)
		sum += lane[k];
	return sum;
}

static void add_means(const double *x, const double *y, const double *weight, size_t n, double x0, double y0,
		      struct sums *s)
{
	size_t i = 0;

	for (; i + LANES <= n; i += LANES)
		for (int k = 0; k < LANES; k++) {
			double w = weight ? weight[i + (size_t)k] : 1;
			s->w[k] += w;
			s->x[k] += w * (x[i + (size_t)k] - x0);
			s->y[k] += w * (y[i + (size_t)k] - y0);
		}
	for (; i < n; i++) {
		double w = weight ? weight[i] : 1;
		s->w[0] += w;
		s->x[0] += w * (x[i] - x0);
		s->y[0] += w * (y[i] - y0);
	}
}

static void add_products(const double *x, const double *y, const double *weight, size_t n, double x0, double y0,
			 struct products *p)
{
	size_t i = 0;

	for (; i + LANES <= n; i += LANES)
		for (int k = 0; k < LANES; k++) {
			double w = weight ? weight[i + (size_t)k] : 1;
			double dx = x[i + (size_t)k] - x0, dy = y[i + (size_t)k] - y0;
			p->xx[k] += w * dx * dx;
			p->xy[k] += w * dx * dy;
		}
	for (; i < n; i++) {
		double w = weight ? weight[i] : 1;
		p->xx[0] += w * (x[i] - x0) * (x[i] - x0);
		p->xy[0] += w * (x[i] - x0) * (y[i] - y0);
	}
}

/* A pass of its own: taken from the products it would lose its digits on a good line. */
static double residuals(const double *x, const double *y, const double *weight, size_t n,
			const struct regress_line *line)
{
	double lane[LANES] = { 0 };
	size_t i = 0;

	for (; i + LANES <= n; i += LANES)
		for (int k = 0; k < LANES; k++) {
			double w = weight ? weight[i + (size_t)k] : 1;
			double r = (y[i + (size_t)k] - line->y_mean) - line->slope * (x[i + (size_t)k] - line->x_mean);
			lane[k] += w * r * r;
		}
	for (; i < n; i++) {
		double r = (y[i] - line->y_mean) - line->slope * (x[i] - line->x_mean);
		lane[0] += (weight ? weight[i] : 1) * r * r;
	}
	return total(lane);
}

static enum rc complain(const double *x, const double *y, const double *weight, size_t n, struct err *err)
{
	for (size_t i = 0; i < n; i++) {
		if (!isfinite(x[i]) || !isfinite(y[i]))
			return err_set(err, RC_ARG, 0, "point %zu of %zu is not finite", i + 1, n);
		if (weight && !(weight[i] > 0 && isfinite(weight[i])))
			return err_set(err, RC_ARG, 0, "point %zu of %zu: the weight %g is not positive", i + 1, n,
				       weight[i]);
	}
	return err_set(err, RC_RANGE, 0, "the points are too large to compute with");
}

static double least(const double *weight, size_t n)
{
	double lane[LANES] = { INFINITY, INFINITY, INFINITY, INFINITY };

	for (size_t i = 0; weight && i < n; i++) {
		double w = weight[i];
		lane[i % LANES] = w < lane[i % LANES] ? w : lane[i % LANES];
	}
	return fmin(fmin(lane[0], lane[1]), fmin(lane[2], lane[3]));
}

enum rc regress_line_fit(const double *x, const double *y, const double *weight, size_t n, struct regress_line *ret,
			 struct err *err)
{
	struct sums s = { 0 };
	struct products p = { 0 };
	struct regress_line line = { 0 };

	if (n < 3)
		return err_set(err, RC_ARG, 0, "%zu points are too few: a line and its uncertainty need at least 3", n);
	if (!(least(weight, n) > 0))
		return complain(x, y, weight, n, err);
	add_means(x, y, weight, n, x[0], y[0], &s);
	double w = total(s.w);
	line.x_mean = x[0] + total(s.x) / w;
	line.y_mean = y[0] + total(s.y) / w;
	add_products(x, y, weight, n, line.x_mean, line.y_mean, &p);
	double xx = total(p.xx);
	line.slope = total(p.xy) / xx;
	line.chi2 = residuals(x, y, weight, n, &line);
	/* One look at the end finds whatever was not finite on the way; only then the culprit is searched. */
	if (!isfinite(xx) || !isfinite(w) || !isfinite(line.x_mean + line.y_mean) || (xx > 0 && !isfinite(line.chi2)))
		return complain(x, y, weight, n, err);
	if (!(xx > 1e-28 * w * line.x_mean * line.x_mean) || !(xx > 0))
		return err_set(err, RC_SINGULAR, 0, "every point has the same x (%g): they do not determine a slope",
			       x[0]);
	line.dof = (double)n - 2;
	line.residual_sd = sqrt(line.chi2 / line.dof);
	line.u_y_mean = line.residual_sd / sqrt(w);
	line.u_slope = line.residual_sd / sqrt(xx);
	line.intercept = line.y_mean - line.slope * line.x_mean;
	line.u_intercept = hypot(line.u_y_mean, line.x_mean * line.u_slope);
	line.cov = -line.x_mean * line.u_slope * line.u_slope;
	*ret = line;
	return RC_OK;
}
