/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/cell_u.h"

#include "calib/number/uncertain.h"

#include <math.h>

double cell_indication(const struct cellcal *cal, double torque_Nm)
{
	double y = 0;

	for (int j = cal->degree; j >= 0; j--)
		y = y * torque_Nm + cal->coef[j];
	return y;
}

double cell_u_Nm(const struct cellcal *cal, double torque_Nm)
{
	struct unc_ctx *ctx = unc_ctx_new();
	struct cellcal_unc reg;
	struct unc torque;
	double u = NAN;

	if (!ctx)
		return NAN;
	cellcal_unc_register(cal, ctx, &reg);
	if (cellcal_torque_unc(cal, &reg, ctx, cell_indication(cal, torque_Nm), NULL, &torque, NULL) == RC_OK)
		u = unc_u(torque);
	unc_ctx_free(ctx);
	return u;
}

double cell_mirror_u_Nm(const struct cellcal *cal, double torque_Nm)
{
	double y = cell_indication(cal, torque_Nm), up_Nm, down_Nm;

	if (cal->min_Nm <= -torque_Nm || cellcal_torque(cal, y, &up_Nm, NULL) != RC_OK ||
	    cellcal_torque(cal, -y, &down_Nm, NULL) != RC_OK)
		return 0;
	return fabs(up_Nm + down_Nm) / sqrt(3);
}
