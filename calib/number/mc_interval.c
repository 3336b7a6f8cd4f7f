/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Coverage intervals from draws (JCGM 101, 7.7): only the two tails are ever looked at, so only they are sorted. */
#include "calib/number/montecarlo.h"

#include <math.h>
#include <stdlib.h>

static void swap(double *a, double *b)
{
	double t = *a;

	*a = *b;
	*b = t;
}

/* Hoare's partition about the median of three; n >= 3. Returns i in 1 .. n - 1 with v[0..i) <= pivot <= v[i..n). */
static size_t partition(double *v, size_t n)
{
	size_t mid = n / 2, i = 0, j = n - 1;

	if (v[mid] < v[0])
		swap(&v[mid], &v[0]);
	if (v[n - 1] < v[0])
		swap(&v[n - 1], &v[0]);
	if (v[n - 1] < v[mid])
		swap(&v[n - 1], &v[mid]);
	double pivot = v[mid];
	for (;;) {
		while (v[i] < pivot)
			i++;
		while (v[j] > pivot)
			j--;
		if (i >= j)
			return i;
		swap(&v[i++], &v[j--]);
	}
}

/* The k smallest to the front, in any order. */
static void select_front(double *v, size_t n, size_t k)
{
	while (n > 2) {
		size_t i = partition(v, n);
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

#define SHORT_RUN 24

/* Quicksort with insertion at the end: qsort's call for each comparison costs more than the comparison. Recursion
 * goes into the smaller part, so its depth is at most the logarithm. */
static void sort(double *v, size_t n)
{
	while (n > SHORT_RUN) {
		size_t half = partition(v, n);
		if (half < n - half) {
			sort(v, half);
			v += half;
			n -= half;
		} else {
			sort(v + half, n - half);
			n = half;
		}
	}
	for (size_t i = 1; i < n; i++) {
		double x = v[i];
		size_t j = i;
		for (; j > 0 && v[j - 1] > x; j--)
			v[j] = v[j - 1];
		v[j] = x;
	}
}

/* Both tails, ascending: the `tail` smallest and the `tail` largest values. */
struct tails {
	double *low, *high;
	double *memory; /* NULL when they lie in the values themselves */
};

static struct tails tails_in_place(double *v, size_t n, size_t tail)
{
	if (2 * tail >= n) {
		sort(v, n);
	} else {
		select_front(v, n, tail);
		select_front(v + tail, n - tail, n - 2 * tail);
		sort(v, tail);
		sort(v + n - tail, tail);
	}
	return (struct tails){ v, v + n - tail, NULL };
}

#define SAMPLE 4096

/* Bounds that leave a little more than a tail on either side: by a sample, four of its standard deviations wide. */
static bool sample_bounds(const double *v, size_t n, size_t tail, double *low, double *high)
{
	double sample[SAMPLE], share = (double)tail / (double)n * SAMPLE;
	size_t stride = n / SAMPLE, rank = (size_t)(share + 4.0 * sqrt(share) + 4.0);

	if (stride < 8 || rank > SAMPLE / 4)
		return false;
	for (size_t i = 0; i < SAMPLE; i++)
		sample[i] = v[i * stride];
	sort(sample, SAMPLE);
	*low = sample[rank];
	*high = sample[SAMPLE - 1 - rank];
	return true;
}

/* One pass without a branch that depends on the data gathers what can belong to a tail; the rest is never moved. */
static bool tails_gathered(const double *v, size_t n, size_t tail, struct tails *ret)
{
	double low, high;

	if (!sample_bounds(v, n, tail, &low, &high))
		return false;
	size_t room = n / 3, n_low = 0, n_high = 0;
	double *memory = malloc(2 * (room + 1) * sizeof *memory), *a = memory, *b = memory + room + 1;
	if (!memory)
		return false;
	for (size_t i = 0; i < n; i++) {
		a[n_low] = v[i];
		n_low += v[i] <= low && n_low < room;
		b[n_high] = v[i];
		n_high += v[i] >= high && n_high < room;
	}
	/* Too few by bad luck of the sample, or too many because values are alike: the slow way is right for both. */
	if (n_low < tail || n_high < tail || n_low == room || n_high == room) {
		free(memory);
		return false;
	}
	select_front(a, n_low, tail);
	select_front(b, n_high, n_high - tail);
	sort(a, tail);
	sort(b + n_high - tail, tail);
	*ret = (struct tails){ a, b + n_high - tail, memory };
	return true;
}

bool montecarlo_intervals(double *values, size_t n, double coverage, double ret_symmetric[2], double ret_shortest[2])
{
	size_t q = (size_t)(coverage * (double)n + 0.5);
	struct tails t;

	if (!(coverage > 0 && coverage < 1) || n < 2 || q < 1 || q >= n)
		return false;
	/* y(r) with r = 1 .. outside, and y(r + q): two tails of that length. */
	size_t outside = n - q, r = outside % 2 == 0 ? outside / 2 : (outside + 1) / 2, best = 0;
	if (!tails_gathered(values, n, outside, &t))
		t = tails_in_place(values, n, outside);
	for (size_t i = 1; i < outside; i++)
		if (t.high[i] - t.low[i] < t.high[best] - t.low[best])
			best = i;
	if (r < 1)
		r = 1;
	ret_symmetric[0] = t.low[r - 1];
	ret_symmetric[1] = t.high[r - 1];
	ret_shortest[0] = t.low[best];
	ret_shortest[1] = t.high[best];
	free(t.memory);
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
