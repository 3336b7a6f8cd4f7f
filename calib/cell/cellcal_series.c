/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/torquecal_private.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define POSITIONS_MAX 16
#define LOOP_STEPS 50

static const struct cellcal_reading *reading(const struct cellcal_work *w, size_t i)
{
	return &w->in->readings[i];
}

static bool same_load(const struct cellcal_work *w, size_t i, size_t j)
{
	return !(fabs(reading(w, i)->load.torque_Nm - reading(w, j)->load.torque_Nm) > 1e-9 * w->max_abs_Nm);
}

/* Largest range, at one load, of the rising readings of different series in one position. */
static double repeatability(const struct cellcal_work *w)
{
	double worst = NAN;

	for (size_t i = 0; i < w->in->n; i++)
		for (size_t j = 0; j < i; j++) {
			const struct cellcal_reading *a = reading(w, i), *b = reading(w, j);
			if (!w->used[i] || !w->used[j] || a->series == b->series || a->position != b->position ||
			    a->direction != CELLCAL_UP || b->direction != CELLCAL_UP || !same_load(w, i, j))
				continue;
			worst = fmax(worst, fabs(w->y[i] - w->y[j]));
		}
	return worst;
}

/* Mean of the rising readings of a position at the load of reading i. */
static double position_mean(const struct cellcal_work *w, int position, size_t i)
{
	double sum = 0, n = 0;

	for (size_t j = 0; j < w->in->n; j++)
		if (w->used[j] && reading(w, j)->position == position && reading(w, j)->direction == CELLCAL_UP &&
		    same_load(w, i, j)) {
			sum += w->y[j];
			n++;
		}
	return n > 0 ? sum / n : NAN;
}

static double reproducibility(const struct cellcal_work *w)
{
	double worst = NAN;

	for (size_t i = 0; i < w->in->n; i++) {
		double low = NAN, high = NAN;
		if (!w->used[i])
			continue;
		for (size_t j = 0; j < w->in->n; j++) {
			double mean = position_mean(w, reading(w, j)->position, i);
			low = fmin(low, mean);
			high = fmax(high, mean);
		}
		bool several = false;
		for (size_t j = 0; j < w->in->n; j++)
			several = several || (reading(w, j)->position != reading(w, i)->position &&
					      isfinite(position_mean(w, reading(w, j)->position, i)));
		if (several)
			worst = fmax(worst, high - low);
	}
	return worst;
}

static double zero_return(const struct cellcal_work *w)
{
	double worst = NAN;

	for (size_t i = 0; i < w->in->n; i++) {
		size_t last = i;
		if (!w->tared[i] || w->used[i])
			continue;
		for (size_t j = 0; j < w->in->n; j++)
			if (reading(w, j)->series == reading(w, i)->series && !w->used[j])
				last = j > last ? j : last;
		if (last != i)
			worst = fmax(worst, fabs(w->y[last] - w->y[i]));
	}
	return worst;
}

/* Loop width with both branches as curves: their scatter does not pass for hysteresis. */
static double loop_by_fits(const struct cellcal_work *w, const struct poly *p, bool *mark, struct poly branch[2])
{
	double low = -INFINITY, high = INFINITY, worst = 0;

	for (int d = 0; d < 2; d++) {
		double from = INFINITY, to = -INFINITY;
		for (size_t i = 0; i < w->in->n; i++) {
			mark[i] = reading(w, i)->direction == (d ? CELLCAL_DOWN : CELLCAL_UP);
			if (!mark[i] || !w->used[i])
				continue;
			from = fmin(from, reading(w, i)->load.torque_Nm);
			to = fmax(to, reading(w, i)->load.torque_Nm);
		}
		low = fmax(low, from);
		high = fmin(high, to);
		if (poly_fit_some(w, p->degree, p->origin, mark, &branch[d], NULL))
			return NAN;
	}
	if (!(low < high))
		return NAN;
	for (int k = 0; k <= LOOP_STEPS; k++) {
		double torque = low + (high - low) * k / LOOP_STEPS;
		worst = fmax(worst, fabs(poly_value(branch[1].coef, torque) - poly_value(branch[0].coef, torque)));
	}
	return worst;
}

/* The same load by load, for branches too short to be fitted. */
static double loop_by_loads(const struct cellcal_work *w)
{
	double worst = NAN;

	for (size_t i = 0; i < w->in->n; i++) {
		double sum[2] = { 0 }, n[2] = { 0 };
		if (!w->used[i])
			continue;
		for (size_t j = 0; j < w->in->n; j++)
			if (w->used[j] && same_load(w, i, j)) {
				sum[reading(w, j)->direction == CELLCAL_DOWN] += w->y[j];
				n[reading(w, j)->direction == CELLCAL_DOWN]++;
			}
		if (n[0] > 0 && n[1] > 0)
			worst = fmax(worst, fabs(sum[1] / n[1] - sum[0] / n[0]));
	}
	return worst;
}

static double variance_at(const struct poly *p, double torque_Nm)
{
	double sum = 0;

	for (size_t j = 0; j < CELLCAL_COEFS; j++)
		for (size_t k = 0; k < CELLCAL_COEFS; k++)
			sum += p->cov[j][k] * pow(torque_Nm, (double)(j + k));
	return sum;
}

