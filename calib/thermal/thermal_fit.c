/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/stats.h"
#include "calib/thermal/thermal_fit_private.h"

#include <gsl/gsl_cdf.h>
#include <gsl/gsl_multifit_nlinear.h>
#include <gsl/gsl_linalg.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define COARSE 500 /* rows of the first look, from several starts */
#define MANY 20000 /* rows from which each step is by the normal equations, at a third of the work; u stays with QR */
#define WHOLE ((size_t)-1 / 2)
#define STRETCHES 20
#define LACK_FEWEST 60

struct job {
	struct thermal_layout l;
	struct thermal_rows rows;
	double weight[THERMAL_STORES]; /* root of it, for each store */
	double *out[THERMAL_STORES];
	double start[THERMAL_PARAMS];
};

static int residuals(const gsl_vector *x, void *ctx, gsl_vector *f)
{
	struct job *j = ctx;
	size_t n = j->rows.n;

	thermal_follow(&j->l, &j->rows, x->data, j->out);
	for (int k = 0; k < (j->l.two ? 2 : 1); k++)
		for (size_t i = 0; i < n; i++) {
			double d = j->weight[k] * (j->out[k][i] - j->rows.temp[k][i]);
			if (!isfinite(d))
				return GSL_EDOM;
			f->data[((size_t)k * n + i) * f->stride] = d;
		}
	return GSL_SUCCESS;
}

static size_t rows_of(const struct job *j)
{
	return j->rows.n * (j->l.two ? 2 : 1);
}

/* From start to start; ret_covar may be NULL. The sum of squares, or NaN. */
static double descend(struct job *j, double *start, int iterations, gsl_matrix *ret_covar)
{
	gsl_multifit_nlinear_parameters how = gsl_multifit_nlinear_default_parameters();
	size_t n = rows_of(j), p = j->l.p;
	gsl_multifit_nlinear_fdf fdf = { .f = residuals, .n = n, .p = p, .params = j };
	double rss = NAN;
	int info;

	how.solver = n < MANY ? gsl_multifit_nlinear_solver_qr : gsl_multifit_nlinear_solver_cholesky;
	gsl_multifit_nlinear_workspace *w = gsl_multifit_nlinear_alloc(gsl_multifit_nlinear_trust, &how, n, p);
	gsl_vector_view x = gsl_vector_view_array(start, p);
	if (!w)
		return NAN;
	if (gsl_multifit_nlinear_init(&x.vector, &fdf, w) == GSL_SUCCESS) {
		gsl_multifit_nlinear_driver((size_t)iterations, 1e-9, 1e-12, 0, NULL, NULL, &info, w);
		gsl_blas_ddot(w->f, w->f, &rss);
		memcpy(start, w->x->data, p * sizeof *start);
		if (ret_covar)
			gsl_multifit_nlinear_covar(gsl_multifit_nlinear_jac(w), 0, ret_covar);
	}
	gsl_multifit_nlinear_free(w);
	return rss;
}

static void range_of(const double *y, size_t n, double *ret_low, double *ret_high)
{
	*ret_low = INFINITY;
	*ret_high = -INFINITY;
	for (size_t i = 0; i < n; i++) {
		*ret_low = fmin(*ret_low, y[i]);
		*ret_high = fmax(*ret_high, y[i]);
	}
}

static void guess(struct job *j, double tau_w, double tau_c, double over)
{
	const struct thermal_layout *l = &j->l;
	double most = 0, cold, high[2] = { 0, 0 }, low, ambient_high;

	range_of(j->rows.ambient_degC, j->rows.n, &cold, &ambient_high);
	for (size_t i = 0; i < j->rows.n; i++)
		most = fmax(most, j->rows.input[i]);
	for (int k = 0; k < (l->two ? 2 : 1); k++)
		range_of(j->rows.temp[k], j->rows.n, &low, &high[k]);
	double rise = fmax(high[0] - cold, 1), case_rise = l->two ? fmax(high[1] - cold, 0.05 * rise) : 0;
	double heat = over * fmax(rise - case_rise, 0.05 * rise);

	j->start[0] = log(tau_w);
	j->start[1] = l->watts || l->torque ? log(heat / (most > 0 ? most : 1)) : heat;
	if (l->fixed)
		j->start[l->at_fixed] = 0.1 * heat;
	if (l->two) {
		j->start[l->at_case] = log(tau_c);
		j->start[l->at_case + 1] = log(fmax(case_rise, 0.01) / fmax(rise - case_rise, 0.05 * rise));
	}
	for (size_t i = 0; i < j->rows.n; i++)
		if (i == 0 || j->rows.hold[i] != j->rows.hold[i - 1])
			for (int k = 0; k < (l->two ? 2 : 1); k++)
				j->start[l->at_start + j->rows.hold[i] * (l->two ? 2 : 1) + (size_t)k] =
					j->rows.temp[k][i];
}

