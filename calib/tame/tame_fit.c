/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/tame/tame_identify_private.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_linalg.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define STATES 4 /* rotor's angle, its speed, twist, arm's speed */
#define ITERATIONS 60
#define ARRIVED 1e-9
#define ARRIVED_U 0.01

static const int of_two[] = { TF_ROTOR,   TF_ARM,    TF_STIFFNESS, TF_DAMPING,
			      TF_VISCOUS, TF_OFFSET, TF_SPEED,     TF_TWIST_SPEED };
static const int of_one[] = { TF_ROTOR, TF_VISCOUS, TF_OFFSET, TF_SPEED };

static size_t listed(const struct tame_fit *f, int *ret)
{
	size_t n = f->two ? sizeof of_two / sizeof of_two[0] : sizeof of_one / sizeof of_one[0];

	memcpy(ret, f->two ? of_two : of_one, n * sizeof *ret);
	return n;
}

/* State and torque over one step, exactly: exp of the whole. */
static bool discrete(const struct tame_fit *f, double ret[STATES][STATES + 1])
{
	double rotor = exp(f->value[TF_ROTOR]), b = f->value[TF_VISCOUS], h = f->step_s;
	double a[25] = { 0 }, e[25];

	a[1] = 1;
	a[6] = -b / rotor;
	a[9] = 1 / rotor;
	if (f->two) {
		double arm = exp(f->value[TF_ARM]), k = exp(f->value[TF_STIFFNESS]), c = f->value[TF_DAMPING];
		a[6] -= c / rotor;
		a[7] = -k / rotor;
		a[8] = c / rotor;
		a[11] = 1;
		a[13] = -1;
		a[16] = c / arm;
		a[17] = k / arm;
		a[18] = -c / arm;
	}
	for (int i = 0; i < 25; i++) {
		a[i] *= h;
		if (!isfinite(a[i]) || fabs(a[i]) > 1e6)
			return false;
	}
	gsl_matrix_const_view from = gsl_matrix_const_view_array(a, 5, 5);
	gsl_matrix_view to = gsl_matrix_view_array(e, 5, 5);
	if (gsl_linalg_exponential_ss(&from.matrix, &to.matrix, GSL_PREC_DOUBLE) != GSL_SUCCESS)
		return false;
	for (int i = 0; i < STATES; i++)
		memcpy(ret[i], e + 5 * i, (STATES + 1) * sizeof(double));
	return true;
}

void tame_fit_residuals(const struct tame_fit *f, double *ret)
{
	const struct tame_record *r = f->record;
	double m[STATES][STATES + 1], x[STATES] = { 0, f->value[TF_SPEED], 0, f->value[TF_SPEED] };
	bool good = discrete(f, m);

	if (f->two)
		x[3] += f->value[TF_TWIST_SPEED];
	for (size_t i = 0; i < r->n; i++) {
		double torque = r->torque_Nm[i] - f->value[TF_OFFSET], next[STATES];
		ret[i] = x[1] - r->speed_rad_per_s[i];
		if (!good || !isfinite(ret[i]))
			ret[i] = 1e6;
		for (int k = 0; k < STATES; k++)
			next[k] = m[k][0] * x[0] + m[k][1] * x[1] + m[k][2] * x[2] + m[k][3] * x[3] + m[k][4] * torque;
		memcpy(x, next, sizeof x);
	}
}

double tame_fit_rss(const struct tame_fit *f, double *scratch)
{
	double sum = 0;

	tame_fit_residuals(f, scratch);
	for (size_t i = 0; i < f->record->n; i++)
		sum += scratch[i] * scratch[i];
	return sum;
}

struct call {
	struct tame_fit fit;
	double *row; /* n residuals: GSL's vectors have a stride */
	int list[TF_PARAMS];
};

static int residuals(const gsl_vector *at, void *ctx, gsl_vector *ret)
{
	struct call *c = ctx;

	for (size_t i = 0; i < c->fit.p; i++)
		c->fit.value[c->list[i]] = gsl_vector_get(at, i);
	tame_fit_residuals(&c->fit, c->row);
	for (size_t i = 0; i < ret->size; i++)
		gsl_vector_set(ret, i, c->row[i]);
	return GSL_SUCCESS;
}

