/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/compare_private.h"

#include "channel/event.h"

#include <math.h>
#include <stdlib.h>

#define SAME_SPEED 0.01
#define BEYOND 1.25 /* of what the parabolas show, as between the points of a claim */

static struct unc value_of(const struct curve_point *p, enum compare_quantity quantity)
{
	switch (quantity) {
	case COMPARE_SPEED: return p->speed_rpm;
	case COMPARE_EFFICIENCY: return p->efficiency_valid ? p->efficiency : (struct unc){ .value = NAN };
	case COMPARE_INPUT_POWER: return p->input_power_W;
	case COMPARE_CURRENT: return p->current_A;
	case COMPARE_QUANTITIES: break;
	}
	return (struct unc){ .value = NAN };
}

/* How far another window would lie. */
static double scatter_of(const struct curve_point *p, enum compare_quantity quantity)
{
	double s = quantity == COMPARE_SPEED        ? p->scatter_rpm
		   : quantity == COMPARE_EFFICIENCY ? p->scatter_efficiency
		   : quantity == COMPARE_CURRENT    ? p->scatter_A
						    : p->scatter_input_W;

	return isfinite(s) ? s : 0;
}

static bool same_speed(double a, double b)
{
	return (isnan(a) && isnan(b)) || fabs(a - b) <= SAME_SPEED * fabs(b);
}

static int by_torque(const void *a, const void *b)
{
	double x = (*(const struct curve_point *const *)a)->torque_Nm.value,
	       y = (*(const struct curve_point *const *)b)->torque_Nm.value;

	return x < y ? -1 : x > y;
}

void branch_of(const struct curve *curve, int direction, double commanded_rpm, enum compare_quantity quantity,
	       struct branch *ret)
{
	*ret = (struct branch){ .curve = curve, .quantity = quantity };
	for (size_t i = 0; i < curve->n && ret->n < BRANCH_MOST; i++) {
		const struct curve_point *p = &curve->points[i];
		if (p->direction == direction && !(p->flags & POINT_REPEAT) && !p->impossible && !p->outlier &&
		    same_speed(p->setpoint_rpm, commanded_rpm) && isfinite(value_of(p, quantity).value) &&
		    isfinite(p->torque_Nm.value))
			ret->point[ret->n++] = p;
	}
	qsort(ret->point, ret->n, sizeof ret->point[0], by_torque);
}

bool branch_holds(const struct branch *b, double torque_Nm)
{
	if (b->n < 2)
		return false;
	struct unc first = b->point[0]->torque_Nm, last = b->point[b->n - 1]->torque_Nm;

	return torque_Nm >= first.value - unc_u(first) && torque_Nm <= last.value + unc_u(last);
}

/* The parabola through three points, at a torque. */
static double parabola(const struct branch *b, size_t first, double torque_Nm)
{
	double sum = 0;

	for (size_t i = first; i < first + 3; i++) {
		double term = value_of(b->point[i], b->quantity).value;
		for (size_t j = first; j < first + 3; j++)
			if (j != i)
				term *= (torque_Nm - b->point[j]->torque_Nm.value) /
					(b->point[i]->torque_Nm.value - b->point[j]->torque_Nm.value);
		sum += term;
	}
	return sum;
}

static double bend(const struct branch *b, size_t i, double torque_Nm, double chord)
{
	double most = 0;

	if (i > 0)
		most = fmax(most, fabs(parabola(b, i - 1, torque_Nm) - chord));
	if (i + 2 < b->n)
		most = fmax(most, fabs(parabola(b, i, torque_Nm) - chord));
	return isfinite(most) ? BEYOND * most : 0;
}

struct unc branch_at(const struct branch *b, double torque_Nm)
{
	size_t i = 0;
	struct unc_ctx *ctx = b->curve->ctx;

	while (i + 2 < b->n && b->point[i + 1]->torque_Nm.value < torque_Nm)
		i++;
	const struct curve_point *low = b->point[i], *high = b->point[i + 1];
	struct unc y_low = value_of(low, b->quantity), y_high = value_of(high, b->quantity);
	double gap = high->torque_Nm.value - low->torque_Nm.value,
	       w = gap > 0 ? (torque_Nm - low->torque_Nm.value) / gap : 0,
	       slope = gap > 0 ? (y_high.value - y_low.value) / gap : 0,
	       chord = (1 - w) * y_low.value + w * y_high.value;
	/* The measured torque may be off: then the curve lies by its slope elsewhere. */
	const struct unc x[] = { y_low, y_high, low->torque_Nm, high->torque_Nm };
	const double by[] = { 1 - w, w, -(1 - w) * slope, -w * slope };
	struct unc y = unc_combine(ctx, chord, x, by, 4);
	double scatter = hypot((1 - w) * scatter_of(low, b->quantity), w * scatter_of(high, b->quantity)),
	       limits = bend(b, i, torque_Nm, chord);

	if (scatter > 0)
		y = unc_with(ctx, y, unc_source(ctx, "another window", DIST_NORMAL, INFINITY), scatter);
	if (limits > 0)
		y = unc_with(ctx, y, unc_source(ctx, "between the points", DIST_RECT, INFINITY), limits / sqrt(3));
	return y;
}
