/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/nlfit.h"

#include "calib/fit/lsq.h"

#include <gsl/gsl_errno.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <math.h>
#include <stdbool.h>
#include <string.h>

#define MOST_ITERATIONS 500
#define STANDS_STILL 1e-7
#define REFUSED 1e100
#define ARRIVED 1e-3 /* of a parameter's u */
#define LEVELS 11
#define SMALLER 2.0
#define STEPS 5
#define SCALES 3

struct job {
	const struct nlfit_model *model;
	const double *x, *y, *weight;
	size_t n;
};

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

static double central(const struct nlfit_model *model, double *p, size_t j, double h, double x)
{
	double at = p[j], high, low;

	p[j] = at + h;
	high = model->value(p, x, model->ctx);
	p[j] = at - h;
	low = model->value(p, x, model->ctx);
	p[j] = at;
	return (high - low) / (2 * h);
}

/* Central differences of ever smaller steps, extrapolated to none: no step has to be known that suits the curve. */
static double slope(const struct nlfit_model *model, double *p, size_t j, double x)
{
	double table[LEVELS][LEVELS], h = 0.02 * (fabs(p[j]) > 0 ? fabs(p[j]) : 1), best = NAN, least = INFINITY;

	for (int i = 0; i < LEVELS; i++, h /= SMALLER) {
		double weight = SMALLER * SMALLER;
		table[i][0] = central(model, p, j, h, x);
		for (int k = 1; k <= i; k++, weight *= SMALLER * SMALLER) {
			table[i][k] = (weight * table[i][k - 1] - table[i - 1][k - 1]) / (weight - 1);
			double error =
				fmax(fabs(table[i][k] - table[i][k - 1]), fabs(table[i][k] - table[i - 1][k - 1]));
			if (!(error <= least))
				continue;
			least = error;
			best = table[i][k];
		}
	}
	return isfinite(best) ? best : 0;
}

static void differences(const struct nlfit_model *model, const double *param, double x, double *ret)
{
	double p[NLFIT_PARAMS];

	memcpy(p, param, model->p * sizeof *p);
	for (size_t j = 0; j < model->p; j++)
		ret[j] = slope(model, p, j, x);
}

static int gradients(const gsl_vector *param, void *data, gsl_matrix *J)
{
	const struct job *job = data;

	for (size_t i = 0; i < job->n; i++) {
		if (job->model->gradient)
			job->model->gradient(gsl_vector_const_ptr(param, 0), job->x[i], gsl_matrix_ptr(J, i, 0),
					     job->model->ctx);
		else
			differences(job->model, gsl_vector_const_ptr(param, 0), job->x[i], gsl_matrix_ptr(J, i, 0));
	}
	return GSL_SUCCESS;
}

static enum rc check(const struct nlfit_model *model, const double *x, const double *y, const double *weight, size_t n,
		     const double *start, struct err *err)
{
	if (model->p < 1 || model->p > NLFIT_PARAMS)
		return err_set(err, RC_ARG, 0, "%zu parameters: expected 1 to %d", model->p, NLFIT_PARAMS);
	if (n < model->p + 1)
		return err_set(err, RC_ARG, 0, "%zu points are too few for %zu parameters and their uncertainty", n,
			       model->p);
	for (size_t j = 0; j < model->p; j++)
		if (!isfinite(start[j]))
			return err_set(err, RC_ARG, 0, "start value %zu is not finite", j + 1);
	for (size_t i = 0; i < n; i++) {
		if (!isfinite(x[i]) || !isfinite(y[i]))
			return err_set(err, RC_ARG, 0, "point %zu of %zu is not finite", i + 1, n);
		if (!isfinite(model->value(start, x[i], model->ctx)))
			return err_set(err, RC_SINGULAR, 0, "from this start the curve has no finite value at x = %g",
				       x[i]);
		if (weight && !(weight[i] > 0 && isfinite(weight[i])))
			return err_set(err, RC_ARG, 0, "point %zu of %zu: the weight %g is not positive", i + 1, n,
				       weight[i]);
	}
	return RC_OK;
}

