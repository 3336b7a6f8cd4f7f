/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Coverage intervals from draws (JCGM 101, 7.7): only the two tails are ever looked at, so only they are sorted. */
#include "calib/montecarlo.h"

#include <math.h>
#include <stdlib.h>

static void swap(double *a, double *b)
{
	double t = *a;

	*a = *b;
	*b = t;
}

static int ascending(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;

	return (x > y) - (x < y);
}

/* The k smallest to the front, in any order (Hoare's selection, median of three). */
static void select_front(double *v, size_t n, size_t k)
{
	while (n > 2) {
		size_t mid = n / 2;
		if (v[mid] < v[0])
			swap(&v[mid], &v[0]);
		if (v[n - 1] < v[0])
			swap(&v[n - 1], &v[0]);
		if (v[n - 1] < v[mid])
			swap(&v[n - 1], &v[mid]);
		double pivot = v[mid];
		size_t i = 0, j = n - 1;
		for (;;) {
			while (v[i] < pivot)
				i++;
			while (v[j] > pivot)
				j--;
			if (i >= j)
				break;
			swap(&v[i++], &v[j--]);
		}
		/* v[0..i) <= pivot <= v[i..n) */
		if (k == i)
			return;
		if (k < i) {
			n = i;
		} else {
			v += i;
			n -= i;
			k -= i;
		}
	}
	if (n == 2 && v[1] < v[0])
		swap(&v[0], &v[1]);
}

static void sort_tails(double *v, size_t n, size_t tail)
{
	if (2 * tail >= n) {
		qsort(v, n, sizeof *v, ascending);
		return;
	}
	select_front(v, n, tail);
	select_front(v + tail, n - tail, n - 2 * tail);
	qsort(v, tail, sizeof *v, ascending);
	qsort(v + n - tail, tail, sizeof *v, ascending);
}

bool montecarlo_intervals(double *values, size_t n, double coverage, double ret_symmetric[2], double ret_shortest[2])
{
	size_t q = (size_t)(coverage * (double)n + 0.5);

	if (!(coverage > 0 && coverage < 1) || n < 2 || q < 1 || q >= n)
		return false;
	size_t outside = n - q, r = outside % 2 == 0 ? outside / 2 : (outside + 1) / 2, best = 1;
	/* y(r) with r = 1 .. outside, and y(r + q): two tails of that length. */
	sort_tails(values, n, outside);
	if (r < 1)
		r = 1;
	for (size_t i = 2; i <= outside; i++)
		if (values[i - 1 + q] - values[i - 1] < values[best - 1 + q] - values[best - 1])
			best = i;
	ret_symmetric[0] = values[r - 1];
	ret_symmetric[1] = values[r - 1 + q];
	ret_shortest[0] = values[best - 1];
	ret_shortest[1] = values[best - 1 + q];
	return true;
}

double montecarlo_tolerance(double u, int digits)
{
	if (!(u > 0) || !isfinite(u))
		return 0;
	int exponent = (int)floor(log10(u));
	/* 0.0998 with two digits is 10 x 10^-2, not 99.8 x 10^-3: as rounded, the guide's c has just so many digits. */
	double c = nearbyint(u / pow(10.0, exponent - digits + 1));
	if (c >= pow(10.0, digits))
		exponent++;
	return 0.5 * pow(10.0, exponent - digits + 1);
}
