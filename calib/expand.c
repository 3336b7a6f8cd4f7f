/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/expand.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

static double kurtosis_of(enum dist dist)
{
	switch (dist) {
	case DIST_RECT:
		return -1.2;
	case DIST_TRI:
		return -0.6;
	case DIST_TRAPEZOID: /* -1.2 (1 + 6 b^2 + b^4)/(2 (1 + b^2)^2); sources do not keep b, so half as wide on top */
		return -0.984;
	case DIST_NORMAL:
	case DIST_T:
		return 0;
	}
	return 0;
}

double unc_kurtosis(const struct unc_ctx *ctx, struct unc a)
{
	double u = unc_u(a), sum = 0;

	if (!(u > 0))
		return 0;
	for (size_t i = 0; i < a.n; i++)
		sum += kurtosis_of(unc_source_dist(ctx, a.part[i].source)) * pow(a.part[i].u / u, 4);
	return sum;
}

double shape_factor(double excess_kurtosis, double coverage)
{
	double normal = gsl_cdf_ugaussian_Pinv(0.5 + 0.5 * fmin(fmax(coverage, 0), 1));

	if (!(coverage > 0 && coverage < 1))
		return NAN;
	if (!(excess_kurtosis < -0.01))
		return normal;
	/* Beta(a, a) on (-1, 1): variance 1/(2a + 1), excess kurtosis -6/(2a + 3). */
	double a = 0.5 * (-6 / fmax(excess_kurtosis, -1.2) - 3);
	return sqrt(2 * a + 1) * (2 * gsl_cdf_beta_Pinv(0.5 + 0.5 * coverage, a, a) - 1);
}

double unc_expand_factor(const struct unc_ctx *ctx, struct unc a, double coverage)
{
	double dof = unc_dof(ctx, a), t = unc_coverage_factor(dof < 1 ? 1 : dof, coverage);

	return t * shape_factor(unc_kurtosis(ctx, a), coverage) / shape_factor(0, coverage);
}
