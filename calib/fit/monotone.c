/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/monotone.h"

#include <math.h>

void monotone_pool(double *y, const double *weight, size_t n)
{
	double mean[MONOTONE_MAX], total[MONOTONE_MAX];
	size_t length[MONOTONE_MAX], blocks = 0, at = 0;

	for (size_t i = 0; i < n; i++) {
		mean[blocks] = y[i];
		total[blocks] = weight[i];
		length[blocks++] = 1;
		while (blocks > 1 && mean[blocks - 2] > mean[blocks - 1]) {
			size_t a = blocks - 2, b = blocks - 1;
			double sum = total[a] + total[b];
			mean[a] += (mean[b] - mean[a]) * (total[b] / sum);
			total[a] = sum;
			length[a] += length[b];
			blocks--;
		}
	}
	for (size_t b = 0; b < blocks; b++)
		for (size_t k = 0; k < length[b]; k++)
			y[at++] = mean[b];
}

static double chord(const double *x, const double *y, size_t i)
{
	return (y[i + 1] - y[i]) / (x[i + 1] - x[i]);
}

/* A slope at a knot with chords a and b beside it that cannot overshoot: within three times either chord. */
static double limited(double slope, double a, double b)
{
	if (!(a * b > 0))
		return 0;
	double most = 3 * fmin(fabs(a), fabs(b));
	return copysign(fmin(fabs(slope), most), a);
}

static double end_slope(double h0, double h1, double d0, double d1)
{
	double slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);

	if (!(slope * d0 > 0))
		return 0;
	return fabs(slope) > 3 * fabs(d0) ? 3 * d0 : slope;
}

void monotone_slopes(const double *x, const double *y, size_t n, double *ret_slope)
{
	if (n < 3) {
		for (size_t i = 0; i < n; i++)
			ret_slope[i] = n == 2 ? chord(x, y, 0) : 0;
		return;
	}
	for (size_t i = 1; i + 1 < n; i++) {
		double a = chord(x, y, i - 1), b = chord(x, y, i), h0 = x[i] - x[i - 1], h1 = x[i + 1] - x[i];
		ret_slope[i] = limited((a * h1 + b * h0) / (h0 + h1), a, b);
	}
	ret_slope[0] = end_slope(x[1] - x[0], x[2] - x[1], chord(x, y, 0), chord(x, y, 1));
	ret_slope[n - 1] = end_slope(x[n - 1] - x[n - 2], x[n - 2] - x[n - 3], chord(x, y, n - 2), chord(x, y, n - 3));
}

static size_t segment(const double *x, size_t n, double at)
{
	size_t low = 0, high = n - 1;

	while (high - low > 1) {
		size_t middle = (low + high) / 2;
		if (x[middle] > at)
			high = middle;
		else
			low = middle;
	}
	return low;
}

static double hermite(const double *x, const double *y, const double *slope, size_t i, double at)
{
	double h = x[i + 1] - x[i], t = (at - x[i]) / h, s = 1 - t;

	return y[i] * s * s * (1 + 2 * t) + y[i + 1] * t * t * (3 - 2 * t) +
	       h * t * s * (slope[i] * s - slope[i + 1] * t);
}

double monotone_value(const double *x, const double *y, const double *slope, size_t n, double at)
{
	if (n == 0 || isnan(at))
		return NAN;
	if (n == 1 || !(at > x[0]))
		return y[0];
	if (!(at < x[n - 1]))
		return y[n - 1];
	return hermite(x, y, slope, segment(x, n, at), at);
}

double monotone_inverse(const double *x, const double *y, const double *slope, size_t n, double value)
{
	size_t i = 0;

	if (n == 0 || isnan(value))
		return NAN;
	if (n == 1 || !(value > y[0]))
		return x[0];
	if (value > y[n - 1])
		return x[n - 1];
	while (i + 2 < n && y[i + 1] < value)
		i++;
	double low = x[i], high = x[i + 1];
	for (int k = 0; k < 60; k++) {
		double middle = 0.5 * (low + high);
		if (hermite(x, y, slope, i, middle) < value)
			low = middle;
		else
			high = middle;
	}
	return high;
}
