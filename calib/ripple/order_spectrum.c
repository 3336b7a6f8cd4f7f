/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/ripple/order_spectrum_private.h"

#include <gsl/gsl_fft_real.h>
#include <math.h>
#include <stdlib.h>

#define FEWEST 64
#define LARGEST ((size_t)1 << 21)
#define POINTS 6
#define WIDEST 8       /* times the usual step */
#define BY_CHANCE 0.01 /* of records */
#define HANN_ALIKE 2   /* neighbours that tell as much as one on its own, see above_median */

/* Polynomial through the POINTS readings around (Lagrange), i the reading before. */
static double between(const double *x, const double *y, size_t n, size_t i, double at)
{
	size_t from = i < POINTS / 2 ? 0 : i + 1 - POINTS / 2;
	double sum = 0;

	if (from + POINTS > n)
		from = n - POINTS;
	for (size_t a = from; a < from + POINTS; a++) {
		double above = y[a], below = 1;
		for (size_t b = from; b < from + POINTS; b++)
			if (b != a) {
				above *= at - x[b];
				below *= x[a] - x[b];
			}
		sum += above / below;
	}
	return sum;
}

/* m even steps from begin on; x rises. */
static void resample(const double *x, const double *y, size_t n, double begin, double step, double *ret, size_t m)
{
	size_t i = 0;

	for (size_t k = 0; k < m; k++) {
		double at = begin + step * (double)k;
		while (i + 2 < n && x[i + 1] <= at)
			i++;
		ret[k] = between(x, y, n, i, at);
	}
}

static int rising(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;

	return (x > y) - (x < y);
}

static size_t neighbours(const struct order_grid *g, size_t bin, double ret[2 * ORDER_NEIGHBOURS])
{
	size_t n = 0;

	for (size_t d = 4; d < 4 + ORDER_NEIGHBOURS; d++) {
		if (bin > d && bin - d < g->seen)
			ret[n++] = g->power[bin - d];
		if (bin + d < g->seen)
			ret[n++] = g->power[bin + d];
	}
	return n;
}

/* The upper median over what it is of the mean: of n exponentials the r-th has the expectation 1/n + ...
 * + 1/(n - r + 1), here by logarithms (H. A. David, Order Statistics, 1970, from memory). */
double order_floor(const struct order_grid *g, size_t bin)
{
	double near[2 * ORDER_NEIGHBOURS];
	size_t n = neighbours(g, bin, near);

	if (n == 0)
		return NAN;
	qsort(near, n, sizeof *near, rising);
	return near[n / 2] / log(((double)n + 0.5) / ((double)(n - n / 2) - 0.5));
}

/* By how much noise is above the upper median of n neighbours, with that chance. The median is noise itself: of n
 * exponentials it is a sum of exponentials of means 1/n, 1/(n - 1), ... (Renyi 1953, in H. A. David, Order Statistics,
 * from memory), so that the chance of x > c * median is the product of (n - j)/(n - j + c) over them. */
static double above_median(double n, double chance)
{
	double low = 0, high = 1 / chance;

	for (int k = 0; k < 60; k++) {
		double c = sqrt((1 + low) * (1 + high)) - 1, log_chance = 0;
		for (double j = 0; j <= floor(n / 2); j++)
			log_chance += log((n - j) / (n - j + c));
		if (log_chance > log(chance))
			low = c;
		else
			high = c;
	}
	return high;
}

/* For each number of neighbours, so that noise makes a wave of its own in no more than BY_CHANCE of records. By Hann's
 * window powers side by side correlate with 4/9, those two apart with 1/36: a mean of many has 1 + 2 (4/9 + 1/36) times
 * the variance, as if there were half as many. */
static void learn_times(struct order_grid *g)
{
	for (size_t n = 0; n <= 2 * ORDER_NEIGHBOURS; n++)
		g->times[n] = n < 2 * HANN_ALIKE ? INFINITY
						 : above_median((double)(n / HANN_ALIKE), BY_CHANCE / (double)g->seen);
}

/* More than noise, by counting: half a million bins are asked, and sorting took half of the time. */
static bool above_noise(const struct order_grid *g, size_t bin, double power)
{
	double near[2 * ORDER_NEIGHBOURS];
	size_t n = neighbours(g, bin, near), below = 0;

	for (size_t i = 0; i < n; i++)
		below += power > g->times[n] * near[i];
	return below > n / 2;
}

/* An order by itself: the windowed sum against its sine and cosine, turned on step by step. */
static struct order_wave at_order(const struct order_grid *g, double order)
{
	double cycles = order * g->turns / (double)g->m, re = 0, im = 0;
	double turn_c = cos(2 * M_PI * cycles), turn_s = sin(2 * M_PI * cycles), c = 1, s = 0;

