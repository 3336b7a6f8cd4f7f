/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/cell_u.h"

#include "calib/number/uncertain.h"

#include <math.h>
#include <stdio.h>

double cell_indication(const struct cellcal *cal, double torque_Nm)
{
	double y = 0;

	for (int j = cal->degree; j >= 0; j--)
		y = y * torque_Nm + cal->coef[j];
	return y;
}

/* Of a reading of unknown history; false beyond the calibration. The number lives in ctx. */
static bool torque_unc(const struct cellcal *cal, double torque_Nm, struct unc_ctx *ctx, struct unc *ret)
{
	struct cellcal_unc reg;

	cellcal_unc_register(cal, ctx, &reg);
	return cellcal_torque_unc(cal, &reg, ctx, cell_indication(cal, torque_Nm), NULL, ret, NULL) == RC_OK;
}

double cell_u_Nm(const struct cellcal *cal, double torque_Nm)
{
	struct unc_ctx *ctx = unc_ctx_new();
	struct unc torque;
	double u = NAN;

	if (!ctx)
		return NAN;
	if (torque_unc(cal, torque_Nm, ctx, &torque))
		u = unc_u(torque);
	unc_ctx_free(ctx);
	return u;
}

static void add_part(struct cell_parts *to, const char *name, double u_Nm)
{
	struct cell_part *last = &to->part[CELL_PARTS - 1];

	if (to->n < CELL_PARTS) {
		snprintf(to->part[to->n].name, sizeof last->name, "%s", name);
		to->part[to->n++].u_Nm = u_Nm;
		return;
	}
	snprintf(last->name, sizeof last->name, "further sources of the calibration");
	last->u_Nm = hypot(last->u_Nm, u_Nm);
}

void cell_parts_at(const struct cellcal *cal, double torque_Nm, struct cell_parts *ret)
{
	struct unc_ctx *ctx = unc_ctx_new();
	struct unc torque;

	ret->n = 0;
	if (ctx && torque_unc(cal, torque_Nm, ctx, &torque))
		for (size_t i = 0; i < torque.n; i++)
			add_part(ret, unc_source_name(ctx, torque.part[i].source), torque.part[i].u);
	unc_ctx_free(ctx);
}

double cell_mirror_u_Nm(const struct cellcal *cal, double torque_Nm)
{
	double y = cell_indication(cal, torque_Nm), up_Nm, down_Nm;

	if (cal->min_Nm <= -torque_Nm || cellcal_torque(cal, y, &up_Nm, NULL) != RC_OK ||
	    cellcal_torque(cal, -y, &down_Nm, NULL) != RC_OK)
		return 0;
	return fabs(up_Nm + down_Nm) / sqrt(3);
}
