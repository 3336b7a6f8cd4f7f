/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/cellcal.h"

#include "calib/cell/cellcal_private.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Too many series for their tares to be kept apart would be a slip of the caller, not a calibration. */
#define SERIES_MAX 64

static enum rc check_reading(const struct cellcal_input *in, size_t i, struct err *err)
{
	const struct cellcal_reading *r = &in->readings[i];

	if (!isfinite(r->load.torque_Nm) || !isfinite(r->indication) || !isfinite(r->u_indication))
		return err_set(err, RC_ARG, 0, "reading %zu of %zu: torque and indication must be finite numbers",
			       i + 1, in->n);
	if (r->u_indication < 0)
		return err_set(err, RC_ARG, 0, "reading %zu of %zu: the standard error %g is negative", i + 1, in->n,
			       r->u_indication);
	if (fabs(r->load.torque_Nm) > 1e12 || fabs(r->indication) > 1e60)
		return err_set(err, RC_RANGE, 0,
			       "reading %zu of %zu: %g N·m, indication %g is too large to compute with", i + 1, in->n,
			       r->load.torque_Nm, r->indication);
	for (size_t s = 0; s < in->n_sources; s++)
		if (!isfinite(r->load.shift_Nm[s]))
			return err_set(err, RC_ARG, 0, "reading %zu of %zu: the shift by \"%s\" is not a finite number",
				       i + 1, in->n, in->sources[s].name);
	return RC_OK;
}

static enum rc check_series(const struct cellcal_input *in, struct err *err)
{
	for (size_t i = 0; i < in->n; i++) {
		bool other = false, first = true;
		for (size_t j = 0; j < in->n; j++) {
			if (in->readings[j].series != in->readings[i].series)
				continue;
			first = first && !(j < i);
			other = other || fabs(in->readings[j].load.torque_Nm - in->readings[i].load.torque_Nm) > 0;
		}
		if (first && !other)
			return err_set(err, RC_ARG, 0,
				       "series %d has one load only (%g N·m); a series needs at least two",
				       in->readings[i].series, in->readings[i].load.torque_Nm);
	}
	return RC_OK;
}

static enum rc check(const struct cellcal_input *in, struct err *err)
{
	enum rc rc;

	if (in->n_sources > CELLCAL_SOURCES)
		return err_set(err, RC_ARG, 0, "a calibration keeps at most %d common sources, got %zu",
			       CELLCAL_SOURCES, in->n_sources);
	if (in->n < 2)
		return err_set(err, RC_ARG, 0, "a calibration needs at least 2 readings, got %zu", in->n);
	for (size_t i = 0; i < in->n; i++)
		if ((rc = check_reading(in, i, err)))
			return rc;
	for (size_t i = 1; i < in->n; i++)
		if (fabs(in->readings[i].load.torque_Nm - in->readings[0].load.torque_Nm) > 0)
			return check_series(in, err);
	return err_set(err, RC_SINGULAR, 0,
		       "every reading has the same load (%g N·m); a calibration needs different ones",
		       in->readings[0].load.torque_Nm);
}

/* Tare, and which readings carry a load: the reading that was taken as zero says nothing more. */
static void tare_all(const struct cellcal_input *in, struct cellcal_work *w)
{
	for (size_t i = 0; i < in->n; i++) {
		const struct cellcal_reading *r = &in->readings[i];
		size_t zero = in->n;
		for (size_t j = 0; j < in->n && zero == in->n; j++)
			if (in->readings[j].series == r->series && !(fabs(in->readings[j].load.torque_Nm) > 0))
				zero = j;
		w->tared[i] = zero < in->n;
		w->y[i] = r->indication - (w->tared[i] ? in->readings[zero].indication : 0);
		w->used[i] = !w->tared[i] || fabs(r->load.torque_Nm) > 0;
		w->n_used += w->used[i] ? 1 : 0;
		w->max_abs_Nm = fmax(w->max_abs_Nm, fabs(r->load.torque_Nm));
		for (size_t j = 0; j < i; j++)
			w->paired = w->paired ||
				    (in->readings[j].series == r->series && in->readings[j].direction != r->direction &&
				     fabs(r->load.torque_Nm) > 0 && fabs(in->readings[j].load.torque_Nm) > 0);
	}
}

enum rc cellcal_work_new(const struct cellcal_input *in, struct cellcal_work *w, struct err *err)
{
	*w = (struct cellcal_work){ .in = in };
	w->y = calloc(in->n, sizeof *w->y);
	w->used = calloc(in->n, sizeof *w->used);
	w->tared = calloc(in->n, sizeof *w->tared);
	if (!w->y || !w->used || !w->tared)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu readings", in->n);
	tare_all(in, w);
	return RC_OK;
}

void cellcal_work_free(struct cellcal_work *w)
{
	free(w->y);
	free(w->used);
	free(w->tared);
}

/* Is the highest term more than scatter, at 5 %? */
static bool significant(const struct poly *p)
{
	double t = p->coef[p->degree] / sqrt(p->cov[p->degree][p->degree]);

	return p->dof >= 1 && fabs(t) > gsl_cdf_tdist_Qinv(0.025, p->dof);
}

