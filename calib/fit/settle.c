/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/fit/stats.h"

#include <math.h>

#define FEWEST_BINS 6

void stats_settle_begin(struct stats_settle *s, double window_s)
{
	*s = (struct stats_settle){ .window_s = window_s, .first_s = NAN, .last_s = NAN };
}

static double bin_width(const struct stats_settle *s)
{
	return s->window_s / STATS_SETTLE_BINS;
}

static void close_bin(struct stats_settle *s)
{
	double n = (double)s->bin_n;

	s->t_s[s->head] = s->bin_begin_s + s->bin_t / n;
	s->y[s->head] = s->bin_y0 + s->bin_y / n;
	s->head = (s->head + 1) % STATS_SETTLE_BINS;
	if (s->n < STATS_SETTLE_BINS)
		s->n++;
	s->bin_n = 0;
}

void stats_settle_add(struct stats_settle *s, double t_s, double y)
{
	if (!isfinite(t_s) || !isfinite(y)) {
		s->bad = true;
		return;
	}
	if (t_s < s->last_s)
		return;
	if (isnan(s->first_s))
		s->first_s = t_s;
	if (s->bin_n && t_s - s->bin_begin_s >= bin_width(s))
		close_bin(s);
	if (!s->bin_n) {
		s->bin_begin_s = t_s;
		s->bin_y0 = y;
		s->bin_t = s->bin_y = 0;
	}
	s->bin_n++;
	s->bin_t += t_s - s->bin_begin_s;
	s->bin_y += y - s->bin_y0;
	s->last_s = t_s;
}

struct line {
	double n, t0, y0, stt, sty, slope;
};

static bool in_window(const struct stats_settle *s, size_t i)
{
	return s->t_s[i] > s->last_s - s->window_s - bin_width(s);
}

/* Bins from the oldest to the newest: the ring's head is the oldest once it is full. */
static size_t nth_bin(const struct stats_settle *s, size_t k)
{
	return s->n < STATS_SETTLE_BINS ? k : (s->head + k) % STATS_SETTLE_BINS;
}

static struct line fit_bins(const struct stats_settle *s)
{
	struct line f = { 0 };

	for (size_t i = 0; i < s->n; i++)
		if (in_window(s, i)) {
			f.n++;
			f.t0 += s->t_s[i] - s->first_s;
			f.y0 += s->y[i];
		}
	f.t0 = s->first_s + f.t0 / f.n;
	f.y0 /= f.n;
	for (size_t i = 0; i < s->n; i++)
		if (in_window(s, i)) {
			f.stt += (s->t_s[i] - f.t0) * (s->t_s[i] - f.t0);
			f.sty += (s->t_s[i] - f.t0) * (s->y[i] - f.y0);
		}
	f.slope = f.sty / f.stt;
	return f;
}

static double slope_error(const struct stats_settle *s, const struct line *f)
{
	double rss = 0, neighbours = 0, before = 0;

	for (size_t k = 0; k < s->n; k++) {
		size_t i = nth_bin(s, k);
		if (!in_window(s, i))
			continue;
		double r = s->y[i] - f->y0 - f->slope * (s->t_s[i] - f->t0);
		rss += r * r;
		neighbours += r * before;
		before = r;
	}
	double u = sqrt(rss / (f->n - 2) / f->stt);
	/* Residuals of a straight line are a little negatively correlated by themselves: 2/n is added back. */
	double r1 = rss > 0 ? neighbours / rss + 2 / f->n : 0;
	if (r1 > 0)
		u *= sqrt((1 + fmin(r1, 0.9)) / (1 - fmin(r1, 0.9)));
	return u;
}

struct stats_slope stats_settle_slope(const struct stats_settle *s)
{
	struct stats_slope ret = { false, NAN, NAN, NAN };

	if (s->bad || !(s->window_s > 0) || !(s->last_s - s->first_s >= s->window_s))
		return ret;
	struct line f = fit_bins(s);
	if (!(f.n >= FEWEST_BINS) || !(f.stt > 0))
		return ret;
	ret.known = true;
	ret.slope_per_s = f.slope;
	ret.u_slope_per_s = slope_error(s, &f);
	ret.mean = f.y0;
	return ret;
}

bool stats_settled(const struct stats_settle *s, double limit_per_s, double k)
{
	struct stats_slope slope = stats_settle_slope(s);

	return slope.known && fabs(slope.slope_per_s) + k * slope.u_slope_per_s < limit_per_s;
}