/* One Gauss-Newton step at param: the triangle, the sum of squares there and the step. */
static bool newton_step(const struct job *job, const double *param, struct lsq *lsq, double *ret_rss, double *ret_step)
{
	double gradient[NLFIT_PARAMS];
	struct dd row[LSQ_TERMS], step[LSQ_TERMS], rss = dd_of(0);
	size_t p = job->model->p;

	lsq_begin(lsq, p);
	for (size_t i = 0; i < job->n; i++) {
		double root = job->weight ? sqrt(job->weight[i]) : 1;
		double r = job->y[i] - job->model->value(param, job->x[i], job->model->ctx);
		if (job->model->gradient)
			job->model->gradient(param, job->x[i], gradient, job->model->ctx);
		else
			differences(job->model, param, job->x[i], gradient);
		if (!isfinite(r))
			return false;
		for (size_t j = 0; j < p; j++)
			row[j] = dd_of(root * gradient[j]);
		lsq_add(lsq, row, dd_of(root * r));
		rss = dd_add(rss, dd_two_product(root * r, root * r));
	}
	*ret_rss = dd_to(rss);
	if (lsq_deficient_term(lsq) != LSQ_FULL_RANK)
		return false;
	lsq_solve(lsq, step);
	for (size_t j = 0; j < p; j++)
		ret_step[j] = dd_to(step[j]);
	return true;
}

/* The sum of squares is flat at its least: a search by its value knows the parameters to half the digits only. Plain
 * steps, which need no value, find the rest as long as each is shorter than the one before. ret_step: the one not
 * taken. */
static bool polish(const struct job *job, double *param, struct lsq *lsq, double *ret_rss, double *ret_step)
{
	double step[NLFIT_PARAMS], before = INFINITY;

	if (!newton_step(job, param, lsq, ret_rss, ret_step))
		return false;
	for (int i = 0; i < 200; i++) {
		double moved[NLFIT_PARAMS], size = 0, rss;
		struct lsq at;
		for (size_t j = 0; j < job->model->p; j++) {
			moved[j] = param[j] + ret_step[j];
			size = fmax(size, fabs(ret_step[j]) / (fabs(param[j]) + fabs(ret_step[j]) + 1e-300));
		}
		if (!(size < 0.99 * before) || !newton_step(job, moved, &at, &rss, step) ||
		    !(rss <= *ret_rss * (1 + 1e-10)))
			break;
		before = size;
		memcpy(param, moved, job->model->p * sizeof *param);
		memcpy(ret_step, step, job->model->p * sizeof *step);
		*lsq = at;
		*ret_rss = rss;
	}
	return true;
}

static enum rc take(gsl_multifit_nlinear_workspace *work, const struct job *job, struct nlfit *ret, struct err *err)
{
	struct nlfit fit = { .p = job->model->p, .dof = (double)(job->n - job->model->p) };
	struct dd inv[LSQ_TERMS][LSQ_TERMS];
	double step[NLFIT_PARAMS];
	struct lsq lsq;

	for (size_t j = 0; j < fit.p; j++)
		fit.param[j] = gsl_vector_get(gsl_multifit_nlinear_position(work), j);
	if (!polish(job, fit.param, &lsq, &fit.rss, step))
		return err_set(err, RC_SINGULAR, 0, "the points do not determine every parameter of the curve");
	fit.residual_sd = sqrt(fit.rss / fit.dof);
	fit.iterations = (int)gsl_multifit_nlinear_niter(work);
	lsq_inverse(&lsq, inv);
	for (size_t j = 0; j < fit.p; j++) {
		for (size_t k = 0; k < fit.p; k++) {
			struct dd sum = dd_of(0);
			for (size_t l = 0; l < fit.p; l++)
				sum = dd_add(sum, dd_mul(inv[j][l], inv[k][l]));
			fit.cov[j][k] = fit.rss / fit.dof * dd_to(sum);
		}
		fit.u[j] = sqrt(fit.cov[j][j]);
	}
	/* Where the search stood still without a least sum of squares, a plain step would still go far. */
	for (size_t j = 0; j < fit.p; j++)
		if (!(fabs(step[j]) <= ARRIVED * fit.u[j] + 1e-9 * fabs(fit.param[j])))
			return err_set(err, RC_SINGULAR, 0, "no least sum of squares is there");
	*ret = fit;
	return RC_OK;
}

