/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/tame/tame_identify_private.h"

#include <gsl/gsl_fft_real.h>
#include <gsl/gsl_sort.h>
#include <gsl/gsl_statistics_double.h>
#include <math.h>
#include <stdlib.h>

#define LEAST_WINDOWS 8 /* of half overlap; fewer make any two signals coherent */

static size_t window_length(size_t n)
{
	size_t length = 64;

	while (length * 2 * (LEAST_WINDOWS + 1) / 2 <= n && length < 8192)
		length *= 2;
	return length;
}

static void windowed(const double *from, size_t length, double *ret)
{
	double mean = gsl_stats_mean(from, 1, length);

	for (size_t i = 0; i < length; i++)
		ret[i] = (from[i] - mean) * (0.5 - 0.5 * cos(2 * M_PI * (double)i / (double)length));
	gsl_fft_real_radix2_transform(ret, 1, length);
}

double tame_coherence(const double *x, const double *y, size_t n, double step_s, double from_Hz, double to_Hz)
{
	size_t length = window_length(n), half = length / 2, found = 0;
	double *all = calloc(2 * length + 5 * half, sizeof *all), ret = NAN;

	if (!all || n < length * (LEAST_WINDOWS + 1) / 2) {
		free(all);
		return NAN;
	}
	double *a = all, *b = a + length, *xx = b + length, *yy = xx + half, *re = yy + half, *im = re + half;
	double *value = im + half;
	for (size_t at = 0; at + length <= n; at += half) {
		windowed(x + at, length, a);
		windowed(y + at, length, b);
		for (size_t k = 1; k < half; k++) {
			double ar = a[k], ai = a[length - k], br = b[k], bi = b[length - k];
			xx[k] += ar * ar + ai * ai;
			yy[k] += br * br + bi * bi;
			re[k] += ar * br + ai * bi;
			im[k] += ar * bi - ai * br;
		}
	}
	for (size_t k = 1; k < half; k++) {
		double hertz = (double)k / ((double)length * step_s);
		if (hertz >= from_Hz && hertz <= to_Hz && xx[k] * yy[k] > 0)
			value[found++] = (re[k] * re[k] + im[k] * im[k]) / (xx[k] * yy[k]);
	}
	if (found > 0) {
		gsl_sort(value, 1, found);
		ret = gsl_stats_median_from_sorted_data(value, 1, found);
	}
	free(all);
	return ret;
}
