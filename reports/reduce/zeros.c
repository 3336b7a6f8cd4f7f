/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/zeros.h"

#include "calib/cell/cell_warmth.h"
#include "calib/cell/turned_zero.h"
#include "calib/number/units.h"

#include <math.h>
#include <stdio.h>

/* Common practice, no source, both. */
#define DRAG_FRAC 0.03     /* of the brake's rating: its drag where no key states it */
#define WANDER_FRAC 0.0005 /* of the cell's full scale: a zero wanders so far for no reason that is known */

static double middle_s(const struct seq_point *point)
{
	return 0.5 * (s_from_ns(point->begin.ns) + s_from_ns(point->end.ns));
}

static double sure(double u)
{
	return isfinite(u) ? u : 0;
}

static bool is_zero(const struct window_means *reading)
{
	return (reading->point.flags & POINT_TARE) && reading->count.n > 1;
}

static struct zero *new_zero(struct reduction *r, const struct window_means *reading, struct zero *room)
{
	char name[64];
	struct zero *z = &room[r->n_zeros++];

	r->zeros = room;
	snprintf(name, sizeof name, "zero reading %zu", r->n_zeros);
	*z = (struct zero){
		.run_id = reading->run_id,
		.dof = reading->count.scatter_dof,
		.n = (double)reading->count.n,
		.ambient_degC = reading->temp_degC[TEMP_AMBIENT],
		.cell_degC = reading->temp_degC[TEMP_CELL],
		.noise = unc_source(r->ctx, name, DIST_NORMAL, reading->count.scatter_dof),
	};
	snprintf(name, sizeof name, "drag fading at zero reading %zu", r->n_zeros);
	z->fading = unc_source(r->ctx, name, DIST_RECT, INFINITY);
	return z;
}

static void add_at_rest(struct reduction *r, const struct window_means *reading, struct zero *room)
{
	struct zero *z = new_zero(r, reading, room);

	z->at_s = middle_s(&reading->point);
	z->count = r->rig.cell_sign * reading->count.value;
	z->u_count = sure(reading->count.scatter);
	z->locked_Nm = r->rig.brake_drag_Nm > 0 ? r->rig.brake_drag_Nm : DRAG_FRAC * r->rig.brake_rated_Nm;
}

/* half: forward, backward and, n 3, forward. */
static void add_turned(struct reduction *r, const struct window_means *half, size_t n, struct zero *room)
{
	struct zero *z = new_zero(r, &half[1], room);
	struct turned_half h[3] = { { 0 } };

	z->n = 0;
	for (size_t i = 0; i < n; i++) {
		h[i] = (struct turned_half){ middle_s(&half[i].point), r->rig.cell_sign * half[i].count.value,
					     sure(half[i].count.scatter) };
		z->n += (double)half[i].count.n;
	}
	struct turned_zero found = turned_zero_join(h, n, r->rig.drag_ratio.value);
	z->at_s = found.at_s;
	z->count = found.zero;
	z->u_count = found.u_zero;
	z->u_unlike = r->rig.drag_ratio.u * found.unlike;
	z->u_fade = found.fade_limit / sqrt(3);
	z->turned = true;
}

/* How many readings from here on were turned in a row. */
static size_t turned_in_a_row(const struct window_means *reading, size_t n)
{
	size_t i = 0;

	while (i < n && is_zero(&reading[i]) && reading[i].point.direction != 0 &&
	       reading[i].run_id == reading[0].run_id)
		i++;
	return i;
}

/* The last forward, backward, forward of a row; a row that has no third reading is one of an older logbook or was cut
 * short. */
static void add_row(struct reduction *r, const struct window_means *row, size_t n, struct zero *room)
{
	for (size_t take = 3; take >= 2; take--) {
		const struct window_means *from = row + n - take;
		bool is_it = n >= take && from[0].point.direction > 0 && from[1].point.direction < 0 &&
			     (take == 2 || from[2].point.direction > 0);
		if (!is_it)
			continue;
		add_turned(r, from, take, room);
		return;
	}
}

static double warmed_between_K(const struct zero *before, const struct zero *after)
{
	return sure(cell_warmed_K(before->cell_degC, before->ambient_degC, after->cell_degC, after->ambient_degC));
}