/* The best of several starts; RC_SINGULAR when none arrives. */
static enum rc first_look(struct job *j, double span, double *ret, struct err *err)
{
	static const double fast[] = { 0.003, 0.02, 0.1, 0.4 }, slow[] = { 0.1, 0.6 };
	double best = INFINITY;

	for (size_t a = 0; a < 4; a++)
		for (size_t b = 0; b < (j->l.two ? 2 : 1); b++) {
			guess(j, fast[a] * span, slow[b] * span, 1.1);
			double rss = descend(j, j->start, 60, NULL);
			if (rss < best) {
				best = rss;
				memcpy(ret, j->start, j->l.p * sizeof *ret);
			}
		}
	if (!isfinite(best))
		return err_set(err, RC_SINGULAR, 0, "no thermal model follows these temperatures from any start");
	return RC_OK;
}

static double sd_of(const struct job *j, int k, size_t p)
{
	double sum = 0;

	for (size_t i = 0; i < j->rows.n; i++)
		sum += (j->out[k][i] - j->rows.temp[k][i]) * (j->out[k][i] - j->rows.temp[k][i]);
	return j->rows.n > p ? sqrt(sum / (double)(j->rows.n - p)) : NAN;
}

/* Each store by its own scatter; alike when one of them has none. */
static void weigh(struct job *j, const double *param)
{
	if (!j->l.two)
		return;
	thermal_follow(&j->l, &j->rows, param, j->out);
	double a = sd_of(j, 0, j->l.p / 2), b = sd_of(j, 1, j->l.p / 2);
	double ratio = a > 0 && b > 0 ? fmin(fmax(a / b, 0.02), 50) : 1;
	j->weight[1] = isfinite(ratio) ? ratio : 1;
}

static void lack(const struct job *j, int k, struct thermal_fit *ret)
{
	size_t n = j->rows.n, at = 0;
	double jumps = 0, chi2 = 0;

	if (n < LACK_FEWEST)
		return;
	for (size_t i = 1; i < n; i++) {
		double a = j->out[k][i] - j->rows.temp[k][i], b = j->out[k][i - 1] - j->rows.temp[k][i - 1];
		jumps += (a - b) * (a - b);
	}
	double variance = jumps / (2 * (double)(n - 1));
	for (size_t s = 0; s < STRETCHES; s++) {
		size_t end = (s + 1) * n / STRETCHES;
		double sum = 0, m = (double)(end - at);
		for (; at < end; at++)
			sum += j->out[k][at] - j->rows.temp[k][at];
		chi2 += sum * sum / m / fmax(variance, 1e-18);
		ret->lack_K = fmax(ret->lack_K, fabs(sum / m));
	}
	double p = fmin(1, (j->l.two ? 2 : 1) * gsl_cdf_chisq_Q(chi2, STRETCHES));
	ret->lack_p = isnan(ret->lack_p) ? p : fmin(ret->lack_p, p);
}

/* How many times fewer readings the autocorrelation leaves, the worse of the stores. */
static double thinning(struct job *j)
{
	double most = 1;
	struct stats_shy shy;

	if (j->rows.n < 30)
		return 1;
	for (int k = 0; k < (j->l.two ? 2 : 1); k++) {
		for (size_t i = 0; i < j->rows.n; i++)
			j->out[k][i] -= j->rows.temp[k][i];
		if (!stats_mean_shy(j->out[k], j->rows.n, &shy, NULL) && shy.n_effective > 0)
			most = fmax(most, (double)j->rows.n / shy.n_effective);
	}
	return most;
}

static void root_of(struct thermal_fit *fit, gsl_matrix *covar, double scale)
{
	gsl_matrix_scale(covar, scale);
	for (size_t i = 0; i < fit->p; i++) /* a parameter that nothing tells keeps the triangle whole */
		if (!(gsl_matrix_get(covar, i, i) > 1e-24))
			gsl_matrix_set(covar, i, i, 1e-24);
	if (!(scale > 0) || gsl_linalg_cholesky_decomp1(covar))
		return;
	for (size_t i = 0; i < fit->p; i++)
		for (size_t k = 0; k <= i; k++)
			fit->root[i][k] = gsl_matrix_get(covar, i, k);
}

static double tau_w(const struct thermal_model *m, const struct thermal_loss *l, void *c)
{
	(void)l;
	(void)c;
	return m->tau_s[0];
}
static double tau_c(const struct thermal_model *m, const struct thermal_loss *l, void *c)
{
	(void)l;
	(void)c;
	return m->tau_s[1];
}
static double res_w(const struct thermal_model *m, const struct thermal_loss *l, void *c)
{
	(void)l;
	(void)c;
	return m->resistance_K_per_W[0];
}
static double res_c(const struct thermal_model *m, const struct thermal_loss *l, void *c)
{
	(void)l;
	(void)c;
	return m->resistance_K_per_W[1];
}

