/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/brake/brakemap.h"

#include "calib/brake/brakemap_private.h"
#include "calib/fit/monotone.h"

#include <math.h>
#include <stdlib.h>
#include <string.h>

static enum rc check(const struct brakemap_reading *r, size_t n, struct err *err)
{
	for (size_t i = 0; i < n; i++) {
		if (!isfinite(r[i].current_A) || !isfinite(r[i].torque_Nm) || !isfinite(r[i].u_torque_Nm) ||
		    !isfinite(r[i].slip_rpm))
			return err_set(err, RC_ARG, 0, "reading %zu of %zu of the brake map is not finite", i + 1, n);
		if (r[i].u_torque_Nm < 0)
			return err_set(err, RC_ARG, 0,
				       "reading %zu of %zu of the brake map has the negative uncertainty %g N·m", i + 1,
				       n, r[i].u_torque_Nm);
		if (fabs(r[i].torque_Nm) > 1e12 || fabs(r[i].current_A) > 1e12)
			return err_set(err, RC_RANGE, 0,
				       "reading %zu of %zu of the brake map (%g A, %g N·m) is too large to "
				       "compute with",
				       i + 1, n, r[i].current_A, r[i].torque_Nm);
	}
	return RC_OK;
}

/* One curve through the knots of a branch: what falls is pooled, then the cubic. */
static void take_curve(const struct brakemap_knots *k, struct brakemap_curve *ret)
{
	double weight[BRAKEMAP_KNOTS];

	memset(ret, 0, sizeof *ret);
	ret->n = k->n;
	for (size_t i = 0; i < k->n; i++) {
		ret->current_A[i] = k->knot[i].current_A;
		ret->torque_Nm[i] = k->knot[i].torque_Nm;
		ret->u_torque_Nm[i] = k->knot[i].u_Nm;
		weight[i] = k->knot[i].n;
	}
	monotone_pool(ret->torque_Nm, weight, ret->n);
	for (size_t i = 0; i < k->n; i++) {
		/* What pooling moved is not known better than by how far it was moved. */
		double moved = ret->torque_Nm[i] - k->knot[i].torque_Nm;
		ret->u_torque_Nm[i] = hypot(ret->u_torque_Nm[i], moved);
	}
	monotone_slopes(ret->current_A, ret->torque_Nm, ret->n, ret->slope_Nm_per_A);
}

/* The branch at zero current: its knot there, or none. */
static bool at_zero(const struct brakemap_curve *c, double max_A, double *ret_Nm, double *ret_u_Nm)
{
	if (!(fabs(c->current_A[0]) <= 0.01 * max_A))
		return false;
	*ret_Nm = c->torque_Nm[0];
	*ret_u_Nm = c->u_torque_Nm[0];
	return true;
}

static void take_zero(struct brakemap *map)
{
	double drag, u_drag, left, u_left;

	map->drag_Nm = map->u_drag_Nm = map->remanence_Nm = map->u_remanence_Nm = NAN;
	if (!at_zero(&map->branch[BRAKEMAP_RISING], map->max_A, &drag, &u_drag))
		return;
	map->drag_Nm = drag;
	map->u_drag_Nm = u_drag;
	if (!at_zero(&map->branch[BRAKEMAP_FALLING], map->max_A, &left, &u_left))
		return;
	map->remanence_Nm = left - drag;
	map->u_remanence_Nm = hypot(u_drag, u_left);
}

static void take_range(const struct brakemap_reading *r, size_t n, struct brakemap *map)
{
	map->min_slip_rpm = INFINITY;
	map->max_slip_rpm = -INFINITY;
	for (size_t i = 0; i < n; i++) {
		map->min_slip_rpm = fmin(map->min_slip_rpm, fabs(r[i].slip_rpm));
		map->max_slip_rpm = fmax(map->max_slip_rpm, fabs(r[i].slip_rpm));
		map->max_A = fmax(map->max_A, r[i].current_A);
		map->max_Nm = fmax(map->max_Nm, r[i].torque_Nm);
	}
}

