/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/montecarlo_private.h"
#include "calib/number/correlated.h"

#include <gsl/gsl_randist.h>
#include <math.h>
#include <stdlib.h>

static bool is_zero(double x)
{
	return fpclassify(x) == FP_ZERO;
}

static enum rc check_input(const struct mc_input *in, size_t i, struct err *err)
{
	if (!isfinite(in->value))
		return err_set(err, RC_ARG, 0, "the value of input %zu is not finite", i + 1);
	if (!(in->u >= 0 && isfinite(in->u)))
		return err_set(err, RC_ARG, 0, "the standard uncertainty of input %zu is %g; expected 0 or more", i + 1,
			       in->u);
	if (!(in->dof >= 1))
		return err_set(err, RC_ARG, 0, "the degrees of freedom of input %zu are %g; expected 1 or more", i + 1,
			       in->dof);
	if (in->dist == DIST_TRAPEZOID && !(in->beta >= 0 && in->beta <= 1))
		return err_set(err, RC_ARG, 0,
			       "the trapezoid of input %zu has a top of %g of its base; expected 0 to 1", i + 1,
			       in->beta);
	return RC_OK;
}

static bool is_correlated(const struct mc_model *model, size_t i)
{
	for (size_t j = 0; model->correlation && j < model->n_inputs; j++)
		if (j != i && !is_zero(model->correlation[i * model->n_inputs + j]))
			return true;
	return false;
}

static enum rc find_correlated(struct mc_plan *plan, struct err *err)
{
	const struct mc_model *m = plan->model;

	for (size_t i = 0; i < m->n_inputs; i++) {
		if (!is_correlated(m, i))
			continue;
		if (m->inputs[i].dist != DIST_NORMAL)
			return err_set(
				err, RC_ARG, 0,
				"input %zu is correlated but not normal (%s); random draws of "
				"correlated inputs are defined for normal ones only, so call it normal or leave the "
				"correlation out",
				i + 1, dist_name(m->inputs[i].dist));
		plan->correlated[plan->n_correlated++] = i;
	}
	return RC_OK;
}

static enum rc find_root(struct mc_plan *plan, struct err *err)
{
	const struct mc_model *m = plan->model;
	size_t n = plan->n_correlated;
	double *r = malloc((n * n + 1) * sizeof *r);

	plan->root = malloc((n * n + 1) * sizeof *plan->root);
	if (!r || !plan->root) {
		free(r);
		return err_set(err, RC_NOMEM, 0, "out of memory");
	}
	for (size_t i = 0; i < n; i++)
		for (size_t j = 0; j < n; j++)
			r[i * n + j] = m->correlation[plan->correlated[i] * m->n_inputs + plan->correlated[j]];
	enum rc rc = correlated_root(r, n, plan->root, err);
	free(r);
	return rc;
}

enum rc mc_plan_init(struct mc_plan *plan, const struct mc_model *model, struct err *err)
{
	*plan = (struct mc_plan){ .model = model };
	ziggurat_init(&plan->ziggurat);
	for (size_t i = 0; i < model->n_inputs; i++) {
		enum rc rc = check_input(&model->inputs[i], i, err);
		if (rc)
			return rc;
	}
	plan->correlated = malloc((model->n_inputs + 1) * sizeof *plan->correlated);
	if (!plan->correlated)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = find_correlated(plan, err);
	if (!rc && plan->n_correlated)
		rc = find_root(plan, err);
	return rc;
}

void mc_plan_free(struct mc_plan *plan)
{
	free(plan->correlated);
	free(plan->root);
	*plan = (struct mc_plan){ 0 };
}

/* Rectangle whose half-width is itself uniform: JCGM 101, 6.4.3. */
static void draw_rect(struct mc_rng *rng, const struct mc_input *in, double *x, size_t n)
{
	double half = dist_half_width(DIST_RECT, in->u, 0), doubt = half / sqrt(2.0 * in->dof);

	if (isinf(in->dof)) {
		for (size_t i = 0; i < n; i++)
			x[i] = in->value + half * (2.0 * mc_uniform(rng) - 1.0);
		return;
	}
	for (size_t i = 0; i < n; i++) {
		double width = half + doubt * (2.0 * mc_uniform(rng) - 1.0);
		x[i] = in->value + width * (2.0 * mc_uniform(rng) - 1.0);
	}
}