static void take(const struct call *c, const gsl_multifit_nlinear_workspace *w, const gsl_matrix *cov,
		 struct tame_fit *ret)
{
	const gsl_vector *f = gsl_multifit_nlinear_residual(w), *x = gsl_multifit_nlinear_position(w);

	ret->p = c->fit.p;
	ret->rss = 0;
	for (size_t i = 0; i < f->size; i++)
		ret->rss += gsl_vector_get(f, i) * gsl_vector_get(f, i);
	double variance = ret->rss / (double)(f->size - c->fit.p);
	memset(ret->cov, 0, sizeof ret->cov);
	for (size_t i = 0; i < c->fit.p; i++) {
		ret->value[c->list[i]] = gsl_vector_get(x, i);
		for (size_t k = 0; k < c->fit.p; k++)
			ret->cov[c->list[i]][c->list[k]] = variance * gsl_matrix_get(cov, i, k);
	}
}

/* Each parameter's own step to the least squares, in units of its u: the cosine between its column of the Jacobian and
 * the residuals, times sqrt(n). By this and not by the driver's word: it says "no progress" at a minimum that is flat
 * beside the rounding. */
static bool arrived(const gsl_multifit_nlinear_workspace *w)
{
	const gsl_matrix *jac = gsl_multifit_nlinear_jac(w);
	const gsl_vector *f = gsl_multifit_nlinear_residual(w);
	double far = 0, norm = gsl_blas_dnrm2(f);

	for (size_t k = 0; k < jac->size2; k++) {
		gsl_vector_const_view column = gsl_matrix_const_column(jac, k);
		double product = NAN;
		gsl_blas_ddot(&column.vector, f, &product);
		double cosine = fabs(product) / (gsl_blas_dnrm2(&column.vector) * norm);
		far = fmax(far, isfinite(cosine) ? cosine : INFINITY);
	}
	return far * sqrt((double)f->size) <= ARRIVED_U;
}

enum rc tame_fit_run(struct tame_fit *f, struct err *err)
{
	struct call c = { .fit = *f, .row = calloc(f->record->n, sizeof(double)) };
	gsl_multifit_nlinear_parameters how = gsl_multifit_nlinear_default_parameters();
	double start[TF_PARAMS];
	int info = 0, failed = 1, end = GSL_FAILURE;

	c.fit.p = listed(f, c.list);
	for (size_t i = 0; i < c.fit.p; i++)
		start[i] = f->value[c.list[i]];
	how.fdtype = GSL_MULTIFIT_NLINEAR_CTRDIFF;
	how.h_df = 1e-6;
	gsl_multifit_nlinear_fdf function = { .f = residuals, .n = f->record->n, .p = c.fit.p, .params = &c };
	gsl_vector_const_view from = gsl_vector_const_view_array(start, c.fit.p);
	gsl_multifit_nlinear_workspace *w =
		gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &how, f->record->n, c.fit.p);
	gsl_matrix *cov = gsl_matrix_alloc(c.fit.p, c.fit.p);
	if (c.row && w && cov && gsl_multifit_nlinear_init(&from.vector, &function, w) == GSL_SUCCESS) {
		end = gsl_multifit_nlinear_driver(ITERATIONS, ARRIVED, ARRIVED, ARRIVED, NULL, NULL, &info, w);
		failed = end != GSL_SUCCESS && end != GSL_ENOPROG && end != GSL_EMAXITER;
		failed = failed || gsl_multifit_nlinear_covar(gsl_multifit_nlinear_jac(w), 0, cov) != GSL_SUCCESS;
	}
	if (!failed) {
		take(&c, w, cov, f);
		f->ended = end == GSL_SUCCESS || arrived(w);
	}
	free(c.row);
	gsl_matrix_free(cov);
	gsl_multifit_nlinear_free(w);
	return failed ? err_set(err, RC_SINGULAR, 0, "no joint of this kind fits the record") : RC_OK;
}
