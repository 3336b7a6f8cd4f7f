/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/precision.h"
#include "calib/fit/precision_private.h"

#include "calib/fit/stats.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

/* --- critical values --- */

/* The furthest of p deviations from their mean, in standard deviations, by Student's t of p - 2. */
static double furthest(double p, double tail)
{
	double t = gsl_cdf_tdist_Qinv(tail, p - 2);

	return (p - 1) * t / sqrt(p * (t * t + p - 2));
}

double precision_h_at(size_t p, double alpha)
{
	return p < 3 ? NAN : furthest((double)p, alpha / 2);
}

double precision_grubbs_at(size_t p, double alpha)
{
	return p < 3 ? NAN : furthest((double)p, alpha / 2 / (double)p);
}

/* The share of the sum of p variances that one of them exceeds with that probability. */
static double share(double p, double n, double tail)
{
	double F = gsl_cdf_fdist_Qinv(tail, n - 1, (p - 1) * (n - 1));

	return 1 / (1 + (p - 1) / F);
}

double precision_cochran_at(size_t p, size_t n, double alpha)
{
	return p < 2 || n < 2 ? NAN : share((double)p, (double)n, alpha / (double)p);
}

double precision_k_at(size_t p, size_t n, double alpha)
{
	return p < 2 || n < 2 ? NAN : sqrt((double)p * share((double)p, (double)n, alpha));
}

static enum precision_mark mark_of(double value, double at_5, double at_1)
{
	return value > at_1 ? PRECISION_OUTLIER : value > at_5 ? PRECISION_STRAGGLER : PRECISION_FINE;
}

/* --- cells --- */
static enum rc fill_cells(const double *y, const size_t *cell, size_t n, struct precision *ret, struct err *err)
{
	double dof = 0;

	for (size_t i = 0; i < n; i++) {
		if (!isfinite(y[i]))
			return err_set(err, RC_ARG, 0, "value %zu of %zu is not a finite number", i + 1, n);
		if (cell[i] >= PRECISION_CELLS)
			return err_set(err, RC_ARG, 0, "value %zu belongs to group %zu; at most %d are taken", i + 1,
				       cell[i] + 1, PRECISION_CELLS);
	}
	for (size_t c = 0; c < PRECISION_CELLS; c++) {
		struct stats_run run;
		stats_run_begin(&run);
		for (size_t i = 0; i < n; i++)
			if (cell[i] == c)
				stats_run_add(&run, y[i]);
		struct stats_mean m = stats_run_result(&run);
		ret->cell[c] = (struct precision_cell){ .n = m.n, .mean = m.mean, .sd = m.sd, .h = NAN, .k = NAN };
		ret->p += m.n > 0;
		dof += m.n > 1 ? (double)m.n - 1 : 0;
	}
	ret->n = n;
	ret->dof_r = dof;
	if (ret->p < 2 || !(dof > 0))
		return err_set(err, RC_ARG, 0,
			       "a repeatability study needs at least 2 groups, and one of them twice; found %zu "
			       "value%s in %zu "
			       "group%s",
			       n, n == 1 ? "" : "s", ret->p, ret->p == 1 ? "" : "s");
	return RC_OK;
}

struct squares {
	double within, between; /* mean squares */
	double grand;           /* mean of the cells' means */
	double worst_share;     /* greatest s_i^2 of their sum, over cells with two values */
	size_t worst;
	size_t many; /* cells with two values */
};

static struct squares squares_of(struct precision *ret)
{
	struct squares q = { 0 };
	double all = 0, squared_n = 0, variances = 0, spread = 0, p = (double)ret->p;

	for (size_t c = 0; c < PRECISION_CELLS; c++) {
		const struct precision_cell *x = &ret->cell[c];
		double n = (double)x->n;
		if (x->n == 0)
			continue;
		all += n * x->mean;
		q.grand += x->mean / p;
		squared_n += n * n;
		if (x->n < 2)
			continue;
		q.within += (n - 1) * x->sd * x->sd / ret->dof_r;
		variances += x->sd * x->sd;
		q.many++;
		if (q.many == 1 || x->sd > ret->cell[q.worst].sd)
			q.worst = c;
	}
	ret->mean = all / (double)ret->n;
	ret->n_bar = ((double)ret->n - squared_n / (double)ret->n) / (p - 1);
	for (size_t c = 0; c < PRECISION_CELLS; c++)
		if (ret->cell[c].n > 0) {
			double off = ret->cell[c].mean - ret->mean, off_grand = ret->cell[c].mean - q.grand;
			q.between += (double)ret->cell[c].n * off * off / (p - 1);
			spread += off_grand * off_grand / (p - 1);
		}
	ret->s_means = sqrt(spread);
	q.worst_share = ret->cell[q.worst].sd * ret->cell[q.worst].sd / variances;
	return q;
}

