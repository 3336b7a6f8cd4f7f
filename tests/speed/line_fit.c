/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A weighted straight line through a million points, beside GSL's own call on the same data in the same run. Prints the
 * median times and the median of the ratios; the aim is at most 1.2. Exit 1 beyond it. Run by hand or by meson test
 * --benchmark. */
#include "calib/fit/regress.h"

#include <gsl/gsl_fit.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

#define POINTS 1000000
#define ROUNDS 15

static double now_s(void)
{
	struct timespec t;

	clock_gettime(CLOCK_MONOTONIC, &t);
	return (double)t.tv_sec + 1e-9 * (double)t.tv_nsec;
}

static int by_size(const void *a, const void *b)
{
	double p = *(const double *)a, q = *(const double *)b;

	return (p > q) - (p < q);
}

static double median(double *values)
{
	qsort(values, ROUNDS, sizeof *values, by_size);
	return values[ROUNDS / 2];
}

int main(void)
{
	double *x = malloc(POINTS * sizeof *x), *y = malloc(POINTS * sizeof *y), *w = malloc(POINTS * sizeof *w);
	double ours[ROUNDS], gsl[ROUNDS], ratio[ROUNDS], c0 = 0, c1 = 0, v00, v01, v11, chi2;
	struct regress_line line = { 0 };

	if (!x || !y || !w)
		return 3;
	srand(1);
	for (int i = 0; i < POINTS; i++) {
		x[i] = (double)rand() / RAND_MAX * 60;
		y[i] = 1.5 + 0.25 * x[i] + (double)rand() / RAND_MAX;
		w[i] = 0.5 + (double)rand() / RAND_MAX;
	}
	/* In turns: what else the machine does hits both. */
	for (int i = 0; i < ROUNDS; i++) {
		double t0 = now_s();
		if (regress_line_fit(x, y, w, POINTS, &line, NULL))
			return 3;
		double t1 = now_s();
		gsl_fit_wlinear(x, 1, w, 1, y, 1, POINTS, &c0, &c1, &v00, &v01, &v11, &chi2);
		double t2 = now_s();
		ours[i] = t1 - t0;
		gsl[i] = t2 - t1;
		ratio[i] = ours[i] / gsl[i];
	}
	double middle = median(ratio); /* sorts: the least is first */
	printf("weighted line, %d points: %.2f ms; gsl_fit_wlinear %.2f ms; ratio %.2f (%.2f to %.2f; aim: 1.2)\n",
	       POINTS, 1e3 * median(ours), 1e3 * median(gsl), middle, ratio[0], ratio[ROUNDS - 1]);
	printf("slopes agree to %.1e\n", fabs(line.slope - c1) / fabs(c1));
	free(x);
	free(y);
	free(w);
	return middle <= 1.2 ? 0 : 1;
}