/* The whole record, from where the first look ended. */
static enum rc settle(struct job *j, double *param, struct thermal_fit *ret, struct err *err)
{
	gsl_matrix *covar = gsl_matrix_calloc(j->l.p, j->l.p);
	double rss = covar ? descend(j, param, 40, covar) : NAN, n = (double)rows_of(j);

	if (!isfinite(rss)) {
		if (covar)
			gsl_matrix_free(covar);
		return err_set(err, RC_SINGULAR, 0, "the thermal model cannot be fitted to the whole record");
	}
	thermal_follow(&j->l, &j->rows, param, j->out);
	ret->lack_p = NAN;
	for (int k = 0; k < (j->l.two ? 2 : 1); k++) {
		ret->residual_sd_K[k] = sd_of(j, k, j->l.p / (j->l.two ? 2 : 1));
		lack(j, k, ret);
	}
	double spare = n - (double)j->l.p, thin = thinning(j);
	ret->p = j->l.p;
	ret->dof = spare > 0 ? fmax(1, n / thin - (double)j->l.p) : 0;
	memcpy(ret->param, param, j->l.p * sizeof *param);
	root_of(ret, covar, spare > 0 ? rss / spare * thin : 0);
	gsl_matrix_free(covar);
	return RC_OK;
}

static struct thermal_layout layout_of(const struct thermal_fit *f)
{
	return thermal_layout(f->model.two, f->watts, f->torque && !f->watts, f->fixed && !f->watts, f->holds);
}

void thermal_fit_moved(const struct thermal_fit *fit, const double *z, struct thermal_model *ret_model,
		       struct thermal_loss *ret_loss)
{
	struct thermal_layout l = layout_of(fit);
	double q[THERMAL_PARAMS];

	for (size_t i = 0; i < fit->p; i++) {
		q[i] = fit->param[i];
		for (size_t k = 0; k <= i; k++)
			q[i] += fit->root[i][k] * z[k];
	}
	double Rw = fit->watts ? exp(q[1]) : 1;
	*ret_model = (struct thermal_model){ l.two,
					     { exp(q[0]), l.two ? exp(q[l.at_case]) : NAN },
					     { Rw, l.two ? Rw * exp(q[l.at_case + 1]) : NAN } };
	*ret_loss = fit->loss;
	if (fit->watts && fit->torque) {
		size_t law = l.p;
		double Rc = l.two ? ret_model->resistance_K_per_W[1] : 0;
		ret_loss->fixed_W = q[law] + fit->beside_W * Rc / (Rw + Rc);
		ret_loss->per_Nm2_W = q[law + 1];
		ret_loss->per_K = q[law + 2];
	} else if (fit->torque) {
		ret_loss->per_Nm2_W = exp(q[1]);
		ret_loss->fixed_W = l.fixed ? q[l.at_fixed] : 0;
	} else if (!fit->watts) {
		ret_loss->fixed_W = q[1];
	}
}

/* Fixed part, square, copper behind the fit's own parameters. */
static enum rc add_law(const struct thermal_record *r, struct thermal_fit *fit, struct err *err)
{
	double cov[3][3];
	gsl_matrix *c = gsl_matrix_calloc(3, 3);
	enum rc rc = c ? thermal_loss_fit(r, &fit->loss, cov, err) : err_set(err, RC_NOMEM, 0, "out of memory");

	if (!rc) {
		double size[3] = { fit->loss.per_Nm2_W, fit->loss.per_Nm2_W, 1 };
		fit->fixed = fit->loss.fixed_W > 0;
		for (size_t i = 0; i < 3; i++)
			for (size_t k = 0; k < 3; k++)
				gsl_matrix_set(c, i, k, cov[i][k] + (i == k ? 1e-20 * size[i] * size[i] : 0));
		if (gsl_linalg_cholesky_decomp1(c) == GSL_SUCCESS)
			for (size_t i = 0; i < 3; i++)
				for (size_t k = 0; k <= i; k++)
					fit->root[fit->p + i][fit->p + k] = gsl_matrix_get(c, i, k);
		fit->param[fit->p] = fit->loss.fixed_W;
		fit->param[fit->p + 1] = fit->loss.per_Nm2_W;
		fit->param[fit->p + 2] = fit->loss.per_K;
		fit->p += 3;
	}
	if (c)
		gsl_matrix_free(c);
	return rc;
}

static enum rc judged(const struct thermal_record *r, size_t *ret_holds, double *ret_span, struct err *err)
{
	double low, high;

