/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/whole_turns.h"

#include <math.h>

#define FEWEST 12

static bool same(double a, double b)
{
	return fabs(a - b) < 0.5;
}

/* Standard uncertainty of a moment; NaN when too few marks come again. */
static double moment_u_s(const double *t_s, const double *at, size_t n, double per_rev)
{
	double sum = 0, last = NAN, last_at = NAN;
	size_t count = 0, j = 0;

	for (size_t i = 0; i < n; i++) {
		while (j < n && at[j] < at[i] + per_rev - 0.5)
			j++;
		if (j == n)
			break;
		if (!same(at[j], at[i] + per_rev))
			continue;
		double turn_s = t_s[j] - t_s[i];
		if (same(at[i], last_at + 1)) {
			sum += (turn_s - last) * (turn_s - last);
			count++;
		}
		last = turn_s;
		last_at = at[i];
	}
	return count >= FEWEST ? sqrt(sum / (double)count) / 2 : NAN;
}

/* The longest stretch of whole turns: the edges at its ends. */
static bool longest(const double *at, size_t n, double per_rev, size_t *ret_from, size_t *ret_to)
{
	double best = 0;

	for (size_t i = 0; i < n && at[n - 1] - at[i] > best; i++) {
		for (size_t j = n - 1; j > i && at[j] - at[i] > best; j--) {
			double turns = round((at[j] - at[i]) / per_rev);

			if (turns >= 1 && same(at[j] - at[i], turns * per_rev)) {
				best = at[j] - at[i];
				*ret_from = i;
				*ret_to = j;
			}
		}
	}
	return best > 0;
}

bool whole_turns(const double *t_s, const double *at, size_t n, double per_rev, struct whole_turns *ret)
{
	size_t from = 0, to = 0;
	double u_s = n > 1 ? moment_u_s(t_s, at, n, per_rev) : NAN;

	if (!(u_s >= 0) || !longest(at, n, per_rev, &from, &to))
		return false;
	double time_s = t_s[to] - t_s[from];
	ret->rpm = (at[to] - at[from]) / per_rev / time_s * 60;
	ret->u_rpm = ret->rpm * sqrt(2) * u_s / time_s;
	ret->left_frac = 1 - time_s / (t_s[n - 1] - t_s[0]);
	return true;
}
