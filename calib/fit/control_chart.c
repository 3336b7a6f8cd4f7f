/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/control_chart.h"

#include <math.h>
#include <string.h>

#define D2_OF_TWO 1.128 /* e-Handbook 6.3.2.2, three digits as printed there */

static void find_limits(const double *x, const bool *in_base, size_t n, struct control_chart *ret)
{
	double sum = 0, ranges = 0, before = 0;

	for (size_t i = 0; i < n && ret->n_base < CHART_BASE; i++) {
		if (in_base && !in_base[i])
			continue;
		sum += x[i];
		ranges += ret->n_base ? fabs(x[i] - before) : 0;
		before = x[i];
		ret->n_base++;
	}
	double base = (double)ret->n_base;
	ret->centre = sum / base;
	ret->sigma = ret->n_base > 1 ? ranges / (base - 1) / D2_OF_TWO : NAN;
}

/* Of the last of values up to and with i: how many are further than sigmas on that side. */
static size_t beyond(const double *x, size_t i, size_t last, const struct control_chart *c, double sigmas, int side)
{
	size_t count = 0;

	for (size_t k = 0; k < last && k <= i; k++)
		count += side * (x[i - k] - c->centre) > sigmas * c->sigma;
	return count;
}

static bool trends(const double *x, size_t i, int side)
{
	size_t steps = 0;

	while (steps < i && side * (x[i - steps] - x[i - steps - 1]) > 0)
		steps++;
	return steps >= 5;
}

static bool rule_holds(const double *x, size_t i, const struct control_chart *c, enum chart_rule rule, int side)
{
	switch (rule) {
	case CHART_BEYOND: return beyond(x, i, 1, c, 3, side) == 1;
	case CHART_ONE_SIDE: return beyond(x, i, 9, c, 0, side) == 9;
	case CHART_TREND: return trends(x, i, side);
	case CHART_TWO_OF_3: /* the value itself is one of them: else the hit was told before */
		return beyond(x, i, 1, c, 2, side) == 1 && beyond(x, i, 3, c, 2, side) >= 2;
	case CHART_FOUR_OF_5: return beyond(x, i, 1, c, 1, side) == 1 && beyond(x, i, 5, c, 1, side) >= 4;
	}
	return false;
}

static void put(struct control_chart *c, struct chart_hit hit)
{
	if (c->n_hits == CHART_HITS) {
		memmove(c->hit, c->hit + 1, (CHART_HITS - 1) * sizeof c->hit[0]);
		c->n_hits--;
	}
	c->hit[c->n_hits++] = hit;
}

static void look(const double *x, size_t i, struct control_chart *c)
{
	static const enum chart_rule rules[] = { CHART_BEYOND, CHART_ONE_SIDE, CHART_TREND, CHART_TWO_OF_3,
						 CHART_FOUR_OF_5 };

	for (size_t r = 0; r < sizeof rules / sizeof rules[0]; r++)
		for (int side = -1; side <= 1; side += 2)
			if (rule_holds(x, i, c, rules[r], side))
				put(c, (struct chart_hit){ rules[r], i, side });
}

enum rc control_chart(const double *x, const bool *in_base, size_t n, struct control_chart *ret, struct err *err)
{
	struct control_chart c = { .n = n };

	for (size_t i = 0; i < n; i++)
		if (!isfinite(x[i]))
			return err_set(err, RC_ARG, 0, "value %zu of %zu of the control chart is not a finite number",
				       i + 1, n);
	find_limits(x, in_base, n, &c);
	if (c.n_base == 0)
		return err_set(err, RC_ARG, 0, "a control chart needs a value for its baseline, found none");
	for (size_t i = 0; i < n && c.sigma > 0; i++)
		look(x, i, &c);
	*ret = c;
	return RC_OK;
}

const char *chart_rule_words(const struct chart_hit *hit)
{
	bool up = hit->side > 0;

	switch (hit->rule) {
	case CHART_BEYOND: return up ? "above the 3 sigma line" : "below the 3 sigma line";
	case CHART_ONE_SIDE: return up ? "9 in a row above the centre" : "9 in a row below the centre";
	case CHART_TREND: return up ? "6 in a row rising" : "6 in a row falling";
	case CHART_TWO_OF_3: return up ? "2 of 3 above the 2 sigma line" : "2 of 3 below the 2 sigma line";
	case CHART_FOUR_OF_5: return up ? "4 of 5 above the 1 sigma line" : "4 of 5 below the 1 sigma line";
	}
	return "";
}
