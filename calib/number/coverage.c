/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/coverage.h"

#include "calib/number/units.h"

#include <math.h>

/* The coverage factor of a sum of independent sources, most of them limits (rectangular), some normal. Student's t of
 * the effective degrees of freedom alone would be too wide where a few rectangular sources rule: one alone has
 * k = 0.95 sqrt 3 = 1.645, not 1.96. The distribution of the sum is found from its characteristic function,
 * the product of those of the sources (Gil-Pelaez, Biometrika 38 (1951) 481); for a symmetric one
 * P(|x| < k u) = 2/pi integral over t from 0 of sin(k t)/t phi(t) dt. Few degrees of freedom widen it by t/z. */
#define STEP 0.1 /* in 1/u: exact as long as nothing lies beyond pi/STEP = 31 u */
#define STEPS_MAX 900
#define SMALL_SHARE 0.005 /* of the variance: its shape no longer shows; taken for normal */
#define NORMAL_LEAST 0.01 /* of the variance: what the tail of the integral needs to die out */

struct shape {
	enum dist dist;
	double frac; /* its u by the sum's u */
};

static double sinc(double x)
{
	return fabs(x) < 1e-4 ? 1 - x * x / 6 : sin(x) / x;
}

static double characteristic(const struct shape *shape, size_t n, double normal_variance, double t)
{
	double phi = exp(-0.5 * normal_variance * t * t);

	for (size_t i = 0; i < n; i++) {
		if (shape[i].dist == DIST_RECT) {
			phi *= sinc(sqrt(3) * shape[i].frac * t);
		} else if (shape[i].dist == DIST_TWO) {
			phi *= cos(shape[i].frac * t);
		} else {
			double half = sinc(sqrt(6) / 2 * shape[i].frac * t);
			phi *= half * half;
		}
	}
	return phi;
}

#define SHAPES_MAX 24

/* The sources whose shape shows; the rest of the variance is normal. */
static size_t shapes_of(const struct unc_ctx *ctx, struct unc x, struct shape *ret, double *ret_normal)
{
	double u = unc_u(x), shaped = 0;
	size_t n = 0;

	for (size_t i = 0; i < x.n && n < SHAPES_MAX; i++) {
		double frac = fabs(x.part[i].u) / u;
		enum dist dist = unc_source_dist(ctx, x.part[i].source);
		if ((dist != DIST_RECT && dist != DIST_TRI && dist != DIST_TRAPEZOID && dist != DIST_TWO) ||
		    frac * frac < SMALL_SHARE)
			continue;
		ret[n++] = (struct shape){ dist, frac };
		shaped += frac * frac;
	}
	*ret_normal = 1 - shaped;
	return n;
}

/* What lies within k u; *ret_slope: by k. */
static double inside_of(const double *weight, int steps, double k, double *ret_slope)
{
	double inside = 0, slope = 0;

	for (int j = 0; j < steps; j++) {
		double t = (j + 0.5) * STEP;
		inside += weight[j] * sin(k * t);
		slope += weight[j] * t * cos(k * t);
	}
	*ret_slope = slope;
	return inside;
}

/* Newton's steps, halved intervals where they lead outside. */
static double factor_within(const double *weight, int steps, double coverage)
{
	double low = 0, high = 8, k = 2, before = 0;

	for (int i = 0; i < 60 && fabs(k - before) > 1e-12; i++) {
		double slope, inside = inside_of(weight, steps, k, &slope);
		if (inside < coverage)
			low = k;
		else
			high = k;
		before = k;
		k += (coverage - inside) / slope;
		if (!(k > low && k < high))
			k = 0.5 * (low + high);
	}
	return k;
}

static double factor_of_shapes(struct shape *shape, size_t n, double normal_variance, double coverage)
{
	double weight[STEPS_MAX];
	int steps = 0;

	if (normal_variance < NORMAL_LEAST) {
		for (size_t i = 0; i < n; i++)
			shape[i].frac *= sqrt((1 - NORMAL_LEAST) / (1 - normal_variance));
		normal_variance = NORMAL_LEAST;
	}
	for (; steps < STEPS_MAX; steps++) {
		double t = (steps + 0.5) * STEP;
		if (0.5 * normal_variance * t * t > 36)
			break;
		weight[steps] = 2 / UNITS_PI * STEP / t * characteristic(shape, n, normal_variance, t);
	}
	return factor_within(weight, steps, coverage);
}

double unc_expanded(const struct unc_ctx *ctx, struct unc x, double coverage, double *ret_k)
{
	struct shape shape[SHAPES_MAX];
	double normal, u = unc_u(x), dof = unc_dof(ctx, x), k = unc_coverage_factor(dof < 1 ? 1 : dof, coverage);

	if (u > 0 && isfinite(u)) {
		size_t n = shapes_of(ctx, x, shape, &normal);
		if (n > 0)
			k *= factor_of_shapes(shape, n, normal, coverage) / unc_coverage_factor(INFINITY, coverage);
	}
	if (ret_k != NULL)
		*ret_k = k;
	return k * u;
}

#define LEAST_TAIL 1e-9 /* beyond it the sum of the shapes is numerics */

double unc_probability_above(const struct unc_ctx *ctx, struct unc x, double limit)
{
	double away = x.value - limit, u = unc_u(x), low = 0, high = 1 - LEAST_TAIL;

	if (!isfinite(away) || !isfinite(u))
		return NAN;
	if (!(u > 0))
		return away >= 0 ? 1 : 0;
	if (unc_expanded(ctx, x, high, NULL) <= fabs(away))
		return away > 0 ? 1 - LEAST_TAIL / 2 : LEAST_TAIL / 2;
	for (int i = 0; i < 40; i++) {
		double inside = 0.5 * (low + high);
		if (unc_expanded(ctx, x, inside, NULL) < fabs(away))
			low = inside;
		else
			high = inside;
	}
	double inside = 0.25 * (low + high);
	return away > 0 ? 0.5 + inside : 0.5 - inside;
}

double dist_coverage_factor(enum dist dist, double beta, double dof, double coverage)
{
	double t = unc_coverage_factor(dof < 1 ? 1 : dof, coverage);
	double top = dist == DIST_RECT ? 1 : dist == DIST_TRI ? 0 : beta;

	if (!(coverage > 0 && coverage < 1))
		return NAN;
	if (dist == DIST_TWO)
		return t / unc_coverage_factor(INFINITY, coverage);
	if (dist == DIST_NORMAL || dist == DIST_T || !(top >= 0 && top <= 1))
		return t;
	/* Half-width 1: inside the top the area grows evenly, beyond it the two slopes leave (1 - x)^2/(1 - top^2). */
	double x =
		coverage <= 2 * top / (1 + top) ? coverage * (1 + top) / 2 : 1 - sqrt((1 - coverage) * (1 - top * top));
	return x / sqrt((1 + top * top) / 6) * t / unc_coverage_factor(INFINITY, coverage);
}
