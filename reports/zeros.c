/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/zeros.h"

#include "calib/units.h"

#include <math.h>
#include <stdio.h>

/* Forwards zero + drag, backwards zero - ratio * drag (run/seq_zero.h). */
static void join_halves(const struct reduction *r, struct zero *z, const struct reading *back)
{
	double count = r->rig.cell_sign * back->count.value, ratio = r->rig.drag_ratio.value;
	double drag = (z->count - count) / (1 + ratio);

	z->at_s = (z->at_s + 0.5 * (s_from_ns(back->point.begin.ns) + s_from_ns(back->point.end.ns))) / 2;
	z->count -= drag;
	z->u_count = hypot(z->u_count, isfinite(back->count.scatter) ? back->count.scatter : 0) / 2;
	z->n += (double)back->count.n;
	z->u_unlike = r->rig.drag_ratio.u * fabs(drag) / (1 + ratio);
	z->half = false;
}

void reduction_add_zero(struct reduction *r, const struct reading *reading, struct zero *room)
{
	char name[64];
	struct zero *z = &room[r->n_zeros];

	if (reading->point.direction < 0) {
		if (r->n_zeros > 0 && z[-1].half && z[-1].run_id == reading->run_id)
			join_halves(r, &z[-1], reading);
		return;
	}
	snprintf(name, sizeof name, "zero reading %zu", r->n_zeros + 1);
	*z = (struct zero){
		.run_id = reading->run_id,
		.at_s = 0.5 * (s_from_ns(reading->point.begin.ns) + s_from_ns(reading->point.end.ns)),
		.count = r->rig.cell_sign * reading->count.value,
		.u_count = isfinite(reading->count.scatter) ? reading->count.scatter : 0,
		.dof = reading->count.scatter_dof, .n = (double)reading->count.n,
		.ambient_degC = reading->temp_degC[TEMP_AMBIENT], .half = reading->point.direction > 0,
		.noise = unc_source(r->ctx, name, DIST_NORMAL, reading->count.scatter_dof),
	};
	snprintf(name, sizeof name, "zero drift after reading %zu", r->n_zeros + 1);
	z->drift = unc_source(r->ctx, name, DIST_RECT, INFINITY);
	r->zeros = room;
	r->n_zeros++;
}

bool zeros_around(const struct reduction *r, int64_t run_id, double at_s, const struct zero **ret_before,
		  const struct zero **ret_after)
{
	const struct zero *before = NULL, *after = NULL;

	for (size_t i = 0; i < r->n_zeros; i++) {
		const struct zero *z = &r->zeros[i];
		if (z->run_id != run_id || z->half)
			continue;
		if (z->at_s <= at_s)
			before = z;
		else if (after == NULL)
			after = z;
	}
	*ret_before = before ? before : after;
	*ret_after = after ? after : before;
	return before != NULL || after != NULL;
}

struct zero_here zeros_between(const struct zero *before, const struct zero *after, double at_s)
{
	double s = before == after ? 0 : (at_s - before->at_s) / (after->at_s - before->at_s);
	double half_width = 0.5 * fabs(after->count - before->count);

	return (struct zero_here){
		.count = before->count + s * (after->count - before->count),
		.ambient_degC = before->ambient_degC + s * (after->ambient_degC - before->ambient_degC),
		.share_after = s, .before = before, .after = after,
		.drift_u = 2 * sqrt(s * (1 - s)) * half_width / sqrt(3),
	};
}

struct unc zeros_take_off(const struct reduction *r, struct unc torque, const struct zero_here *z, double slope)
{
	struct unc_ctx *ctx = r->ctx;

	torque = unc_with(ctx, torque, z->before->noise, -slope * (1 - z->share_after) * z->before->u_count);
	if (z->after != z->before) {
		torque = unc_with(ctx, torque, z->after->noise, -slope * z->share_after * z->after->u_count);
		torque = unc_with(ctx, torque, z->before->drift, slope * z->drift_u);
	}
	double u_unlike = (1 - z->share_after) * z->before->u_unlike + z->share_after * z->after->u_unlike;
	if (u_unlike > 0)
		torque = unc_with(ctx, torque, r->drag_unlike, -slope * u_unlike);
	return torque;
}