	for (size_t k = 0; k < g->m; k++) {
		if (k % 1024 == 0) {
			c = cos(2 * M_PI * fmod(cycles * (double)k, 1));
			s = sin(2 * M_PI * fmod(cycles * (double)k, 1));
		}
		re += g->y[k] * c;
		im += g->y[k] * s;
		double next = c * turn_c - s * turn_s;
		s = s * turn_c + c * turn_s;
		c = next;
	}
	/* Hann: sum of weights m/2 */
	return (struct order_wave){ .order = order,
				    .amplitude_Nm = 4 * hypot(re, im) / (double)g->m,
				    .u_Nm = NAN,
				    .dof = NAN,
				    .phase_rad = atan2(-im, re) };
}

static struct order_wave wave_of(const struct order_grid *g, double order)
{
	struct order_wave w = at_order(g, order);
	size_t bin = (size_t)(order * g->turns + 0.5);
	double near[2 * ORDER_NEIGHBOURS];

	w.u_Nm = sqrt(order_floor(g, bin) / 2);
	w.dof = (double)(neighbours(g, bin, near) / HANN_ALIKE);
	w.stands_out = above_noise(g, bin, w.amplitude_Nm * w.amplitude_Nm);
	return w;
}

/* The three bins around a peak tell its order: Hann's main lobe (2 r - 1)/(r + 1). A peak narrower than that is several
 * waves that cancel beside it: it is where its bin is. */
static double peak_order(const struct order_grid *g, size_t bin)
{
	double a = sqrt(g->power[bin - 1]), b = sqrt(g->power[bin]), c = sqrt(g->power[bin + 1]);
	double r = (a > c ? a : c) / b, shift = fmax(0, (2 * r - 1) / (r + 1));

	return ((double)bin + (a > c ? -shift : shift)) / g->turns;
}

/* A peak beside a wave is that wave's own; where the wave was asked for, unless it is higher than the wave is. */
static bool is_of(const struct order_grid *g, const struct order_wave *w, bool asked, size_t bin)
{
	return fabs(w->order * g->turns - (double)bin) < 3 &&
	       (!asked || g->power[bin] <= 1.2 * w->amplitude_Nm * w->amplitude_Nm);
}

static void find_others(const struct order_grid *g, struct order_spectrum *ret)
{
	size_t asked = ret->n_waves;
	/* Below a ten-thousandth of the ripple lies what the even steps of angle cost. */
	double least = 1e-8 * ret->varies_Nm * ret->varies_Nm;

	for (;;) {
		size_t best = 0;
		for (size_t k = 3; k < g->seen; k++) {
			bool old = false;
			if (!(g->power[k] > g->power[k - 1] && g->power[k] >= g->power[k + 1]) ||
			    (best && g->power[k] <= g->power[best]))
				continue;
			for (size_t i = 0; i < ret->n_waves && !old; i++)
				old = is_of(g, &ret->wave[i], i < asked, k);
			if (!old && g->power[k] > least && above_noise(g, k, g->power[k]))
				best = k;
		}
		if (!best || ret->n_waves == ORDER_WAVES || ret->n_waves - asked == 20)
			return;
		ret->wave[ret->n_waves++] = wave_of(g, peak_order(g, best));
		ret->wave[ret->n_waves - 1].stands_out = true;
	}
}

/* Takes the mean off, windows, transforms. */
static enum rc transform(struct order_grid *g, struct order_spectrum *ret, struct err *err)
{
	double mean = 0, squares = 0;
	double *work = malloc(g->m * sizeof *work);

	if (!work)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu steps", g->m);
	for (size_t k = 0; k < g->m; k++)
		mean += g->y[k] / (double)g->m;
	for (size_t k = 0; k < g->m; k++) {
		double v = g->y[k] - mean, hann = 0.5 - 0.5 * cos(2 * M_PI * (double)k / (double)g->m);
		squares += v * v / (double)g->m;
		g->y[k] = work[k] = v * hann;
	}
	ret->mean_Nm = mean;
	ret->varies_Nm = sqrt(squares);
	gsl_fft_real_radix2_transform(work, 1, g->m);
	double scale = 4 / (double)g->m;
	g->power[0] = 0;
	for (size_t k = 1; k < g->m / 2; k++)
		g->power[k] = scale * scale * (work[k] * work[k] + work[g->m - k] * work[g->m - k]);
	free(work);
	return RC_OK;
}

/* One way, without a gap that a polynomial would have to guess across. way: 1 the rows as they stand, -1 the last
 * of n_rows first. */
static enum rc goes_on(const double *x, size_t n, int way, size_t n_rows, double *ret_widest, struct err *err)
{
	double usual = (x[n - 1] - x[0]) / (double)(n - 1);

	*ret_widest = 0;
	for (size_t i = 1; i < n; i++) {
		size_t row = way > 0 ? i + 1 : n_rows - i;
		double step = x[i] - x[i - 1];
		if (!(step > 0))
			return err_set(
				err, RC_ARG, 0,
				"row %zu: the angle does not go on (%.6g turns beside %.6g); expected one way, or "
				"one way and back",
				row, x[i], x[i - 1]);
		if (!(step <= WIDEST * usual))
			return err_set(
				err, RC_ARG, 0,
				"row %zu: a gap of %.3g turns, usual are %.3g; the torque is not known there. Expected "
				"gaps of at most %d usual steps",
				row, step, usual, WIDEST);
		*ret_widest = fmax(*ret_widest, step);
	}
	return RC_OK;
}