/* A mounting changes the sensitivity as a whole. Its spread is what the positions' curves differ by at the largest
 * load beyond their own scatter; a later mounting differs from the mean, in which each
 * has the share q of its readings, by that times sqrt(1 + sum q^2). */
static double mounting_frac(const struct cellcal_work *w, const struct poly *p, bool *mark, double *ret_dof)
{
	double value[POSITIONS_MAX], noise = 0, at = w->max_abs_Nm, mean = 0, spread = 0, shares = 0;
	size_t k = 0;

	for (size_t i = 0; i < w->in->n && k < POSITIONS_MAX; i++) {
		struct poly one;
		bool first = true;
		for (size_t j = 0; j < i; j++)
			first = first && reading(w, j)->position != reading(w, i)->position;
		if (!first)
			continue;
		for (size_t j = 0; j < w->in->n; j++)
			mark[j] = reading(w, j)->position == reading(w, i)->position;
		if (poly_fit_some(w, p->degree, p->origin, mark, &one, NULL))
			return NAN;
		value[k++] = poly_value(one.coef, at);
		noise += variance_at(&one, at);
		shares += pow((double)one.lsq.n / (double)w->n_used, 2);
	}
	if (k < 2)
		return NAN;
	double n = (double)k;
	for (size_t i = 0; i < k; i++)
		mean += value[i] / n;
	for (size_t i = 0; i < k; i++)
		spread += (value[i] - mean) * (value[i] - mean) / (n - 1);
	/* Of two or three mountings the variance comes out too small more often than not: taken so that it is as
	 * often too large. */
	spread *= (n - 1) / gsl_cdf_chisq_Pinv(0.5, n - 1);
	double beyond = spread - noise / n;
	/* Satterthwaite's degrees of freedom of a difference of variances. */
	double dof = beyond * beyond / (spread * spread / (n - 1) + noise * noise / (n * n) / p->cov_dof);
	*ret_dof = fmax(dof, 1);
	return beyond > 0 ? sqrt(beyond * (1 + shares)) / fabs(mean) : 0;
}

void cellcal_add_mounting(struct cellcal *cal, double frac, double dof)
{
	if (!(frac > 0) || cal->n_sources >= CELLCAL_SOURCES)
		return;
	struct cellcal_source *source = &cal->source[cal->n_sources];
	*source = (struct cellcal_source){ .name = "mounting of the cell", .dof = dof, .dist = DIST_NORMAL };
	for (size_t j = 1; j < CELLCAL_COEFS; j++) {
		cal->dcoef[cal->n_sources][j] = frac * cal->coef[j];
		cal->branches.drise[cal->n_sources][j] = frac * cal->branches.rise[j];
	}
	cal->n_sources++;
}

/* Somewhere between the branches, nobody knows where: the half loop as a curve of its own, rectangular. */
static void add_loop(const struct poly branch[2], struct cellcal *cal)
{
	if (cal->n_sources >= CELLCAL_SOURCES)
		return;
	struct cellcal_source *source = &cal->source[cal->n_sources];
	*source = (struct cellcal_source){ .name = CELLCAL_LOOP, .dof = INFINITY, .dist = DIST_RECT };
	for (size_t j = 0; j < CELLCAL_COEFS; j++)
		cal->dcoef[cal->n_sources][j] = (branch[1].coef[j] - branch[0].coef[j]) / (2 * sqrt(3));
	cal->n_sources++;
}

enum rc cellcal_evaluate(const struct cellcal_work *w, const struct poly *p, struct cellcal *cal, struct err *err)
{
	double middle = 0.5 * (cal->max_Nm + cal->min_Nm), per_unit = fabs(1 / poly_slope(cal->coef, middle));
	bool *mark = calloc(w->in->n, sizeof *mark);

	if (!mark)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu readings", w->in->n);
	double largest = 0;
	for (size_t i = 0; i < w->in->n; i++)
		largest = fmax(largest, fabs(w->y[i]));
	if (!isfinite(per_unit) || !((cal->max_Nm - cal->min_Nm) / per_unit > 1e-12 * largest)) {
		free(mark);
		return err_set(err, RC_SINGULAR, 0,
			       "the indication does not change with the load: is the cell connected, and loaded?");
	}
	struct poly branch[2];
	double loop = loop_by_fits(w, p, mark, branch);
	if (isfinite(loop) && !cal->branches.known)
		add_loop(branch, cal);
	cal->reversibility_Nm = per_unit * (isfinite(loop) ? loop : loop_by_loads(w));
	cal->repeatability_Nm = per_unit * repeatability(w);
	cal->reproducibility_Nm = per_unit * reproducibility(w);
	cal->zero_return_Nm = per_unit * zero_return(w);
	cal->resolution_Nm = w->in->resolution > 0 ? per_unit * w->in->resolution : NAN;
	double mounting_dof = NAN, mounting = cal->branches.known ? NAN : mounting_frac(w, p, mark, &mounting_dof);
	cellcal_add_mounting(cal, mounting, mounting_dof);
	free(mark);

	struct torque_eval eval;
	torquecal_work(w, cal, NULL, &eval);
	cal->class_value = eval.class_value;
	memcpy(cal->class_note, eval.note, sizeof cal->class_note);
	return RC_OK;
}