/* AUTO: the lowest degree that passes the test for lack of fit and whose next term says nothing. The second is the
 * sharper test of a bend: the first spreads it over all loads. */
static enum rc pick_model(const struct cellcal_work *w, struct poly *ret, struct err *err)
{
	static const int degree_of[] = {
		[CELLCAL_ORIGIN] = 1, [CELLCAL_LINE] = 1, [CELLCAL_QUADRATIC] = 2, [CELLCAL_CUBIC] = 3
	};
	enum rc rc;

	if (w->in->model != CELLCAL_AUTO)
		return poly_fit(w, degree_of[w->in->model], w->in->model == CELLCAL_ORIGIN, ret, err);
	struct poly p[CELLCAL_COEFS];
	int tried = 0;
	for (int degree = 1; degree < CELLCAL_COEFS; degree++) {
		rc = poly_fit(w, degree, false, &p[degree], degree == 1 ? err : NULL);
		if (rc && degree == 1)
			return rc;
		if (rc)
			break;
		tried = degree;
	}
	int best = 1;
	for (int degree = 1; degree <= tried; degree++) {
		bool bends = degree < tried && significant(&p[degree + 1]);
		if (isfinite(p[degree].lof_p) && p[degree].lof_p > 0.05 && !bends) {
			best = degree;
			break;
		}
		if (p[degree].aicc < p[best].aicc)
			best = degree;
	}
	*ret = p[best];
	return RC_OK;
}

static void take_fit(const struct poly *p, struct cellcal *cal)
{
	static const enum cellcal_model model_of[] = { CELLCAL_AUTO, CELLCAL_LINE, CELLCAL_QUADRATIC, CELLCAL_CUBIC };

	cal->model = p->origin ? CELLCAL_ORIGIN : model_of[p->degree];
	cal->degree = p->degree;
	memcpy(cal->coef, p->coef, sizeof cal->coef);
	memcpy(cal->cov, p->cov, sizeof cal->cov);
	cal->residual_sd = p->residual_sd;
	cal->dof = p->cov_dof;
	cal->lack_of_fit_F = p->lof_F;
	cal->lack_of_fit_p = p->lof_p;
	cal->lack_of_fit_dof1 = p->lof_dof1;
	cal->lack_of_fit_dof2 = p->lof_dof2;
}

static void take_sources(const struct cellcal_work *w, const struct poly *p, struct cellcal *cal)
{
	cal->n_sources = w->in->n_sources;
	for (size_t s = 0; s < cal->n_sources; s++) {
		cal->source[s] = w->in->sources[s];
		poly_shift(w, p, s, cal->dcoef[s]);
	}
}

static void take_range(const struct cellcal_work *w, struct cellcal *cal)
{
	cal->max_Nm = -INFINITY;
	cal->min_Nm = INFINITY;
	for (size_t i = 0; i < w->in->n; i++) {
		cal->max_Nm = fmax(cal->max_Nm, w->in->readings[i].load.torque_Nm);
		cal->min_Nm = fmin(cal->min_Nm, w->in->readings[i].load.torque_Nm);
	}
}

/* An outlier by the deleted residual, Bonferroni's bound over all readings at 5 %. */
static void take_points(const struct cellcal_work *w, const struct poly *p, struct cellcal_point *points)
{
	double limit = p->dof > 1 ? gsl_cdf_tdist_Qinv(0.025 / (double)w->n_used, p->dof - 1) : INFINITY;

	for (size_t i = 0; i < w->in->n; i++) {
		const struct cellcal_reading *r = &w->in->readings[i];
		struct cellcal_point *q = &points[i];
		*q = (struct cellcal_point){ .series = r->series,
					     .position = r->position,
					     .direction = r->direction,
					     .torque_Nm = r->load.torque_Nm,
					     .indication = w->y[i],
					     .studentised = NAN };
		q->residual = w->y[i] - poly_value(p->coef, r->load.torque_Nm);
		if (!w->used[i])
			continue;
		double rest = 1 - poly_leverage(p, r->load.torque_Nm);
		if (!(rest > 1e-10) || !(p->residual_sd > 0))
			continue;
		q->studentised = q->residual / (p->residual_sd * sqrt(rest));
		double t2 = q->studentised * q->studentised;
		double deleted = p->dof > t2 ? fabs(q->studentised) * sqrt((p->dof - 1) / (p->dof - t2)) : INFINITY;
		q->outlier = deleted > limit;
	}
}

enum rc cellcal_fit(const struct cellcal_input *in, struct cellcal *ret, struct cellcal_point *ret_points,
		    struct err *err)
{
	struct cellcal_work w;
	struct poly p;
	enum rc rc = check(in, err);

	if (rc)
		return rc;
	if ((rc = cellcal_work_new(in, &w, err)) || (rc = pick_model(&w, &p, err)))
		goto out;
	struct cellcal cal = { 0 };
	take_fit(&p, &cal);
	take_sources(&w, &p, &cal);
	take_range(&w, &cal);
	cellcal_branches_fit(&w, &cal);
	if ((rc = cellcal_evaluate(&w, &p, &cal, err)))
		goto out;
	if (ret_points)
		take_points(&w, &p, ret_points);
	*ret = cal;
out:
	cellcal_work_free(&w);
	return rc;
}
