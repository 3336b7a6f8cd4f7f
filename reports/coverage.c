/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/curve.h"

#include <math.h>

double curve_expanded(const struct unc_ctx *ctx, struct unc x, double coverage, double *ret_k)
{
	double dof = unc_dof(ctx, x);
	double k = unc_coverage_factor(dof < 1 ? 1 : dof, coverage);

	if (ret_k != NULL)
		*ret_k = k;
	return k * unc_u(x);
}
