/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/steady.h"

#include <math.h>
#include <string.h>

void steady_begin(struct steady *s, double window_s, const struct steady_limit *limits, size_t n)
{
	memset(s, 0, sizeof *s);
	s->window_s = window_s;
	s->bin_s = window_s / STEADY_BINS;
	s->n_channels = n < STEADY_CHANNELS ? n : STEADY_CHANNELS;
	for (size_t i = 0; i < s->n_channels; i++)
		s->limit[i] = limits[i];
	s->bin_begin_s = NAN;
}

void steady_clear(struct steady *s)
{
	s->in_bin = s->filled = s->next = 0;
	s->bin_begin_s = NAN;
	memset(s->sum, 0, sizeof s->sum);
}

static void close_bin(struct steady *s)
{
	for (size_t i = 0; i < s->n_channels; i++) {
		s->bin[i][s->next] = s->sum[i] / (double)s->in_bin;
		s->sum[i] = 0;
	}
	s->in_bin = 0;
	s->next = (s->next + 1) % STEADY_BINS;
	if (s->filled < STEADY_BINS)
		s->filled++;
}

bool steady_add(struct steady *s, double t_s, const double *values)
{
	bool closed = false;

	if (isnan(s->bin_begin_s))
		s->bin_begin_s = t_s;
	/* A gap longer than a bin would put old and new side by side as if nothing had been between. */
	if (t_s - s->bin_begin_s > 2 * s->bin_s && s->bin_s * 2 > 0.25) {
		steady_clear(s);
		s->bin_begin_s = t_s;
	}
	if (s->in_bin > 0 && t_s - s->bin_begin_s >= s->bin_s * (1 - 1e-9)) {
		close_bin(s);
		closed = true;
		s->bin_begin_s += s->bin_s;
		if (t_s - s->bin_begin_s >= s->bin_s)
			s->bin_begin_s = t_s; /* rate slower than a bin: one sample a bin */
	}
	for (size_t i = 0; i < s->n_channels; i++)
		s->sum[i] += values[i];
	s->in_bin++;
	return closed;
}

/* Correlated residuals make the slope less sure by sqrt((1+r)/(1-r)). */
static double autocorrelation_factor(const double *residual, size_t n)
{
	double c0 = 0, c1 = 0;

	for (size_t i = 0; i < n; i++) {
		c0 += residual[i] * residual[i];
		if (i + 1 < n)
			c1 += residual[i] * residual[i + 1];
	}
	if (!(c0 > 0))
		return 1;
	double r = fmin(fmax(c1 / c0, 0), 0.9);
	return sqrt((1 + r) / (1 - r));
}

struct steady_slope steady_slope(const struct steady *s, size_t channel)
{
	struct steady_slope ret = { NAN, NAN, NAN };
	const double n = STEADY_BINS, middle = (n - 1) / 2;
	double sxx = n * (n * n - 1) / 12, mean = 0, sxy = 0, ss = 0, residual[STEADY_BINS];

	if (s->filled < STEADY_BINS || channel >= s->n_channels)
		return ret;
	for (size_t i = 0; i < STEADY_BINS; i++)
		mean += s->bin[channel][i] / n;
	for (size_t i = 0; i < STEADY_BINS; i++)
		sxy += ((double)i - middle) * (s->bin[channel][(s->next + i) % STEADY_BINS] - mean);
	double per_bin = sxy / sxx;
	for (size_t i = 0; i < STEADY_BINS; i++) {
		residual[i] = s->bin[channel][(s->next + i) % STEADY_BINS] - mean - per_bin * ((double)i - middle);
		ss += residual[i] * residual[i];
	}
	double u_scatter = sqrt(ss / (n - 2) / sxx) * autocorrelation_factor(residual, STEADY_BINS) / s->bin_s;
	/* One step of the resolution in mid-window slopes 1.5 steps a window at most; rectangular. */
	double u_resolution = 1.5 * s->limit[channel].resolution / s->window_s / sqrt(3);
	ret.slope_per_s = per_bin / s->bin_s;
	ret.u_per_s = hypot(u_scatter, u_resolution);
	ret.mean = mean;
	return ret;
}

