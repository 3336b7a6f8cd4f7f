/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The law of propagation for a model of columns, and the comparison with its draws. */
#include "calib/number/montecarlo.h"
#include "calib/number/correlated.h"
#include "calib/number/uncertain.h"

#include <math.h>
#include <stdlib.h>

#define STENCIL 4

/* One row of the model at once: the estimates, and four steps for each input. */
struct probe {
	const struct mc_model *model;
	void *handle;
	size_t rows;
	double *memory;
	double *x[MC_MAX_INPUTS], *y[MC_MAX_OUTPUTS];
	double step[MC_MAX_INPUTS];
};

/* Far enough that rounding of the model does not show, near enough that its fifth derivative does not, and never
 * beyond half a standard uncertainty, where the model may have its edge. */
static double step_of(const struct mc_input *in)
{
	double wide = 1e-3 * fmax(fabs(in->value), in->u), narrow = 0.5 * in->u;

	if (!(in->u > 0))
		return wide > 0 ? wide : 1e-3;
	return narrow < wide ? narrow : wide;
}

static bool probe_init(struct probe *p, const struct mc_model *m)
{
	static const double offset[STENCIL] = { -2, -1, 1, 2 };

	*p = (struct probe){ .model = m, .rows = 1 + STENCIL * m->n_inputs };
	p->handle = m->open ? m->open(m->ctx) : m->ctx;
	p->memory = calloc((m->n_inputs + m->n_outputs) * p->rows, sizeof *p->memory);
	if (!p->memory || (m->open && !p->handle))
		return false;
	for (size_t j = 0; j < m->n_outputs; j++)
		p->y[j] = p->memory + (m->n_inputs + j) * p->rows;
	for (size_t i = 0; i < m->n_inputs; i++) {
		p->x[i] = p->memory + i * p->rows;
		for (size_t row = 0; row < p->rows; row++)
			p->x[i][row] = m->inputs[i].value;
		p->step[i] = step_of(&m->inputs[i]);
		for (size_t s = 0; s < STENCIL; s++)
			p->x[i][1 + STENCIL * i + s] += offset[s] * p->step[i];
	}
	return true;
}

static void probe_free(struct probe *p)
{
	if (p->handle && p->model->open && p->model->close)
		p->model->close(p->handle);
	free(p->memory);
}

static double slope(const struct probe *p, size_t output, size_t input)
{
	const double *y = p->y[output] + 1 + STENCIL * input, *x = p->x[input] + 1 + STENCIL * input;
	/* The steps that were really made, after rounding. */
	double near = (x[2] - x[1]) / 2, far = (x[3] - x[0]) / 2;
	double near_slope = (y[2] - y[1]) / (2 * near), far_slope = (y[3] - y[0]) / (2 * far), ratio = far / near;

	return (ratio * ratio * near_slope - far_slope) / (ratio * ratio - 1);
}

static double correlation_of(const struct mc_model *m, size_t i, size_t j)
{
	if (i == j)
		return 1;
	return m->correlation ? m->correlation[i * m->n_inputs + j] : 0;
}

static double covariance(const struct mc_model *m, const struct mc_linear *a, const struct mc_linear *b)
{
	double sum = 0;

	for (size_t i = 0; i < m->n_inputs; i++)
		for (size_t j = 0; j < m->n_inputs; j++)
			sum += a->sensitivity[i] * m->inputs[i].u * b->sensitivity[j] * m->inputs[j].u *
			       correlation_of(m, i, j);
	return sum;
}

static enum rc effective_dof(const struct mc_model *m, struct mc_linear *l, struct err *err)
{
	double part[MC_MAX_INPUTS], dof[MC_MAX_INPUTS];

	for (size_t i = 0; i < m->n_inputs; i++) {
		part[i] = l->u > 0 ? l->sensitivity[i] * m->inputs[i].u / l->u : 0;
		dof[i] = m->inputs[i].dof;
	}
	return correlated_dof(part, dof, m->correlation, m->n_inputs, &l->dof, err);
}

static enum rc read_probe(const struct probe *p, double coverage, struct mc_linear_result *ret, struct err *err)
{
	const struct mc_model *m = p->model;

