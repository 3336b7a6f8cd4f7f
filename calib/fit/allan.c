/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/stats.h"

#include "calib/number/dd.h"

#include <math.h>

static double mean_of(const double *y, size_t n)
{
	struct dd sum = dd_of(0);

	for (size_t i = 0; i < n; i++)
		sum = dd_add(sum, dd_of(y[i]));
	return dd_to(sum) / (double)n;
}

double stats_adev(const double *y, size_t n, size_t m)
{
	double squares = 0;

	if (m < 1 || n / m < 2)
		return NAN;
	double before = mean_of(y, m);
	for (size_t k = 1; k < n / m; k++) {
		double now = mean_of(y + k * m, m);
		squares += (now - before) * (now - before);
		before = now;
	}
	return sqrt(squares / (2 * (double)(n / m - 1)));
}

/* Sum of the second m readings less that of the first m, moved along one reading at a time. */
double stats_oadev(const double *y, size_t n, size_t m)
{
	struct dd difference = dd_of(0);
	double squares = 0;

	if (m < 1 || n / 2 < m)
		return NAN;
	for (size_t i = 0; i < m; i++)
		difference = dd_add(difference, dd_sub(dd_of(y[m + i]), dd_of(y[i])));
	size_t count = n - 2 * m + 1;
	for (size_t i = 0;; i++) {
		double d = dd_to(difference) / (double)m;
		squares += d * d;
		if (i + 1 == count)
			break;
		difference = dd_add(difference, dd_add(dd_of(y[i]), dd_of(y[i + 2 * m])));
		difference = dd_sub(difference, dd_add(dd_of(y[i + m]), dd_of(y[i + m])));
	}
	return sqrt(squares / (2 * (double)count));
}
