/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/outlier.h"
#include "reports/reduce/reduce.h"

#include "calib/fit/regress.h"

#include <math.h>
#include <stdlib.h>

#define ROWS_MIN 7
#define OFF_FRAC 0.05
#define SPREAD_MIN 0.005 /* of the mean: a quantity that was held constant orders nothing */

static double input_power(const struct curve_point *p)
{
	return p->input_power_W.value;
}
static double current(const struct curve_point *p)
{
	return p->current_A.value;
}
static double speed(const struct curve_point *p)
{
	return p->speed_rpm.value;
}

static bool orders(const struct curve *c, double (*by)(const struct curve_point *), double *x)
{
	double low = INFINITY, high = -INFINITY;

	for (size_t i = 0; i < c->n; i++) {
		x[i] = by(&c->points[i]);
		if (!isfinite(x[i]))
			return false;
		low = fmin(low, x[i]);
		high = fmax(high, x[i]);
	}
	return high - low > SPREAD_MIN * fabs(0.5 * (high + low));
}

/* Where the other rows would have it: the residual with the row itself left out of the fit. */
static double expected_Nm(const struct regress_point *p, double measured_Nm)
{
	return measured_Nm - p->residual / (1 - p->leverage);
}

struct room {
	double *x, *y;
	struct regress_point *points;
	unsigned *votes;
	double *expected;
};

static unsigned look(const struct curve *c, struct room *r, double (*by)(const struct curve_point *), double range_Nm)
{
	struct regress fit;
	const struct regress_in in = { .n = c->n, .m = 1, .x = r->x, .y = r->y, .degree = 2 };

	if (!orders(c, by, r->x) || regress_fit(&in, &fit, r->points, NULL) != RC_OK)
		return 0;
	for (size_t i = 0; i < c->n; i++) {
		double expected = expected_Nm(&r->points[i], r->y[i]);
		if (!r->points[i].outlier || !(fabs(expected - r->y[i]) > OFF_FRAC * range_Nm))
			continue;
		r->votes[i]++;
		r->expected[i] = expected;
	}
	return 1;
}

static double range_of(const struct curve *c, double *y)
{
	double low = INFINITY, high = -INFINITY;

	for (size_t i = 0; i < c->n; i++) {
		y[i] = c->points[i].torque_Nm.value;
		low = fmin(low, y[i]);
		high = fmax(high, y[i]);
	}
	return high - low;
}

void outliers_flag(struct curve *c)
{
	struct room r = {
		.x = calloc(c->n + 1, sizeof(double)),
		.y = calloc(c->n + 1, sizeof(double)),
		.points = calloc(c->n + 1, sizeof *r.points),
		.votes = calloc(c->n + 1, sizeof *r.votes),
		.expected = calloc(c->n + 1, sizeof(double)),
	};

	if (c->n >= ROWS_MIN && r.x && r.y && r.points && r.votes && r.expected) {
		double range_Nm = range_of(c, r.y);
		unsigned looks = look(c, &r, input_power, range_Nm);
		if (looks == 0)
			looks = look(c, &r, current, range_Nm);
		looks += look(c, &r, speed, range_Nm);
		for (size_t i = 0; looks > 0 && i < c->n; i++) {
			if (r.votes[i] < looks)
				continue;
			c->points[i].outlier = true;
			point_note(&c->points[i],
				   "breaks the smooth trend of the other rows, which expect about %.3g N·m: check this "
				   "reading "
				   "(it was kept)",
				   r.expected[i]);
		}
	}
	free(r.x);
	free(r.y);
	free(r.points);
	free(r.votes);
	free(r.expected);
}
