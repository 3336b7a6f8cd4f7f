/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/cellcal_private.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

static size_t n_terms(const struct poly *p)
{
	return (size_t)p->degree + (p->origin ? 0 : 1);
}

static void terms(const struct poly *p, double torque_Nm, struct dd row[LSQ_TERMS])
{
	struct dd t = dd_of(torque_Nm / p->scale_Nm), power = p->origin ? t : dd_of(1);

	for (size_t j = 0; j < n_terms(p); j++) {
		row[j] = power;
		power = dd_mul(power, t);
	}
}

/* From powers of T / scale to powers of T; scale is a power of two, so this is exact. */
static void to_plain(const struct poly *p, const struct dd *scaled, double ret_coef[CELLCAL_COEFS])
{
	double divisor = p->origin ? p->scale_Nm : 1;

	memset(ret_coef, 0, sizeof(double[CELLCAL_COEFS]));
	for (size_t j = 0; j < n_terms(p); j++) {
		ret_coef[j + (p->origin ? 1 : 0)] = dd_to(scaled[j]) / divisor;
		divisor *= p->scale_Nm;
	}
}

double poly_value(const double coef[CELLCAL_COEFS], double torque_Nm)
{
	return coef[0] + torque_Nm * (coef[1] + torque_Nm * (coef[2] + torque_Nm * coef[3]));
}

double poly_slope(const double coef[CELLCAL_COEFS], double torque_Nm)
{
	return coef[1] + torque_Nm * (2 * coef[2] + torque_Nm * 3 * coef[3]);
}

double poly_leverage(const struct poly *p, double torque_Nm)
{
	struct dd row[LSQ_TERMS];

	terms(p, torque_Nm, row);
	return lsq_leverage(&p->lsq, row);
}

static bool in_fit(const struct cellcal_work *w, const bool *subset, size_t i)
{
	return w->used[i] && (!subset || subset[i]);
}

/* Coefficients of the same fit to other ordinates. */
static void refit(const struct cellcal_work *w, const struct poly *p, const bool *subset, const double *y,
		  struct dd *ret_scaled)
{
	struct dd row[LSQ_TERMS], v[LSQ_TERMS] = { { 0, 0 } };
	size_t m = n_terms(p);

	for (size_t i = 0; i < w->in->n; i++) {
		if (!in_fit(w, subset, i))
			continue;
		terms(p, w->in->readings[i].load.torque_Nm, row);
		for (size_t j = 0; j < m; j++)
			v[j] = dd_add(v[j], dd_mul(row[j], dd_of(y[i])));
	}
	for (size_t j = 0; j < m; j++) { /* inv (inv' X'y): well conditioned, and in double-double */
		ret_scaled[j] = dd_of(0);
		for (size_t k = j; k < m; k++) {
			struct dd inner = dd_of(0);
			for (size_t l = 0; l <= k; l++)
				inner = dd_add(inner, dd_mul(p->inv[l][k], v[l]));
			ret_scaled[j] = dd_add(ret_scaled[j], dd_mul(p->inv[j][k], inner));
		}
	}
}

void poly_shift(const struct cellcal_work *w, const struct poly *p, size_t source, double ret_dcoef[CELLCAL_COEFS])
{
	struct dd scaled[LSQ_TERMS];
	double *dy = calloc(w->in->n, sizeof *dy);

	memset(ret_dcoef, 0, sizeof(double[CELLCAL_COEFS]));
	if (!dy) {
		ret_dcoef[0] = NAN; /* shows in every torque: nothing is understated */
		return;
	}
	for (size_t i = 0; i < w->in->n; i++) {
		const struct cellcal_load *load = &w->in->readings[i].load;
		dy[i] = -poly_slope(p->coef, load->torque_Nm) * load->shift_Nm[source];
	}
	refit(w, p, NULL, dy, scaled);
	to_plain(p, scaled, ret_dcoef);
	free(dy);
}

/* The noise of a zero reading moves its whole series, which the scatter about the fit does not show as such. With g
 * the refit of 1 over a series, the covariance is s^2 ((X'X)^-1 + sum g g'). Adds the sum to ret. */
static enum rc add_tares(const struct cellcal_work *w, const struct poly *p, const bool *subset,
			 double ret[LSQ_TERMS][LSQ_TERMS], struct err *err)
{
	const struct cellcal_input *in = w->in;
	double *ones = calloc(in->n, sizeof *ones);

	if (!ones)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu readings", in->n);
	for (size_t i = 0; i < in->n; i++) {
		bool first = in_fit(w, subset, i) && w->tared[i];
		for (size_t j = 0; j < i; j++)
			first = first && !(in_fit(w, subset, j) && in->readings[j].series == in->readings[i].series);
		if (!first)
			continue;
		struct dd g[LSQ_TERMS];
		for (size_t j = 0; j < in->n; j++)
			ones[j] = in->readings[j].series == in->readings[i].series ? 1 : 0;
		refit(w, p, subset, ones, g);
		for (size_t j = 0; j < n_terms(p); j++)
			for (size_t k = 0; k < n_terms(p); k++)
				ret[j][k] += dd_to(g[j]) * dd_to(g[k]);
	}
	free(ones);
	return RC_OK;
}

static enum rc covariance(const struct cellcal_work *w, struct poly *p, const bool *subset, struct err *err)
{
	double shape[LSQ_TERMS][LSQ_TERMS] = { { 0 } }, scale[CELLCAL_COEFS], s2;
	size_t m = n_terms(p), first = p->origin ? 1 : 0;
	enum rc rc = cellcal_noise(w, p, subset, &s2, &p->cov_dof, err);