/* How far outside its limit, as a ratio: > 1 is outside. Written so that NaN is outside unless lenient. */
static double excess(const struct steady *s, size_t channel)
{
	const struct steady_limit *limit = &s->limit[channel];

	if (isinf(limit->slope_per_s))
		return 0;
	struct steady_slope k = steady_slope(s, channel);
	double size = limit->lenient ? fabs(k.slope_per_s) - k.u_per_s : fabs(k.slope_per_s) + k.u_per_s;
	if (isnan(size))
		return limit->lenient ? 0 : INFINITY;
	if (size <= limit->slope_per_s)
		return 0;
	return limit->slope_per_s > 0 ? size / limit->slope_per_s : INFINITY;
}

bool steady_is(const struct steady *s)
{
	if (s->filled < STEADY_BINS)
		return false;
	for (size_t i = 0; i < s->n_channels; i++)
		if (excess(s, i) > 1)
			return false;
	return true;
}

bool steady_is_lost(const struct steady *s)
{
	if (s->filled < STEADY_BINS)
		return false;
	for (size_t i = 0; i < s->n_channels; i++) {
		struct steady_slope k = steady_slope(s, i);
		if (fabs(k.slope_per_s) - 2 * k.u_per_s > s->limit[i].slope_per_s)
			return true;
	}
	return false;
}

int steady_worst(const struct steady *s)
{
	int worst = -1;
	double most = 1;

	if (s->filled < STEADY_BINS)
		return -1;
	for (size_t i = 0; i < s->n_channels; i++) {
		double e = excess(s, i);
		if (e > most) {
			most = e;
			worst = (int)i;
		}
	}
	return worst;
}

static void add_to_batch(struct wmean *m, double d)
{
	if (m->batch_size == 0)
		m->batch_size = 1;
	if (m->in_batch == 0) {
		if (m->n_batch == WMEAN_BATCHES) {
			for (size_t i = 0; i < WMEAN_BATCHES / 2; i++)
				m->batch[i] = m->batch[2 * i] + m->batch[2 * i + 1];
			m->n_batch = WMEAN_BATCHES / 2;
			m->batch_size *= 2;
		}
		m->batch[m->n_batch++] = 0;
	}
	m->batch[m->n_batch - 1] += d;
	m->in_batch = (m->in_batch + 1) % m->batch_size;
}

void wmean_add(struct wmean *m, double value)
{
	if (m->n == 0)
		m->first = value;
	double d = value - m->first;
	if (m->n > 0)
		m->sum_lag += m->last * d;
	m->sum += d;
	m->sum2 += d * d;
	m->last = d;
	m->n++;
	add_to_batch(m, d);
}

double wmean_mean(const struct wmean *m)
{
	return m->n ? m->first + m->sum / (double)m->n : NAN;
}

static double centred_square(const struct wmean *m)
{
	return fmax(m->sum2 - m->sum * m->sum / (double)m->n, 0);
}

double wmean_sd(const struct wmean *m)
{
	return m->n < 2 ? NAN : sqrt(centred_square(m) / (double)(m->n - 1));
}

static double u_by_batches(const struct wmean *m)
{
	size_t n = m->in_batch ? m->n_batch - 1 : m->n_batch; /* the last one may be unfinished */
	double mean = 0, ss = 0;

	if (n < 8)
		return 0;
	for (size_t i = 0; i < n; i++)
		mean += m->batch[i] / (double)m->batch_size / (double)n;
	for (size_t i = 0; i < n; i++) {
		double d = m->batch[i] / (double)m->batch_size - mean;
		ss += d * d;
	}
	return sqrt(ss / (double)(n - 1) / (double)n);
}

double wmean_u(const struct wmean *m)
{
	double n = (double)m->n, mean = m->sum / n, c0 = 0, c1, r;

	if (m->n < 4)
		return NAN;
	c0 = centred_square(m);
	if (!(c0 > 0))
		return 0;
	/* sum over i of (d_i - mean)(d_(i+1) - mean); the first d is 0 */
	c1 = m->sum_lag - mean * ((m->sum - m->last) + m->sum) + (n - 1) * mean * mean;
	r = fmin(fmax(c1 / c0, 0), 0.99);
	return fmax(wmean_sd(m) * sqrt((1 + r) / (1 - r) / n), u_by_batches(m));
}