static enum rc looked_at(const double *x, size_t n, struct order_spectrum *ret, struct err *err)
{
	double widest = 0;

	if (n < FEWEST)
		return err_set(err, RC_ARG, 0, "%zu readings are too few; expected at least %d", n, FEWEST);
	enum rc rc = goes_on(x, n, 1, n, &widest, err);
	if (rc)
		return rc;
	ret->turns = floor(x[n - 1] - x[0] + 1e-9);
	if (!(ret->turns >= 2))
		return err_set(err, RC_ARG, 0,
			       "the record goes over %.3g turns of the output; expected two whole turns or more",
			       x[n - 1] - x[0]);
	ret->highest_order = fmin(0.5 / widest, 0.5 * (double)(n - 1) / (x[n - 1] - x[0]));
	return RC_OK;
}

enum rc order_spectrum(const double *turn, const double *torque_Nm, size_t n, const double *ask, size_t n_ask,
		       struct order_spectrum *ret, struct err *err)
{
	struct order_spectrum s = { .n_waves = 0 };
	struct order_grid g = { .m = 256 };
	enum rc rc = looked_at(turn, n, &s, err);

	if (rc)
		return rc;
	g.turns = s.turns;
	while (g.m < n && g.m < LARGEST)
		g.m *= 2;
	g.seen = (size_t)fmin(ceil(s.highest_order * g.turns), (double)(g.m / 2 - 2));
	learn_times(&g);
	g.y = malloc(g.m * sizeof *g.y);
	g.power = calloc(g.m / 2 + 1, sizeof *g.power);
	if (!g.y || !g.power) {
		rc = err_set(err, RC_NOMEM, 0, "out of memory for %zu steps", g.m);
	} else {
		resample(turn, torque_Nm, n, turn[0], g.turns / (double)g.m, g.y, g.m);
		rc = transform(&g, &s, err);
	}
	for (size_t i = 0; !rc && i < n_ask && i < ORDER_WAVES / 2; i++) {
		s.wave[s.n_waves] = ask[i] < s.highest_order
					    ? wave_of(&g, ask[i])
					    : (struct order_wave){ ask[i], NAN, NAN, NAN, NAN, false, false };
		s.n_waves++;
	}
	if (!rc) {
		find_others(&g, &s);
		order_leaks(&s);
		order_sizes(&g, &s);
		*ret = s;
	}
	free(g.y);
	free(g.power);
	return rc;
}

enum rc order_both_ways(const double *turn, const double *torque_Nm, size_t n_there, size_t n, size_t size,
			size_t *ret_n, double *ret_turn, double *ret_cogging_Nm, double *ret_friction_Nm,
			double *ret_u_friction_Nm, struct err *err)
{
	size_t n_back = n - n_there;
	double *x = calloc(2 * n_back, sizeof *x), *y = x ? x + n_back : NULL, *back = calloc(size, sizeof *back);
	enum rc rc = RC_OK;

	if (!x || !back) {
		free(x);
		free(back);
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", n);
	}
	for (size_t i = 0; i < n_back; i++) {
		x[i] = turn[n - 1 - i];
		y[i] = torque_Nm[n - 1 - i];
	}
	double begin = fmax(turn[0], x[0]), end = fmin(turn[n_there - 1], x[n_back > 0 ? n_back - 1 : 0]);
	if (n_there < FEWEST || n_back < FEWEST || !(end - begin >= 2))
		rc = err_set(err, RC_ARG, 0, "the two ways share %.3g turns; expected two turns or more both ways",
			     fmax(0, end - begin));
	double widest;
	if (!rc)
		rc = goes_on(turn, n_there, 1, n, &widest, err);
	if (!rc)
		rc = goes_on(x, n_back, -1, n, &widest, err);
	size_t m = size < n_there ? size : n_there;
	double step = (end - begin) / (double)(m - 1), sum = 0, squares = 0;
	if (!rc) {
		resample(turn, torque_Nm, n_there, begin, step, ret_cogging_Nm, m);
		resample(x, y, n_back, begin, step, back, m);
	}
	for (size_t k = 0; !rc && k < m; k++) {
		double half = (ret_cogging_Nm[k] - back[k]) / 2;
		ret_turn[k] = begin + step * (double)k;
		ret_cogging_Nm[k] = (ret_cogging_Nm[k] + back[k]) / 2;
		sum += half;
		squares += half * half;
	}
	if (!rc) {
		*ret_n = m;
		*ret_friction_Nm = sum / (double)m;
		*ret_u_friction_Nm =
			sqrt(fmax(0, squares / (double)m - *ret_friction_Nm * *ret_friction_Nm) / (double)m);
	}
	free(x);
	free(back);
	return rc;
}