/* --- intervals --- */

/* What a mean square of so many degrees of freedom is multiplied by. */
static double factor(double dof, double tail)
{
	return dof / gsl_cdf_chisq_Pinv(tail, dof);
}

void precision_interval(const struct precision_part *part, size_t n, double confidence, double *ret_low,
			double *ret_high)
{
	double tail = (1 - confidence) / 2, sum = 0, low = 0, high = 0;

	for (size_t i = 0; i < n; i++) {
		sum += part[i].value;
		low = hypot(low, (1 - factor(part[i].dof, 1 - tail)) * part[i].value);
		high = hypot(high, (factor(part[i].dof, tail) - 1) * part[i].value);
	}
	*ret_low = sqrt(fmax(sum - low, 0));
	*ret_high = sqrt(sum + high);
}

static void intervals(struct precision *ret, const struct squares *q, double confidence)
{
	double tail = (1 - confidence) / 2, weight = 1 / ret->n_bar;
	const struct precision_part part[] = { { weight * q->between, (double)ret->p - 1 },
					       { (1 - weight) * q->within, ret->dof_r } };

	ret->s_r_low = ret->s_r * sqrt(factor(ret->dof_r, 1 - tail));
	ret->s_r_high = ret->s_r * sqrt(factor(ret->dof_r, tail));
	precision_interval(part, 2, confidence, &ret->s_R_low, &ret->s_R_high);
	ret->s_R_high = fmax(ret->s_R_high, ret->s_R);
}

/* --- consistency --- */
static void judge(struct precision *ret, const struct squares *q)
{
	/* of the cells that have a scatter; where they differ in size the limits are near ones */
	size_t n = q->many > 0 ? (size_t)lround(1 + ret->dof_r / (double)q->many) : 1;

	ret->h_5 = precision_h_at(ret->p, 0.05);
	ret->h_1 = precision_h_at(ret->p, 0.01);
	ret->k_5 = precision_k_at(q->many, n, 0.05);
	ret->k_1 = precision_k_at(q->many, n, 0.01);
	ret->cochran = (struct precision_test){ .value = q->worst_share,
						.at_5 = precision_cochran_at(q->many, n, 0.05),
						.at_1 = precision_cochran_at(q->many, n, 0.01),
						.cell = q->worst };
	ret->grubbs = (struct precision_test){ .value = NAN,
					       .at_5 = precision_grubbs_at(ret->p, 0.05),
					       .at_1 = precision_grubbs_at(ret->p, 0.01) };
	for (size_t c = 0; c < PRECISION_CELLS; c++) {
		struct precision_cell *x = &ret->cell[c];
		if (x->n == 0)
			continue;
		x->h = ret->p > 2 && ret->s_means > 0 ? (x->mean - q->grand) / ret->s_means : NAN;
		x->k = x->n > 1 && ret->s_r > 0 ? x->sd / ret->s_r : NAN;
		x->h_mark = mark_of(fabs(x->h), ret->h_5, ret->h_1);
		x->k_mark = mark_of(x->k, ret->k_5, ret->k_1);
		if (isfinite(x->h) && !(fabs(x->h) <= ret->grubbs.value)) {
			ret->grubbs.value = fabs(x->h);
			ret->grubbs.cell = c;
		}
	}
	ret->cochran.mark = mark_of(ret->cochran.value, ret->cochran.at_5, ret->cochran.at_1);
	ret->grubbs.mark = mark_of(ret->grubbs.value, ret->grubbs.at_5, ret->grubbs.at_1);
}

enum rc precision_of(const double *y, const size_t *cell, size_t n, double confidence, struct precision *ret,
		     struct err *err)
{
	*ret = (struct precision){ 0 };
	if (!(confidence > 0 && confidence < 1))
		return err_set(err, RC_ARG, 0, "a confidence of %g is not between 0 and 1", confidence);
	enum rc rc = fill_cells(y, cell, n, ret, err);
	if (rc != RC_OK)
		return rc;
	struct squares q = squares_of(ret);
	ret->s_r = sqrt(q.within);
	ret->s_L = sqrt(fmax(q.between - q.within, 0) / ret->n_bar);
	ret->s_R = hypot(ret->s_L, ret->s_r);
	ret->F = q.within > 0 ? q.between / q.within : NAN;
	ret->p_value = isfinite(ret->F) ? gsl_cdf_fdist_Q(ret->F, (double)ret->p - 1, ret->dof_r) : NAN;
	intervals(ret, &q, confidence);
	judge(ret, &q);
	return RC_OK;
}