/* What noise, fading drag, temperature, creep and the cell's own return explain of the difference of two zeros, N·m. */
static double u_moved_Nm(const struct reduction *r, const struct zero *before, const struct zero *after, double slope)
{
	double warmed_K = warmed_between_K(before, after);
	const double part[] = {
		slope * before->u_count,
		slope * after->u_count,
		slope * before->u_fade,
		slope * after->u_fade,
		slope * (after->u_unlike - before->u_unlike),
		before->locked_Nm / sqrt(3),
		after->locked_Nm / sqrt(3),
		r->rig.zero_drift_Nm_per_K.u * warmed_K,
		r->rig.creep_frac.u * r->cal.max_Nm,
		r->cal.zero_return_Nm / sqrt(3),
		WANDER_FRAC * r->rig.cell_full_scale_Nm / sqrt(3),
	};
	double sum = 0;

	for (size_t i = 0; i < sizeof part / sizeof part[0]; i++)
		sum += sure(part[i]) * sure(part[i]);
	return sqrt(sum);
}

/* The stretch from a zero to the next of the same run. */
static void judge_stretch(struct reduction *r, struct zero *before, const struct zero *after)
{
	char name[64];
	double slope = cellcal_slope_Nm(&r->cal, 0), warmed_K = warmed_between_K(before, after);
	double warmth_Nm = r->rig.zero_drift_Nm_per_K.value * warmed_K;

	before->moved_Nm = slope * (after->count - before->count);
	before->u_moved_Nm = u_moved_Nm(r, before, after, slope);
	before->explained_Nm = 2 * before->u_moved_Nm + fmax(copysign(1, before->moved_Nm) * warmth_Nm, 0);
	before->doubted = !(fabs(before->moved_Nm - warmth_Nm) <= 2 * before->u_moved_Nm);
	snprintf(name, sizeof name, "zero drift after reading %zu", (size_t)(before - r->zeros) + 1);
	before->drift = unc_source(r->ctx, name, before->doubted ? DIST_NORMAL : DIST_RECT, INFINITY);
}

void reduction_add_zeros(struct reduction *r, const struct window_means *readings, size_t n, struct zero *room)
{
	r->locked = unc_source(r->ctx, "friction locked in at a zero at rest", DIST_RECT, INFINITY);
	for (size_t i = 0, row; i < n; i += row) {
		row = turned_in_a_row(&readings[i], n - i);
		if (row > 0) {
			add_row(r, &readings[i], row, room);
			continue;
		}
		row = 1;
		if (is_zero(&readings[i]))
			add_at_rest(r, &readings[i], room);
	}
	for (size_t i = 0; i + 1 < r->n_zeros; i++)
		if (r->zeros[i].run_id == r->zeros[i + 1].run_id)
			judge_stretch(r, &r->zeros[i], &r->zeros[i + 1]);
}

bool zeros_around(const struct reduction *r, int64_t run_id, double at_s, const struct zero **ret_before,
		  const struct zero **ret_after)
{
	const struct zero *before = NULL, *after = NULL;

	for (size_t i = 0; i < r->n_zeros; i++) {
		const struct zero *z = &r->zeros[i];
		if (z->run_id != run_id)
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
		.cell_degC = before->cell_degC + s * (after->cell_degC - before->cell_degC),
		.share_after = s,
		.before = before,
		.after = after,
		.drift_u = before->doubted ? half_width : 2 * sqrt(s * (1 - s)) * half_width / sqrt(3),
	};
}

/* Parts of the same kind of both zeros; each has a source of its own. */
static struct unc with_both(struct unc_ctx *ctx, struct unc torque, const struct zero_here *z, uint32_t source_before,
			    double u_before, uint32_t source_after, double u_after)
{
	if (u_before > 0)
		torque = unc_with(ctx, torque, source_before, -(1 - z->share_after) * u_before);
	if (z->after != z->before && u_after > 0)
		torque = unc_with(ctx, torque, source_after, -z->share_after * u_after);
	return torque;
}

struct unc zeros_take_off(const struct reduction *r, struct unc torque, const struct zero_here *z, double slope)
{
	struct unc_ctx *ctx = r->ctx;
	const struct zero *a = z->before, *b = z->after;
	double s = z->share_after, per = fabs(slope);

	torque = with_both(ctx, torque, z, a->noise, per * a->u_count, b->noise, per * b->u_count);
	torque = with_both(ctx, torque, z, a->fading, per * a->u_fade, b->fading, per * b->u_fade);
	if (a != b)
		torque = unc_with(ctx, torque, a->drift, slope * z->drift_u);
	double u_unlike = (1 - s) * a->u_unlike + s * b->u_unlike,
	       locked_Nm = (1 - s) * a->locked_Nm + s * b->locked_Nm;
	if (u_unlike > 0)
		torque = unc_with(ctx, torque, r->drag_unlike, -slope * u_unlike);
	/* one source: what a shaft keeps when it stops is much the same each time */
	if (locked_Nm > 0)
		torque = unc_with(ctx, torque, r->locked, -locked_Nm / sqrt(3));
	return torque;
}