/* The last rising reading is where the current turns: the falling branch begins there. */
static void share_the_turn(const struct brakemap_knots *rising, double max_A, struct brakemap_knots *falling)
{
	const struct brakemap_knot *turn = &rising->knot[rising->n - 1];

	if (falling->n < BRAKEMAP_KNOTS && turn->current_A > falling->knot[falling->n - 1].current_A + 0.01 * max_A)
		falling->knot[falling->n++] = *turn;
}

static enum rc take_branches(const struct brakemap_reading *r, size_t n, struct brakemap *map,
			     struct brakemap_knots knots[2], struct err *err)
{
	static const char *const word[] = { "rising", "falling" };

	for (int b = 0; b < 2; b++) {
		enum brakemap_branch branch = b ? BRAKEMAP_FALLING : BRAKEMAP_RISING;
		enum rc rc = brakemap_gather(r, n, branch, map, &knots[b], err);
		if (rc)
			return rc;
		if (knots[b].n < 3)
			return err_set(err, RC_ARG, 0,
				       "the %s branch of the brake map has %zu different currents; it needs at "
				       "least 3",
				       word[b], knots[b].n);
		if (b)
			share_the_turn(&knots[BRAKEMAP_RISING], map->max_A, &knots[b]);
		take_curve(&knots[b], &map->branch[b]);
		const struct brakemap_curve *c = &map->branch[b];
		if (!(c->torque_Nm[c->n - 1] > c->torque_Nm[0]))
			return err_set(
				err, RC_SINGULAR, 0,
				"on the %s branch torque does not rise with current (%.4g N·m at "
				"%.4g A, %.4g N·m at %.4g A): check the coil, the sign of the cell and that the shaft "
				"turned",
				word[b], knots[b].knot[0].torque_Nm, c->current_A[0], knots[b].knot[c->n - 1].torque_Nm,
				c->current_A[c->n - 1]);
	}
	return RC_OK;
}

enum rc brakemap_fit(const struct brakemap_reading *readings, size_t n, struct brakemap *ret, struct err *err)
{
	struct brakemap_knots knots[2];
	struct brakemap map;
	enum rc rc = check(readings, n, err);

	if (rc)
		return rc;
	memset(&map, 0, sizeof map);
	map.lag_s = map.u_lag_s = NAN;
	take_range(readings, n, &map);
	if ((rc = brakemap_slip(readings, n, &map, err)) || (rc = take_branches(readings, n, &map, knots, err)))
		return rc;
	const struct brakemap_knots *rising = &knots[BRAKEMAP_RISING];
	map.u_slip_slope_Nm_per_rpm = hypot(map.u_slip_slope_Nm_per_rpm,
					    map.slip_slope_Nm_per_rpm * brakemap_scale(&rising->knot[rising->n - 1]));
	take_zero(&map);
	brakemap_linear_range(&knots[BRAKEMAP_RISING], &map);
	*ret = map;
	return RC_OK;
}

double brakemap_torque(const struct brakemap *map, enum brakemap_branch branch, double current_A)
{
	const struct brakemap_curve *c = &map->branch[branch];

	return monotone_value(c->current_A, c->torque_Nm, c->slope_Nm_per_A, c->n, current_A);
}

double brakemap_current(const struct brakemap *map, enum brakemap_branch branch, double torque_Nm)
{
	const struct brakemap_curve *c = &map->branch[branch];

	if (isnan(torque_Nm) || c->n == 0)
		return 0;
	/* Below the smallest torque that was mapped: less current in proportion, none where the map begins at none. */
	if (!(torque_Nm > c->torque_Nm[0]))
		return torque_Nm > 0 && c->torque_Nm[0] > 0
			       ? fmin(fmax(c->current_A[0] * torque_Nm / c->torque_Nm[0], 0), map->max_A)
			       : 0;
	double current = monotone_inverse(c->current_A, c->torque_Nm, c->slope_Nm_per_A, c->n, torque_Nm);
	return fmin(fmax(current, 0), map->max_A);
}
