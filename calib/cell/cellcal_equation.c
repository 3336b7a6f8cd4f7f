/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/cellcal_private.h"

#include "calib/fit/regress.h"

#include <math.h>

#define POINTS 201

static double at(const struct cellcal_equation *e, double x)
{
	double torque = 0;

	for (int j = e->degree; j >= 0; j--)
		torque = torque * x + e->coef[j];
	return torque;
}

/* Points crowd towards both ends (Chebyshev), where a least squares fit on even ones would be worst. */
static enum rc nearest_cubic(const struct cellcal *cal, struct cellcal_equation *ret, struct err *err)
{
	double x[POINTS], torque[POINTS];
	double low = fmin(cal->min_Nm, 0), high = fmax(cal->max_Nm, 0);
	struct regress fit;

	for (int i = 0; i < POINTS; i++) {
		torque[i] = 0.5 * (low + high) - 0.5 * (high - low) * cos(acos(-1.0) * i / (POINTS - 1));
		x[i] = poly_value(cal->coef, torque[i]);
		if (!(poly_slope(cal->coef, torque[i]) * poly_slope(cal->coef, 0.5 * (low + high)) > 0))
			return err_set(err, RC_RANGE, 0,
				       "the fitted polynomial turns back at %g N\u00b7m: no equation gives the torque",
				       torque[i]);
	}
	const struct regress_in in = { .n = POINTS, .m = 1, .x = x, .y = torque, .degree = 3 };
	enum rc rc = regress_fit(&in, &fit, NULL, err);
	if (rc)
		return rc;
	*ret = (struct cellcal_equation){ .degree = 3 };
	for (size_t j = 0; j < fit.p; j++)
		ret->coef[j] = fit.coef[j];
	for (int i = 0; i < POINTS; i++)
		ret->worst_Nm = fmax(ret->worst_Nm, fabs(at(ret, x[i]) - torque[i]));
	return RC_OK;
}

enum rc cellcal_equation(const struct cellcal *cal, struct cellcal_equation *ret, struct err *err)
{
	if (!(fabs(cal->coef[1]) > 0))
		return err_set(err, RC_SINGULAR, 0,
			       "the indication does not change with the load: no equation gives the torque");
	if (cal->degree > 1)
		return nearest_cubic(cal, ret, err);
	*ret = (struct cellcal_equation){ .degree = 1, .coef = { -cal->coef[0] / cal->coef[1], 1 / cal->coef[1] } };
	return RC_OK;
}
