/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/stats.h"

#include "calib/number/dd.h"

#include <math.h>

static double for_long_records(size_t n, double r)
{
	if (!n || !(r > -1 && r < 1))
		return NAN;
	return (double)n * (1 - r) / (1 + r);
}

double stats_n_effective_finite(size_t n, double r)
{
	double count = (double)n;

	if (!n || !(r > -1 && r < 1))
		return NAN;
	/* sum_{k=1}^{n-1} (1 - k/n) r^k in closed form */
	double sum = r / (1 - r) - r * (1 - pow(r, count)) / (count * (1 - r) * (1 - r));
	return count / (1 + 2 * sum);
}

static double clip_count(double effective, size_t n)
{
	if (!(effective > 1))
		return 1;
	return effective < (double)n ? effective : (double)n;
}

static void fill_errors(struct stats_mean *s)
{
	bool known = isfinite(s->lag1);

	if (s->n < 2) {
		s->sd = s->lag1 = s->u_mean = s->u_mean_naive = NAN;
		s->n_effective = s->n_effective_finite = (double)s->n;
		return;
	}
	s->n_effective = known ? clip_count(for_long_records(s->n, s->lag1), s->n) : (double)s->n;
	s->n_effective_finite = known ? clip_count(stats_n_effective_finite(s->n, s->lag1), s->n) : (double)s->n;
	s->u_mean = s->sd / sqrt(s->n_effective);
	s->u_mean_naive = s->sd / sqrt((double)s->n);
}

static struct dd dd_mean(const double *x, size_t n)
{
	struct dd sum = dd_of(0);

	for (size_t i = 0; i < n; i++)
		sum = dd_add(sum, dd_of(x[i]));
	return dd_div(sum, dd_of((double)n));
}

enum rc stats_mean(const double *x, size_t n, struct stats_mean *ret, struct err *err)
{
	struct dd squares = dd_of(0), neighbours = dd_of(0), before = dd_of(0);

	if (n < 1)
		return err_set(err, RC_ARG, 0, "a mean needs at least 1 reading, got none");
	for (size_t i = 0; i < n; i++)
		if (!isfinite(x[i]))
			return err_set(err, RC_ARG, 0, "reading %zu of %zu is not a finite number", i + 1, n);
	struct dd mean = dd_mean(x, n);
	for (size_t i = 0; i < n; i++) {
		struct dd d = dd_sub(dd_of(x[i]), mean);
		squares = dd_add(squares, dd_mul(d, d));
		neighbours = dd_add(neighbours, dd_mul(d, before));
		before = d;
	}
	struct stats_mean s = { .n = n, .mean = dd_to(mean), .lag1 = NAN };
	s.sd = n > 1 ? sqrt(dd_to(squares) / ((double)n - 1)) : NAN;
	if (!isfinite(s.mean) || (n > 1 && !isfinite(s.sd)))
		return err_set(err, RC_RANGE, 0, "the readings are too large for their mean to be computed");
	if (n > 2 && squares.hi > 0)
		s.lag1 = dd_to(neighbours) / dd_to(squares);
	fill_errors(&s);
	*ret = s;
	return RC_OK;
}

static double autocovariance(const double *x, size_t n, double mean, size_t lag)
{
	double sum = 0;

	for (size_t i = 0; i + lag < n; i++)
		sum += (x[i] - mean) * (x[i + lag] - mean);
	return sum;
}

double stats_n_effective_acf(const double *x, size_t n)
{
	double total = -1;

	if (n < 4)
		return NAN;
	double mean = dd_to(dd_mean(x, n)), c0 = autocovariance(x, n, mean, 0);
	if (!(c0 > 0))
		return isfinite(c0) ? (double)n : NAN;
	for (size_t lag = 0; lag + 1 < n / 2; lag += 2) {
		double pair = (autocovariance(x, n, mean, lag) + autocovariance(x, n, mean, lag + 1)) / c0;
		if (!(pair > 0))
			break;
		total += 2 * pair;
	}
	return clip_count((double)n / total, total > 0 ? n : 1);
}

enum rc stats_batch_means(const double *x, size_t n, size_t batches, double *ret_mean, double *ret_u, struct err *err)
{
	struct stats_run run;

	if (batches < 2 || n < batches)
		return err_set(err, RC_ARG, 0,
			       "batch means need at least 2 batches with a reading each, got %zu readings for "
			       "%zu batches",
			       n, batches);
	size_t each = n / batches;
	stats_run_begin(&run);
	for (size_t b = 0; b < batches; b++)
		stats_run_add(&run, dd_to(dd_mean(x + b * each, each)));
	struct stats_mean s = stats_run_result(&run);
	if (!isfinite(s.mean))
		return err_set(err, RC_ARG, 0, "a reading is not a finite number");
	*ret_mean = s.mean;
	*ret_u = s.u_mean_naive;
	return RC_OK;
}

void stats_run_begin(struct stats_run *run)
{
	*run = (struct stats_run){ .min = INFINITY, .max = -INFINITY };
}

void stats_run_add(struct stats_run *run, double x)
{
	if (!isfinite(x))
		x = NAN;
	if (run->n == 0)
		run->first = x;
	else
		run->neighbours += (run->last - run->first) * (x - run->first);
	run->n++;
	double d = x - run->mean;
	run->mean += d / (double)run->n;
	run->m2 += d * (x - run->mean);
	run->last = x;
	run->min = fmin(run->min, x);
	run->max = fmax(run->max, x);
}

struct stats_mean stats_run_result(const struct stats_run *run)
{
	struct stats_mean s = { .n = run->n, .mean = run->mean, .lag1 = NAN };
	double n = (double)run->n;

	if (run->n == 0) {
		s.mean = NAN;
		fill_errors(&s);
		return s;
	}
	s.sd = run->n > 1 ? sqrt(run->m2 / (n - 1)) : NAN;
	if (run->n > 2 && run->m2 > 0) {
		/* sum (a_i - d)(a_i+1 - d) with a = x - first, d = mean - first, from the sums kept */
		double d = run->mean - run->first, sum = n * d, last = run->last - run->first;
		double centred = run->neighbours - d * (2 * sum - last) + (n - 1) * d * d;
		s.lag1 = centred / run->m2;
	}
	fill_errors(&s);
	return s;
}