/* --- in words --- */

/* A stretch that is doubted says more than one that is not, and then the one over which the zero moved further. */
static bool says_more(const struct zero *stretch, const struct zero *than)
{
	if (!than || stretch->doubted != than->doubted)
		return !than || stretch->doubted;
	return !(fabs(stretch->moved_Nm) <= fabs(than->moved_Nm));
}

static struct curve_zero summary(const struct reduction *r)
{
	const struct zero *most = NULL;
	struct curve_zero ret = {
		.moved_Nm = NAN, .u_moved_Nm = NAN, .noise_Nm = NAN, .noise_dof = INFINITY, .u_faded_Nm = NAN
	};
	double squares = 0, faded_squares = 0;
	double slope = fabs(cellcal_slope_Nm(&r->cal, 0));

	for (size_t i = 0; i < r->n_zeros; i++) {
		const struct zero *z = &r->zeros[i];
		bool later = ret.n > 0, next = i + 1 < r->n_zeros && r->zeros[i + 1].run_id == z->run_id;
		ret.n++;
		squares += slope * slope * z->u_count * z->u_count;
		ret.noise_dof = fmin(ret.noise_dof, z->dof);
		ret.turned = z->turned && (!later || ret.turned);
		ret.locked_Nm = fmax(ret.locked_Nm, z->locked_Nm);
		faded_squares += slope * slope * z->u_fade * z->u_fade;
		ret.faded_Nm = fmax(ret.faded_Nm, slope * z->u_fade * sqrt(3));
		if (next && says_more(z, most))
			most = z;
	}
	if (most) {
		ret.moved_Nm = most->moved_Nm;
		ret.u_moved_Nm = most->u_moved_Nm;
		ret.doubted = most->doubted;
	}
	if (ret.n > 0) {
		ret.noise_Nm = sqrt(squares / (double)ret.n);
		ret.u_faded_Nm = sqrt(faded_squares / (double)ret.n);
	}
	if (most && most->doubted)
		snprintf(ret.note, sizeof ret.note,
			 "The zero of the torque cell is doubtful: it moved by %+.2g N·m, and %.2g N·m is explained. "
			 "The uncertainty of each torque "
			 "covers both readings. Check the cell, its cable, the coupling and the brake's drag.",
			 most->moved_Nm, most->explained_Nm);
	else if (ret.locked_Nm > 0)
		snprintf(ret.note, sizeof ret.note,
			 "The zero was read at rest. Friction may hold up to %.2g N·m in the shaft; the uncertainty of "
			 "each torque covers that. "
			 "Turning the shaft both ways avoids it: use a drive with speed mode, or turn by hand. A "
			 "second pick-up sensor shows the direction.",
			 ret.locked_Nm);
	return ret;
}

/* Part of a sweep that was stopped before its second zero. */
static void remark_single(const struct reduction *r, struct curve *c)
{
	for (size_t i = 0; i < r->n_zeros; i++) {
		int64_t run = r->zeros[i].run_id;
		bool before = i > 0 && r->zeros[i - 1].run_id == run,
		     after = i + 1 < r->n_zeros && r->zeros[i + 1].run_id == run;
		if (!before && !after)
			curve_remark(c,
				     "Run %lld read its zero only once. The drift over that part is not known, and its "
				     "uncertainties hold only what temperature explains.",
				     (long long)run);
	}
}

void zeros_remark(const struct reduction *r, struct curve *c)
{
	c->zero = summary(r);
	if (c->zero.note[0])
		curve_remark(c, "%s", c->zero.note);
	if (!isfinite(c->zero.moved_Nm))
		curve_remark(c, "The zero of the torque cell was read only once. Its drift over the run is not known. "
				"The uncertainties hold only "
				"what temperature explains.");
	else if (!c->zero.doubted)
		curve_remark(c,
			     "The zero of the torque cell moved by %+.4f N·m over the run. Each point uses the line "
			     "between the zero readings around it.",
			     c->zero.moved_Nm);
	if (isfinite(c->zero.moved_Nm))
		remark_single(r, c);
}
