/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/crossed.h"
#include "calib/fit/precision_private.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

struct cells {
	size_t n[CROSSED_LEVELS][CROSSED_LEVELS];
	double mean[CROSSED_LEVELS][CROSSED_LEVELS];
};

static enum rc fill_cells(const double *y, const size_t *a, const size_t *b, size_t n, struct cells *cells,
			  struct crossed *ret, struct err *err)
{
	for (size_t i = 0; i < n; i++) {
		if (!isfinite(y[i]))
			return err_set(err, RC_ARG, 0, "value %zu of %zu is not a finite number", i + 1, n);
		if (a[i] >= CROSSED_LEVELS || b[i] >= CROSSED_LEVELS)
			return err_set(err, RC_ARG, 0, "a crossed study takes at most %d levels of a factor",
				       CROSSED_LEVELS);
		ret->a = a[i] >= ret->a ? a[i] + 1 : ret->a;
		ret->b = b[i] >= ret->b ? b[i] + 1 : ret->b;
		cells->n[a[i]][b[i]]++;
	}
	ret->n = cells->n[0][0];
	if (ret->a < 2 || ret->b < 2 || ret->n < 2)
		return err_set(err, RC_ARG, 0,
			       "a crossed study needs two levels of each factor and two values in each pair; found %zu "
			       "by %zu levels, %zu in the first pair",
			       ret->a, ret->b, ret->n);
	for (size_t i = 0; i < ret->a; i++)
		for (size_t j = 0; j < ret->b; j++)
			if (cells->n[i][j] != ret->n)
				return err_set(err, RC_ARG, 0,
					       "pair %zu, %zu of a crossed study has %zu values, the first has %zu: "
					       "expected as many in each",
					       i + 1, j + 1, cells->n[i][j], ret->n);
	return RC_OK;
}

static double square_of(double x)
{
	return x * x;
}

/* Sums of squares over their degrees of freedom. */
static void take_squares(const double *y, const size_t *a, const size_t *b, size_t n, struct cells *cells,
			 struct crossed *ret)
{
	double na = (double)ret->a, nb = (double)ret->b, nn = (double)ret->n;
	double mean_a[CROSSED_LEVELS] = { 0 }, mean_b[CROSSED_LEVELS] = { 0 };

	/* twice, the second time about the first mean, so that no digits are lost */
	for (size_t i = 0; i < n; i++)
		ret->mean += y[i] / (double)n;
	for (size_t i = 0; i < n; i++)
		cells->mean[a[i]][b[i]] += (y[i] - ret->mean) / nn;
	for (size_t i = 0; i < ret->a; i++)
		for (size_t j = 0; j < ret->b; j++) {
			mean_a[i] += cells->mean[i][j] / nb;
			mean_b[j] += cells->mean[i][j] / na;
		}
	for (size_t i = 0; i < ret->a; i++)
		ret->of_a.square += nb * nn * square_of(mean_a[i]) / ret->of_a.dof;
	for (size_t j = 0; j < ret->b; j++)
		ret->of_b.square += na * nn * square_of(mean_b[j]) / ret->of_b.dof;
	for (size_t i = 0; i < ret->a; i++)
		for (size_t j = 0; j < ret->b; j++)
			ret->together.square +=
				nn * square_of(cells->mean[i][j] - mean_a[i] - mean_b[j]) / ret->together.dof;
	for (size_t i = 0; i < n; i++)
		ret->square_e += square_of(y[i] - ret->mean - cells->mean[a[i]][b[i]]) / ret->dof_e;
}

/* Of a sum of mean squares with their weights: Welch and Satterthwaite. */
static double dof_of(const struct precision_part *part, int n)
{
	double sum = 0, var = 0;

	for (int i = 0; i < n; i++) {
		sum += part[i].value;
		var += square_of(part[i].value) / part[i].dof;
	}
	return var > 0 ? sum * sum / var : NAN;
}

/* The component of a mean square beyond that of the next, so many values to a level. */
static void judge(struct crossed_factor *x, double next, double next_dof, double values)
{
	x->s = sqrt(fmax(x->square - next, 0) / values);
	x->p_value = next > 0 ? gsl_cdf_fdist_Q(x->square / next, x->dof, next_dof) : NAN;
}

#define PARTS 4
static void take_sums(struct crossed *ret, double confidence)
{
	double a = (double)ret->a, b = (double)ret->b, n = (double)ret->n;
	const struct precision_part part[PARTS] = {
		{ ret->of_a.square / (b * n), ret->of_a.dof },
		{ ret->of_b.square / (a * n), ret->of_b.dof },
		{ (1 - 1 / a - 1 / b) * ret->together.square / n, ret->together.dof },
		{ (1 - 1 / n) * ret->square_e, ret->dof_e },
	};
	const struct precision_part of_mean[] = { { ret->of_a.square, ret->of_a.dof },
						  { ret->of_b.square, ret->of_b.dof } };

	ret->s_later = sqrt(part[0].value + part[1].value + part[2].value);
	ret->dof_later = dof_of(part, PARTS - 1);
	ret->u_mean = sqrt((of_mean[0].value + of_mean[1].value) / (a * b * n));
	ret->dof_mean = dof_of(of_mean, 2);
	ret->s_R = hypot(hypot(ret->of_a.s, ret->of_b.s), hypot(ret->together.s, ret->s_r));
	precision_interval(part, PARTS, confidence, &ret->s_R_low, &ret->s_R_high);
	ret->s_R_high = fmax(ret->s_R_high, ret->s_R);
}

enum rc crossed_of(const double *y, const size_t *a, const size_t *b, size_t n, double confidence, struct crossed *ret,
		   struct err *err)
{
	struct cells cells = { 0 };

	*ret = (struct crossed){ 0 };
	if (!(confidence > 0 && confidence < 1))
		return err_set(err, RC_ARG, 0, "a confidence of %g is not between 0 and 1", confidence);
	enum rc rc = fill_cells(y, a, b, n, &cells, ret, err);
	if (rc != RC_OK)
		return rc;
	double na = (double)ret->a, nb = (double)ret->b, nn = (double)ret->n;
	ret->of_a.dof = na - 1;
	ret->of_b.dof = nb - 1;
	ret->together.dof = (na - 1) * (nb - 1);
	ret->dof_e = na * nb * (nn - 1);
	take_squares(y, a, b, n, &cells, ret);
	ret->s_r = sqrt(ret->square_e);
	judge(&ret->of_a, ret->together.square, ret->together.dof, nb * nn);
	judge(&ret->of_b, ret->together.square, ret->together.dof, na * nn);
	judge(&ret->together, ret->square_e, ret->dof_e, nn);
	take_sums(ret, confidence);
	return RC_OK;
}