	*ret_holds = 1;
	*ret_span = 0;
	for (size_t i = 1, first = 0; i < r->n; i++) {
		if (r->hold && (r->hold[i] < r->hold[i - 1] || r->hold[i] > r->hold[i - 1])) {
			(*ret_holds)++;
			first = i;
		} else if (!(r->time_s[i] > r->time_s[i - 1])) {
			return err_set(
				err, RC_ARG, 0,
				"row %zu: the time %g s follows %g s; expected rising times, or a column \"hold\" "
				"that numbers the holds",
				i + 1, r->time_s[i], r->time_s[i - 1]);
		}
		*ret_span = fmax(*ret_span, r->time_s[i] - r->time_s[first]);
	}
	if (*ret_holds > THERMAL_HOLDS)
		return err_set(err, RC_ARG, 0, "%zu holds are too many; expected at most %d", *ret_holds,
			       THERMAL_HOLDS);
	range_of(r->winding_degC ? r->winding_degC : r->case_degC, r->n, &low, &high);
	if (!(high - low > 0.5))
		return err_set(err, RC_SINGULAR, 0,
			       "the temperature changes by %.2g K in the whole record; expected more than 0.5 K",
			       high - low);
	return RC_OK;
}

static enum rc run(const struct thermal_record *r, bool fixed, size_t holds, double span, struct thermal_fit *ret,
		   struct err *err)
{
	struct job j = { .weight = { 1, 1 } };
	double param[THERMAL_PARAMS];
	bool two = r->winding_degC && r->case_degC;
	enum rc rc;

	j.l = thermal_layout(two, r->loss_W, r->torque_Nm && !r->loss_W, fixed, holds);
	ret->model.two = two;
	ret->watts = r->loss_W;
	ret->torque = r->torque_Nm;
	ret->fixed = fixed;
	ret->beside_W = two && ret->watts ? r->beside_W : 0;
	ret->holds = holds;
	if (r->n * (two ? 2 : 1) < j.l.p)
		return err_set(err, RC_ARG, 0, "%zu rows are too few; expected at least %zu", r->n,
			       (j.l.p + (two ? 1 : 0)) / (two ? 2 : 1));
	if ((rc = thermal_rows_new(r, COARSE, &j.rows, err)))
		return rc;
	j.out[0] = calloc(2 * r->n, sizeof *j.out[0]);
	j.out[1] = j.out[0] ? j.out[0] + r->n : NULL;
	rc = j.out[0] ? first_look(&j, span, param, err) : err_set(err, RC_NOMEM, 0, "out of memory");
	if (!rc)
		weigh(&j, param);
	if (!rc && r->n > COARSE) {
		thermal_rows_free(&j.rows);
		rc = thermal_rows_new(r, WHOLE, &j.rows, err);
	}
	if (!rc)
		rc = settle(&j, param, ret, err);
	for (size_t h = 0; !rc && h < holds; h++)
		for (size_t k = 0; k < (two ? 2 : 1); k++)
			ret->start_degC[h][k] = param[j.l.at_start + h * (two ? 2 : 1) + k];
	if (j.rows.hold)
		thermal_rows_free(&j.rows);
	free(j.out[0]);
	return rc;
}

enum rc thermal_fit(const struct thermal_record *r, struct thermal_fit *ret, struct err *err)
{
	static double (*const number[])(const struct thermal_model *, const struct thermal_loss *,
					void *) = { tau_w, tau_c, res_w, res_c };
	struct thermal_fit fit = { 0 };
	double zero[THERMAL_PARAMS] = { 0 }, span;
	size_t holds;
	bool fixed = r->torque_Nm && !r->loss_W && thermal_levels_differ(r);
	enum rc rc = judged(r, &holds, &span, err);

	if (!rc)
		rc = run(r, fixed, holds, span, &fit, err);
	if (!rc && fixed && !(fit.param[2] > 0)) {
		fit = (struct thermal_fit){ 0 };
		rc = run(r, false, holds, span, &fit, err);
	}
	if (!rc && fit.watts && fit.torque)
		rc = add_law(r, &fit, err);
	if (rc)
		return rc;
	thermal_fit_moved(&fit, zero, &fit.model, &fit.loss);
	for (int i = 0; i < 4; i++)
		*(i < 2 ? &fit.u_tau_s[i] : &fit.u_resistance_K_per_W[i - 2]) = thermal_answer(&fit, number[i], NULL).u;
	for (int k = 0; k < (fit.model.two ? 2 : 1); k++) /* a curve that does not bend tells no time constant */
		if (!(fit.model.tau_s[k] < 5 * span) || fit.u_tau_s[k] > fit.model.tau_s[k])
			return err_set(
				err, RC_SINGULAR, 0,
				"%.3g s of record do not tell the time constant%s; record until the temperature bends",
				span, fit.model.two ? k ? " of the case" : " of the winding" : "");
	*ret = fit;
	return RC_OK;
}