/* Sum of two rectangles: JCGM 101, 6.4.4; a triangle is a trapezoid without a top. */
static void draw_trapezoid(struct mc_rng *rng, const struct mc_input *in, double beta, double *x, size_t n)
{
	double half = dist_half_width(DIST_TRAPEZOID, in->u, beta);

	for (size_t i = 0; i < n; i++) {
		double wide = mc_uniform(rng), narrow = mc_uniform(rng);
		x[i] = in->value + half * ((1.0 + beta) * wide + (1.0 - beta) * narrow - 1.0);
	}
}

static void draw_normal(const struct ziggurat *ziggurat, struct mc_rng *rng, const struct mc_input *in, double *x,
			size_t n)
{
	/* A copy on the stack, which the compiler can keep in registers. */
	struct mc_rng own = *rng;

	for (size_t i = 0; i < n; i++)
		x[i] = in->value + in->u * mc_normal(ziggurat, &own);
	*rng = own;
}

static void draw_t(struct mc_rng *rng, const struct mc_input *in, double *x, size_t n)
{
	gsl_rng as_gsl = { &mc_rng_type, rng };

	for (size_t i = 0; i < n; i++)
		x[i] = in->value + in->u * gsl_ran_tdist(&as_gsl, in->dof);
}

static void draw_one(const struct mc_plan *plan, struct mc_rng *rng, const struct mc_input *in, double *x, size_t n)
{
	if (is_zero(in->u)) {
		for (size_t i = 0; i < n; i++)
			x[i] = in->value;
		return;
	}
	switch (in->dist) {
	case DIST_NORMAL: draw_normal(&plan->ziggurat, rng, in, x, n); return;
	case DIST_RECT: draw_rect(rng, in, x, n); return;
	case DIST_TRI: draw_trapezoid(rng, in, 0.0, x, n); return;
	case DIST_TRAPEZOID: draw_trapezoid(rng, in, in->beta, x, n); return;
	case DIST_T:
		if (isinf(in->dof))
			draw_normal(&plan->ziggurat, rng, in, x, n);
		else
			draw_t(rng, in, x, n);
		return;
	case DIST_TWO:
		draw_rect(rng, in, x, n);
		for (size_t i = 0; i < n; i++)
			x[i] = in->value + copysign(in->u, x[i] - in->value);
		return;
	}
}

static void draw_together(const struct mc_plan *plan, struct mc_rng *rng, double *const *x, double *const *z, size_t n)
{
	size_t m = plan->n_correlated;

	for (size_t j = 0; j < m; j++)
		for (size_t k = 0; k < n; k++)
			z[j][k] = mc_normal(&plan->ziggurat, rng);
	for (size_t i = 0; i < m; i++) {
		const struct mc_input *in = &plan->model->inputs[plan->correlated[i]];
		double *column = x[plan->correlated[i]];
		for (size_t k = 0; k < n; k++)
			column[k] = in->value;
		for (size_t j = 0; j < m; j++) {
			double weight = in->u * plan->root[i * m + j];
			for (size_t k = 0; k < n; k++)
				column[k] += weight * z[j][k];
		}
	}
}

void mc_draw(const struct mc_plan *plan, struct mc_rng *rng, double *const *x, double *const *scratch, size_t n)
{
	for (size_t i = 0, next = 0; i < plan->model->n_inputs; i++) {
		if (next < plan->n_correlated && plan->correlated[next] == i)
			next++;
		else
			draw_one(plan, rng, &plan->model->inputs[i], x[i], n);
	}
	if (plan->n_correlated)
		draw_together(plan, rng, x, scratch, n);
}
