/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cellcal_parts.h"

#include <math.h>
#include <string.h>

/* Beyond half as much again as the weights covered, a polynomial says nothing. */
#define BEYOND 1.5
/* The loop of hysteresis opens over this share of the range. */
#define OPENING 0.2

static double reach_Nm(const struct cellcal *cal)
{
	return fmax(fabs(cal->max_Nm), fabs(cal->min_Nm));
}

static double start_Nm(const struct cellcal *cal, double indication)
{
	return (indication - cal->coef[0]) / poly_slope(cal->coef, 0);
}

enum rc cellcal_torque(const struct cellcal *cal, double indication, double *ret_Nm, struct err *err)
{
	double limit = BEYOND * reach_Nm(cal), direction = poly_slope(cal->coef, 0.5 * (cal->max_Nm + cal->min_Nm));
	double torque = start_Nm(cal, indication);

	if (!isfinite(indication) || !isfinite(torque))
		return err_set(err, RC_RANGE, 0, "indication %g is not a number that the calibration can turn into torque",
			       indication);
	torque = fmin(fmax(torque, -limit), limit);
	for (int i = 0; i < 30; i++) {
		double step = (poly_value(cal->coef, torque) - indication) / poly_slope(cal->coef, torque);
		torque = fmin(fmax(torque - step, -2 * limit), 2 * limit);
		if (!(fabs(step) > 1e-14 * limit))
			break;
	}
	double miss = fabs(poly_value(cal->coef, torque) - indication);
	if (!(fabs(torque) <= limit) || !(miss <= 1e-9 * fabs(direction) * limit) ||
	    !(direction * poly_slope(cal->coef, torque) > 0))
		return err_set(err, RC_RANGE, 0, "indication %g is beyond the calibration, which covers %g to %g N·m",
			       indication, cal->min_Nm, cal->max_Nm);
	*ret_Nm = torque;
	return RC_OK;
}

double cellcal_slope_Nm(const struct cellcal *cal, double torque_Nm)
{
	return 1 / poly_slope(cal->coef, torque_Nm);
}

/* A square root of cov (Cholesky, on torques scaled to one), zero where cov is. */
static void square_root(const struct cellcal *cal, double root[CELLCAL_COEFS][CELLCAL_COEFS])
{
	double scale[CELLCAL_COEFS], reach = reach_Nm(cal);

	memset(root, 0, sizeof(double[CELLCAL_COEFS][CELLCAL_COEFS]));
	for (size_t j = 0; j < CELLCAL_COEFS; j++)
		scale[j] = pow(reach, (double)j);
	for (size_t k = 0; k < CELLCAL_COEFS; k++) {
		double pivot = cal->cov[k][k] * scale[k] * scale[k], whole = pivot;
		for (size_t l = 0; l < k; l++)
			pivot -= root[k][l] * root[k][l];
		if (!(pivot > 1e-14 * whole))
			continue;
		root[k][k] = sqrt(pivot);
		for (size_t j = k + 1; j < CELLCAL_COEFS; j++) {
			double sum = cal->cov[j][k] * scale[j] * scale[k];
			for (size_t l = 0; l < k; l++)
				sum -= root[j][l] * root[k][l];
			root[j][k] = sum / root[k][k];
		}
	}
	for (size_t j = 0; j < CELLCAL_COEFS; j++)
		for (size_t k = 0; k < CELLCAL_COEFS; k++)
			root[j][k] /= scale[j];
}

/* Which of the sources is the loop; n_sources when none is. */
static size_t loop_source(const struct cellcal *cal)
{
	size_t s = 0;

	while (s < cal->n_sources && strcmp(cal->source[s].name, CELLCAL_LOOP) != 0)
		s++;
	return s;
}

void cellcal_unc_register(const struct cellcal *cal, struct unc_ctx *ctx, struct cellcal_unc *ret)
{
	static const char *const names[CELLCAL_COEFS] = { "cell fit 1", "cell fit 2", "cell fit 3", "cell fit 4" };
	double root[CELLCAL_COEFS][CELLCAL_COEFS];

	*ret = (struct cellcal_unc){ .reversibility = 0 };
	for (size_t s = 0; s < cal->n_sources; s++)
		ret->common[s] = unc_source(ctx, cal->source[s].name, cal->source[s].dist, cal->source[s].dof);
	square_root(cal, root);
	for (size_t k = 0; k < CELLCAL_COEFS; k++) {
		ret->fit[k] = k ? unc_source_pooled(ctx, names[k], DIST_NORMAL, ret->fit[0]) :
				  unc_source(ctx, names[k], DIST_NORMAL, cal->dof);
		for (size_t j = 0; j < CELLCAL_COEFS; j++)
			ret->fit_dcoef[k][j] = root[j][k];
	}
	size_t loop = loop_source(cal);
	ret->reversibility = loop < cal->n_sources ? ret->common[loop] :
			     unc_source(ctx, "cell reversibility", DIST_RECT, INFINITY);
}

enum rc cellcal_torque_unc(const struct cellcal *cal, const struct cellcal_unc *reg, struct unc_ctx *ctx,
			   double indication, struct unc *ret, struct err *err)
{
	struct unc x[CELLCAL_SOURCES + CELLCAL_COEFS + 1];
	double ones[CELLCAL_SOURCES + CELLCAL_COEFS + 1], torque;
	size_t n = 0;
	enum rc rc = cellcal_torque(cal, indication, &torque, err);

	if (rc)
		return rc;
	double per_unit = cellcal_slope_Nm(cal, torque);
	for (size_t s = 0; s < cal->n_sources; s++)
		x[n++] = unc_from(ctx, 0, reg->common[s], -poly_value(cal->dcoef[s], torque) * per_unit);
	for (size_t k = 0; k < CELLCAL_COEFS; k++)
		x[n++] = unc_from(ctx, 0, reg->fit[k], -poly_value(reg->fit_dcoef[k], torque) * per_unit);
	if (cal->reversibility_Nm > 0 && loop_source(cal) == cal->n_sources) {
		double open = fmin(1, fabs(torque) / (OPENING * reach_Nm(cal)));
		x[n++] = unc_from(ctx, 0, reg->reversibility, open * cal->reversibility_Nm / 2 / sqrt(3));
	}
	for (size_t i = 0; i < n; i++)
		ones[i] = 1;
	*ret = unc_combine(ctx, torque, x, ones, n);
	return RC_OK;
}
