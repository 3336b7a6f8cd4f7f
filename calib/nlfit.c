/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/nlfit.h"

#include <gsl/gsl_blas.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <math.h>
#include <stdbool.h>

#define MOST_ITERATIONS 500
#define STANDS_STILL 1e-7
#define REFUSED 1e100

struct job { const struct nlfit_model *model; const double *x, *y; size_t n; };

static int residuals(const gsl_vector *param, void *data, gsl_vector *f)
{
	const struct job *job = data;

	for (size_t i = 0; i < job->n; i++) {
		double value = job->model->value(gsl_vector_const_ptr(param, 0), job->x[i], job->model->ctx);
		/* An error here would end the search; a huge residual makes it take a smaller step. */
		gsl_vector_set(f, i, isfinite(value) ? value - job->y[i] : REFUSED);
	}
	return GSL_SUCCESS;
}

static int gradients(const gsl_vector *param, void *data, gsl_matrix *J)
{
	const struct job *job = data;

	for (size_t i = 0; i < job->n; i++)
		job->model->gradient(gsl_vector_const_ptr(param, 0), job->x[i], gsl_matrix_ptr(J, i, 0), job->model->ctx);
	return GSL_SUCCESS;
}

static enum rc check(const struct nlfit_model *model, const double *x, const double *y, const double *weight, size_t n,
		     const double *start, struct err *err)
{
	if (model->p < 1 || model->p > NLFIT_PARAMS)
		return err_set(err, RC_ARG, 0, "%zu parameters: expected 1 to %d", model->p, NLFIT_PARAMS);
	if (n < model->p + 1)
		return err_set(err, RC_ARG, 0, "%zu points are too few for %zu parameters and their uncertainty", n, model->p);
	for (size_t j = 0; j < model->p; j++)
		if (!isfinite(start[j]))
			return err_set(err, RC_ARG, 0, "start value %zu is not finite", j + 1);
	for (size_t i = 0; i < n; i++) {
		if (!isfinite(x[i]) || !isfinite(y[i]))
			return err_set(err, RC_ARG, 0, "point %zu of %zu is not finite", i + 1, n);
		if (!isfinite(model->value(start, x[i], model->ctx)))
			return err_set(err, RC_SINGULAR, 0, "from this start the curve has no finite value at x = %g", x[i]);
		if (weight && !(weight[i] > 0 && isfinite(weight[i])))
			return err_set(err, RC_ARG, 0, "point %zu of %zu: the weight %g is not positive", i + 1, n, weight[i]);
	}
	return RC_OK;
}

static enum rc take(gsl_multifit_nlinear_workspace *work, const struct job *job, struct nlfit *ret, struct err *err)
{
	struct nlfit fit = { .p = job->model->p, .dof = (double)(job->n - job->model->p) };
	gsl_matrix *cov = gsl_matrix_alloc(fit.p, fit.p);

	if (!cov)
		return err_set(err, RC_NOMEM, 0, "out of memory for a covariance");
	gsl_vector *f = gsl_multifit_nlinear_residual(work); /* weighted */
	gsl_blas_ddot(f, f, &fit.rss);
	fit.residual_sd = sqrt(fit.rss / fit.dof);
	fit.iterations = (int)gsl_multifit_nlinear_niter(work);
	gsl_multifit_nlinear_covar(gsl_multifit_nlinear_jac(work), 0, cov);
	bool known = true;
	for (size_t j = 0; j < fit.p; j++) {
		fit.param[j] = gsl_vector_get(gsl_multifit_nlinear_position(work), j);
		for (size_t k = 0; k < fit.p; k++)
			fit.cov[j][k] = fit.residual_sd * fit.residual_sd * gsl_matrix_get(cov, j, k);
		fit.u[j] = sqrt(fit.cov[j][j]);
		known = known && isfinite(fit.param[j]) && gsl_matrix_get(cov, j, j) > 0;
	}
	gsl_matrix_free(cov);
	if (!known)
		return err_set(err, RC_SINGULAR, 0, "the points do not determine every parameter of the curve");
	*ret = fit;
	return RC_OK;
}

enum rc nlfit(const struct nlfit_model *model, const double *x, const double *y, const double *weight, size_t n,
	      const double *start, struct nlfit *ret, struct err *err)
{
	enum rc rc = check(model, x, y, weight, n, start, err);
	struct job job = { model, x, y, n };
	int info = 0;

	if (rc)
		return rc;
	gsl_error_handler_t *before = gsl_set_error_handler_off();
	gsl_multifit_nlinear_parameters how = gsl_multifit_nlinear_default_parameters();
	how.solver = gsl_multifit_nlinear_solver_qr;
	how.fdtype = GSL_MULTIFIT_NLINEAR_CTRDIFF;
	gsl_multifit_nlinear_fdf fdf = { .f = residuals, .df = model->gradient ? gradients : NULL, .n = n, .p = model->p,
					 .params = &job };
	gsl_multifit_nlinear_workspace *work = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &how, n, model->p);
	gsl_vector_const_view first = gsl_vector_const_view_array(start, model->p);
	gsl_vector_const_view w = gsl_vector_const_view_array(weight ? weight : y, n);
	int status = !work ? GSL_ENOMEM : weight ? gsl_multifit_nlinear_winit(&first.vector, &w.vector, &fdf, work) :
						   gsl_multifit_nlinear_init(&first.vector, &fdf, work);
	if (!status)
		status = gsl_multifit_nlinear_driver(MOST_ITERATIONS, 1e-14, 1e-14, 0, NULL, NULL, &info, work);
	/* Derivatives by differences cannot always meet 1e-14; what no longer moves is an answer all the same. */
	if ((status == GSL_ENOPROG || status == GSL_EMAXITER) &&
	    gsl_multifit_nlinear_test(STANDS_STILL, STANDS_STILL, 0, &info, work) == GSL_SUCCESS)
		status = GSL_SUCCESS;
	if (status == GSL_ENOMEM)
		rc = err_set(err, RC_NOMEM, 0, "out of memory for %zu points", n);
	else if (status)
		rc = err_set(err, RC_SINGULAR, 0, "the curve could not be fitted from this start: %s", gsl_strerror(status));
	else
		rc = take(work, &job, ret, err);
	gsl_multifit_nlinear_free(work);
	gsl_set_error_handler(before);
	return rc;
}
