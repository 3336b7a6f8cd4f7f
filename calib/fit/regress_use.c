/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/regress_private.h"

#include <math.h>
#include <string.h>

#define LOOKS 400

/* t = (x - c)/s to powers of x: coefficient of x^k in t^j is C(j,k) (-c)^(j-k) / s^j. */
static void polynomial_matrix(const struct regress *fit, struct dd to[REGRESS_TERMS][REGRESS_TERMS])
{
	size_t first = (size_t)fit->first_power;
	struct dd minus_c = dd_of(-fit->centre[0]), scale_power = dd_of(1);

	for (size_t j = 0; j < fit->p + first; j++) {
		struct dd binomial = dd_of(1), power = dd_of(1);
		for (size_t k = j + 1; k-- > 0;) { /* from x^j down */
			if (j >= first && k >= first)
				to[k - first][j - first] = dd_div(dd_mul(binomial, power), scale_power);
			power = dd_mul(power, minus_c);
			binomial = dd_div(dd_mul(binomial, dd_of((double)k)), dd_of((double)(j - k + 1)));
		}
		scale_power = dd_mul(scale_power, dd_of(fit->scale[0]));
	}
}

static void several_matrix(const struct regress *fit, struct dd to[REGRESS_TERMS][REGRESS_TERMS])
{
	size_t first = fit->through_origin ? 0 : 1;

	if (first)
		to[0][0] = dd_of(1);
	for (size_t k = 0; k < fit->m; k++) {
		to[first + k][first + k] = dd_of(1 / fit->scale[k]);
		if (first)
			to[0][1 + k] = dd_of(-fit->centre[k] / fit->scale[k]);
	}
}

enum rc regress_to_plain(struct regress *fit, struct err *err)
{
	struct dd to[REGRESS_TERMS][REGRESS_TERMS];

	memset(to, 0, sizeof to);
	if (fit->m > 1)
		several_matrix(fit, to);
	else
		polynomial_matrix(fit, to);
	for (size_t i = 0; i < fit->p; i++) {
		struct dd sum = dd_of(0);
		for (size_t j = 0; j < fit->p; j++)
			sum = dd_add(sum, dd_mul(to[i][j], fit->basis_coef[j]));
		fit->coef[i] = dd_to(sum);
		if (!isfinite(fit->coef[i]))
			return err_set(err, RC_RANGE, 0,
				       "coefficient %zu is too large for a number: scale the variables", i);
		for (size_t l = 0; l < fit->p; l++) {
			sum = dd_of(0);
			for (size_t j = 0; j < fit->p; j++)
				for (size_t k = 0; k < fit->p; k++)
					sum = dd_add(sum, dd_mul(dd_mul(to[i][j], to[l][k]), fit->basis_cov[j][k]));
			fit->cov[i][l] = dd_to(sum);
		}
	}
	return RC_OK;
}

struct regress_value regress_at(const struct regress *fit, const double *x)
{
	struct dd row[REGRESS_TERMS];
	struct regress_value v;
	double variance = 0;

	regress_row(fit, x, row);
	for (size_t j = 0; j < fit->p; j++)
		for (size_t k = 0; k < fit->p; k++)
			variance += dd_to(row[j]) * dd_to(row[k]) * dd_to(fit->basis_cov[j][k]);
	v.value = -dd_to(regress_residual(fit, x, 0));
	v.u_fit = sqrt(fmax(variance, 0));
	v.u_single = hypot(v.u_fit, fit->residual_sd);
	return v;
}

/* One variable. */
static double regress_slope(const struct regress *fit, double x)
{
	double t = (x - fit->centre[0]) / fit->scale[0], slope = 0;
	size_t first = (size_t)fit->first_power;

	for (size_t j = fit->p; j-- > 0;)
		if (j + first > 0)
			slope += (double)(j + first) * dd_to(fit->basis_coef[j]) * pow(t, (double)(j + first - 1));
	return slope / fit->scale[0];
}

static double above(const struct regress *fit, double x, double y)
{
	return -dd_to(regress_residual(fit, &x, y));
}

static double bisect(const struct regress *fit, double y, double low, double high)
{
	bool rising = above(fit, low, y) < 0;

	for (int i = 0; i < 200 && high - low > 0; i++) {
		double middle = low + 0.5 * (high - low);
		if (!(middle > low && middle < high))
			break;
		if ((above(fit, middle, y) < 0) == rising)
			low = middle;
		else
			high = middle;
	}
	return low + 0.5 * (high - low);
}

enum rc regress_invert(const struct regress *fit, double y, double u_y, double *ret_x, double *ret_u_x, struct err *err)
{
	double margin = 0.1 * (fit->x_max[0] - fit->x_min[0]), from = fit->x_min[0] - margin;
	double step = (fit->x_max[0] + margin - from) / LOOKS, found = NAN;
	size_t crossings = 0;

	if (fit->m > 1)
		return err_set(err, RC_ARG, 0, "the inverse needs a fit in one variable, this one has %zu", fit->m);
	if (!isfinite(y) || !(u_y >= 0))
		return err_set(err, RC_ARG, 0,
			       "y = %g with u = %g: expected a finite number and an uncertainty not negative", y, u_y);
	for (int i = 0; i < LOOKS; i++) {
		double a = above(fit, from + i * step, y), b = above(fit, from + (i + 1) * step, y);
		if ((a < 0) == (b < 0))
			continue;
		crossings++;
		found = bisect(fit, y, from + i * step, from + (i + 1) * step);
	}
	if (crossings == 0)
		return err_set(err, RC_RANGE, 0, "the curve does not take the value %g between x = %g and %g", y, from,
			       from + LOOKS * step);
	double slope = regress_slope(fit, found);
	if (crossings > 1 || !(fabs(slope) > 0))
		return err_set(err, RC_SINGULAR, 0,
			       "the curve takes the value %g at more than one x, one of them %g: the inverse "
			       "is not determined",
			       y, found);
	*ret_x = found;
	*ret_u_x = hypot(u_y, regress_at(fit, &found).u_fit) / fabs(slope);
	return RC_OK;
}