	if (rc || (rc = add_tares(w, p, subset, shape, err)))
		return rc;
	for (size_t j = 0; j < m; j++)
		scale[j] = pow(p->scale_Nm, (double)(j + first));
	for (size_t j = 0; j < m; j++)
		for (size_t k = 0; k < m; k++) {
			for (size_t l = 0; l < m; l++)
				shape[j][k] += dd_to(dd_mul(p->inv[j][l], p->inv[k][l]));
			p->cov[j + first][k + first] = s2 * shape[j][k] / (scale[j] * scale[k]);
		}
	return RC_OK;
}

struct level {
	double torque_Nm, y;
};

static int by_torque(const void *a, const void *b)
{
	double x = ((const struct level *)a)->torque_Nm, y = ((const struct level *)b)->torque_Nm;

	return (x > y) - (x < y);
}

static enum rc lack_of_fit(const struct cellcal_work *w, struct poly *p, const bool *subset, struct err *err)
{
	struct level *level = calloc(w->in->n, sizeof *level);
	size_t n = 0, levels = 0;
	double pure = 0;

	p->lof_F = p->lof_p = p->lof_dof1 = p->lof_dof2 = NAN;
	if (!level)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu readings", w->in->n);
	for (size_t i = 0; i < w->in->n; i++)
		if (in_fit(w, subset, i))
			level[n++] = (struct level){ w->in->readings[i].load.torque_Nm, w->y[i] };
	qsort(level, n, sizeof *level, by_torque);
	for (size_t i = 0, j; i < n; i = j, levels++) {
		double mean = 0;
		for (j = i; j < n && !(level[j].torque_Nm > level[i].torque_Nm); j++)
			mean += (level[j].y - level[i].y);
		mean = level[i].y + mean / (double)(j - i);
		for (size_t k = i; k < j; k++)
			pure += (level[k].y - mean) * (level[k].y - mean);
	}
	free(level);
	if (levels <= n_terms(p) || n <= levels)
		return RC_OK;
	p->lof_dof1 = (double)(levels - n_terms(p));
	p->lof_dof2 = (double)(n - levels);
	p->lof_F = fmax(p->rss - pure, 0) / p->lof_dof1 / (pure / p->lof_dof2);
	if (!(pure > 0))
		p->lof_F = p->rss > 0 ? INFINITY : NAN;
	p->lof_p = isfinite(p->lof_F) ? gsl_cdf_fdist_Q(p->lof_F, p->lof_dof1, p->lof_dof2) : (p->rss > 0 ? 0 : NAN);
	return RC_OK;
}

static void scatter(const struct cellcal_work *w, struct poly *p, const bool *subset, const struct dd *scaled)
{
	struct dd rss = dd_of(0), row[LSQ_TERMS];
	double n = (double)p->lsq.n, m = (double)n_terms(p);

	for (size_t i = 0; i < w->in->n; i++) {
		if (!in_fit(w, subset, i))
			continue;
		struct dd r = dd_of(w->y[i]);
		terms(p, w->in->readings[i].load.torque_Nm, row);
		for (size_t j = 0; j < n_terms(p); j++)
			r = dd_sub(r, dd_mul(row[j], scaled[j]));
		rss = dd_add(rss, dd_mul(r, r));
	}
	p->rss = dd_to(rss);
	p->dof = n - m;
	p->residual_sd = p->dof > 0 ? sqrt(p->rss / p->dof) : NAN;
	/* Hurvich and Tsai, Biometrika 76 (1989) 297; the variance counts as a parameter. */
	double k = m + 1;
	p->aicc = n - k - 1 > 0 ? n * log(p->rss / n) + 2 * k * n / (n - k - 1) : INFINITY;
}

enum rc poly_fit_some(const struct cellcal_work *w, int degree, bool origin, const bool *subset, struct poly *ret,
		      struct err *err)
{
	struct poly p = { .degree = degree, .origin = origin };
	struct dd row[LSQ_TERMS], scaled[LSQ_TERMS];
	int exponent;

	frexp(w->max_abs_Nm, &exponent);
	p.scale_Nm = ldexp(1, exponent);
	lsq_begin(&p.lsq, n_terms(&p));
	for (size_t i = 0; i < w->in->n; i++)
		if (in_fit(w, subset, i)) {
			terms(&p, w->in->readings[i].load.torque_Nm, row);
			lsq_add(&p.lsq, row, dd_of(w->y[i]));
		}
	if (p.lsq.n < n_terms(&p) + 1)
		return err_set(err, RC_ARG, 0,
			       "a fit with %zu coefficients needs at least %zu loaded readings, got %zu", n_terms(&p),
			       n_terms(&p) + 1, p.lsq.n);
	if (lsq_deficient_term(&p.lsq) != LSQ_FULL_RANK)
		return err_set(err, RC_SINGULAR, 0, "too few different loads for a fit with %zu coefficients",
			       n_terms(&p));
	lsq_solve(&p.lsq, scaled);
	lsq_inverse(&p.lsq, p.inv);
	to_plain(&p, scaled, p.coef);
	scatter(w, &p, subset, scaled);
	enum rc rc = covariance(w, &p, subset, err);
	if (!rc)
		rc = lack_of_fit(w, &p, subset, err);
	if (!rc)
		*ret = p;
	return rc;
}

enum rc poly_fit(const struct cellcal_work *w, int degree, bool origin, struct poly *ret, struct err *err)
{
	return poly_fit_some(w, degree, origin, NULL, ret, err);
}