	for (size_t j = 0; j < m->n_outputs; j++) {
		struct mc_linear *l = &ret->output[j];
		l->value = p->y[j][0];
		if (!isfinite(l->value))
			return err_set(err, RC_RANGE, 0, "output %zu of the model is not finite at the estimates",
				       j + 1);
		for (size_t i = 0; i < m->n_inputs; i++) {
			l->sensitivity[i] = slope(p, j, i);
			if (!isfinite(l->sensitivity[i]) && m->inputs[i].u > 0)
				return err_set(err, RC_RANGE, 0,
					       "output %zu of the model has no derivative by input %zu at the "
					       "estimates",
					       j + 1, i + 1);
			if (!isfinite(l->sensitivity[i]))
				l->sensitivity[i] = 0;
		}
		l->u = sqrt(fmax(0.0, covariance(m, l, l)));
		enum rc rc = effective_dof(m, l, err);
		if (rc)
			return rc;
		l->k = unc_coverage_factor(l->dof, coverage);
		l->expanded = l->k * l->u;
	}
	for (size_t a = 0; a < m->n_outputs; a++)
		for (size_t b = 0; b < m->n_outputs; b++)
			ret->correlation[a][b] = ret->output[a].u > 0 && ret->output[b].u > 0
							 ? covariance(m, &ret->output[a], &ret->output[b]) /
								   ret->output[a].u / ret->output[b].u
							 : NAN;
	return RC_OK;
}

static enum rc check_inputs(const struct mc_model *m, double coverage, struct err *err)
{
	if (m->n_inputs < 1 || m->n_inputs > MC_MAX_INPUTS || m->n_outputs < 1 || m->n_outputs > MC_MAX_OUTPUTS)
		return err_set(err, RC_ARG, 0, "a model needs 1 to %d inputs and 1 to %d outputs; it has %zu and %zu",
			       MC_MAX_INPUTS, MC_MAX_OUTPUTS, m->n_inputs, m->n_outputs);
	if (!(coverage > 0 && coverage < 1))
		return err_set(err, RC_ARG, 0, "the coverage %g must lie between 0 and 1", coverage);
	for (size_t i = 0; i < m->n_inputs; i++)
		if (!isfinite(m->inputs[i].value) || !(m->inputs[i].u >= 0 && isfinite(m->inputs[i].u)) ||
		    !(m->inputs[i].dof >= 1))
			return err_set(err, RC_ARG, 0,
				       "input %zu has a value, uncertainty or degrees of freedom that cannot "
				       "be",
				       i + 1);
	if (!m->correlation)
		return RC_OK;
	double *root = malloc(m->n_inputs * m->n_inputs * sizeof *root);
	if (!root)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = correlated_root(m->correlation, m->n_inputs, root, err);
	free(root);
	return rc;
}

enum rc montecarlo_linear(const struct mc_model *model, double coverage, struct mc_linear_result *ret, struct err *err)
{
	struct probe p;
	enum rc rc = check_inputs(model, coverage, err);

	if (rc)
		return rc;
	struct mc_linear_result *out = calloc(1, sizeof *out);
	if (!probe_init(&p, model) || !out)
		rc = err_set(err, RC_NOMEM, 0, "out of memory");
	else if (model->eval(p.handle, (const double *const *)p.x, p.y, p.rows) != 0)
		rc = err_set(err, RC_ARG, 0, "the model could not be evaluated");
	else
		rc = read_probe(&p, coverage, out, err);
	if (!rc)
		*ret = *out;
	free(out);
	probe_free(&p);
	return rc;
}

bool montecarlo_linear_valid(const struct mc_linear *linear, const struct mc_output *drawn, double ret_d[2])
{
	double low = fabs(linear->value - linear->expanded - drawn->symmetric[0]);
	double high = fabs(linear->value + linear->expanded - drawn->symmetric[1]);
	/* A run too short to tell its own scatter gets no benefit of the doubt. */
	double doubt_low = isfinite(drawn->s_low) ? 2.0 * drawn->s_low : 0;
	double doubt_high = isfinite(drawn->s_high) ? 2.0 * drawn->s_high : 0;

	ret_d[0] = low;
	ret_d[1] = high;
	return low <= drawn->delta + doubt_low && high <= drawn->delta + doubt_high;
}