static const gsl_multifit_nlinear_trs *step_of(size_t way)
{
	const gsl_multifit_nlinear_trs *const steps[] = { gsl_multifit_nlinear_trs_lm, gsl_multifit_nlinear_trs_lmaccel,
							  gsl_multifit_nlinear_trs_dogleg,
							  gsl_multifit_nlinear_trs_ddogleg,
							  gsl_multifit_nlinear_trs_subspace2D };

	return steps[way];
}

static const gsl_multifit_nlinear_scale *scale_of(size_t way)
{
	const gsl_multifit_nlinear_scale *const scales[] = { gsl_multifit_nlinear_scale_more,
							     gsl_multifit_nlinear_scale_levenberg,
							     gsl_multifit_nlinear_scale_marquardt };

	return scales[way];
}

static enum rc search(const struct job *job, size_t way, const double *start, struct nlfit *ret, struct err *err)
{
	gsl_multifit_nlinear_parameters how = gsl_multifit_nlinear_default_parameters();
	size_t n = job->n, p = job->model->p;
	int info = 0;
	enum rc rc;

	how.solver = gsl_multifit_nlinear_solver_qr;
	how.trs = step_of(way % STEPS);
	how.scale = scale_of(way / STEPS);
	gsl_multifit_nlinear_fdf fdf = { .f = residuals, .df = gradients, .n = n, .p = p, .params = (void *)job };
	gsl_multifit_nlinear_workspace *work = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &how, n, p);
	gsl_vector_const_view first = gsl_vector_const_view_array(start, p);
	gsl_vector_const_view w = gsl_vector_const_view_array(job->weight ? job->weight : job->y, n);
	int status = !work         ? GSL_ENOMEM
		     : job->weight ? gsl_multifit_nlinear_winit(&first.vector, &w.vector, &fdf, work)
				   : gsl_multifit_nlinear_init(&first.vector, &fdf, work);
	if (!status)
		status = gsl_multifit_nlinear_driver(MOST_ITERATIONS, 1e-14, 1e-14, 0, NULL, NULL, &info, work);
	/* Derivatives by differences cannot always meet 1e-14; what no longer moves is an answer all the same. */
	if ((status == GSL_ENOPROG || status == GSL_EMAXITER) &&
	    gsl_multifit_nlinear_test(STANDS_STILL, STANDS_STILL, 0, &info, work) == GSL_SUCCESS)
		status = GSL_SUCCESS;
	if (status == GSL_ENOMEM)
		rc = err_set(err, RC_NOMEM, 0, "out of memory for %zu points", n);
	else if (status)
		rc = err_set(err, RC_SINGULAR, 0, "%s", gsl_strerror(status));
	else
		rc = take(work, job, ret, err);
	gsl_multifit_nlinear_free(work);
	return rc;
}

enum rc nlfit(const struct nlfit_model *model, const double *x, const double *y, const double *weight, size_t n,
	      const double *start, struct nlfit *ret, struct err *err)
{
	enum rc rc = check(model, x, y, weight, n, start, err);
	struct job job = { model, x, y, weight, n };

	if (rc)
		return rc;
	gsl_error_handler_t *before = gsl_set_error_handler_off();
	rc = RC_SINGULAR;
	for (size_t way = 0; way < STEPS * SCALES && rc == RC_SINGULAR; way++)
		rc = search(&job, way, start, ret, err);
	gsl_set_error_handler(before);
	if (rc == RC_SINGULAR)
		err_prefix(err, "no curve is found from this start, try another: ");
	return rc;
}
