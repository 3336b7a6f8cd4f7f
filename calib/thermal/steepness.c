/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/thermal/steepness.h"

#include "calib/fit/regress.h"

#include <math.h>

/* 0 where nothing changes. */
static double step_of(const double *degC, size_t n)
{
	double least = INFINITY;

	for (size_t i = 1; i < n; i++) {
		double change = fabs(degC[i] - degC[i - 1]);
		if (change > 1e-9)
			least = fmin(least, change);
	}
	return isfinite(least) ? least : 0;
}

bool steepness_of(const double *time_s, const double *temp_degC, const double *ambient_degC, size_t first, size_t last,
		  double *rise, struct steepness *ret)
{
	struct regress_line line;
	size_t n = last + 1 - first;

	for (size_t i = 0; i < n; i++)
		rise[i] = temp_degC[first + i] - ambient_degC[first + i];
	if (n < 3 || !isfinite(rise[0]) || regress_line_fit(time_s + first, rise, NULL, n, &line, NULL))
		return false;
	double hidden = hypot(step_of(temp_degC, last + 1), step_of(ambient_degC, last + 1)) /
			(time_s[last] - time_s[first]) / sqrt(3);
	*ret = (struct steepness){ 3600 * line.slope, 3600 * hypot(line.u_slope, hidden) };
	return isfinite(ret->K_per_h) && isfinite(ret->u_K_per_h);
}
