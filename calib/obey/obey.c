/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/obey/obey.h"

#include "calib/fit/regress.h"

#include <gsl/gsl_fft_real.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

#define TENTHS 10

static const struct obey_number unknown = { NAN, NAN, NAN };

/* Rows beyond a tenth of the largest command, with sign and way. */
static size_t gather(const double *c, const double *y, size_t n, double *row, double *to, bool *ret_signs,
		     bool *ret_ways)
{
	double most = 0, way = 0;
	size_t m = 0;
	bool plus = false, minus = false, up = false, down = false;

	for (size_t i = 0; i < n; i++)
		most = fmax(most, fabs(c[i]));
	for (size_t i = 0; i < n; i++) {
		if (i > 0 && fabs(c[i] - c[i - 1]) > 1e-6 * most)
			way = c[i] > c[i - 1] ? 1 : -1;
		if (!(fabs(c[i]) > 0.1 * most) || !(fabs(way) > 0))
			continue;
		plus = plus || c[i] > 0;
		minus = minus || c[i] < 0;
		up = up || way > 0;
		down = down || way < 0;
		row[3 * m] = c[i];
		row[3 * m + 1] = c[i] > 0 ? 1 : -1;
		row[3 * m + 2] = way;
		to[m++] = y[i];
	}
	*ret_signs = plus && minus;
	*ret_ways = up && down;
	return m;
}

/* Leaves out what the record does not tell, in place. */
static size_t packed(double *row, size_t m, bool signs, bool ways)
{
	size_t width = (size_t)1 + signs + ways;

	for (size_t i = 0; i < m; i++) {
		double sign = row[3 * i + 1], way = row[3 * i + 2];
		row[width * i] = row[3 * i];
		if (signs)
			row[width * i + 1] = sign;
		if (ways)
			row[width * i + width - 1] = way;
	}
	return width;
}

static double linearity(const double *row, const double *to, size_t m, size_t width, const struct regress *g)
{
	double sum[TENTHS] = { 0 }, worst = 0, low = INFINITY, high = -INFINITY;
	size_t count[TENTHS] = { 0 };

	for (size_t i = 0; i < m; i++) {
		low = fmin(low, row[width * i]);
		high = fmax(high, row[width * i]);
	}
	for (size_t i = 0; i < m; i++) {
		size_t k = (size_t)fmin(TENTHS - 1, TENTHS * (row[width * i] - low) / (high - low));
		sum[k] += to[i] - regress_at(g, row + width * i).value;
		count[k]++;
	}
	for (size_t k = 0; k < TENTHS; k++)
		if (count[k] > 0)
			worst = fmax(worst, fabs(sum[k] / (double)count[k]));
	return worst;
}

enum rc obey_slow(const double *commanded_Nm, const double *measured_Nm, size_t n, struct obey_slow *ret,
		  struct err *err)
{
	double *row = calloc(4 * n + 1, sizeof *row), *to = row ? row + 3 * n : NULL;
	struct regress g;
	bool signs, ways;

	if (!row)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", n);
	size_t m = gather(commanded_Nm, measured_Nm, n, row, to, &signs, &ways), width = packed(row, m, signs, ways);
	struct regress_in in = { m, width, row, to, NULL, 1, false, false };
	enum rc rc = m >= width + 3 ? regress_fit(&in, &g, NULL, err)
				    : err_set(err, RC_ARG, 0,
					      "%zu rows with a command; expected at least %zu, rising and falling", m,
					      width + 3);
	if (!rc && !(fabs(g.coef[1]) > 0))
		rc = err_set(err, RC_ARG, 0, "the measured torque does not follow the command");
	if (!rc) {
		double gain = g.coef[1];
		*ret = (struct obey_slow){ { gain, sqrt(g.cov[1][1]), g.dof },
					   { g.coef[0], sqrt(g.cov[0][0]), g.dof },
					   unknown,
					   unknown,
					   linearity(row, to, m, width, &g),
					   g.residual_sd };
		if (signs) {
			double band = -2 * g.coef[2] / gain, ds = -2 / gain, dg = -band / gain;
			double var = ds * ds * g.cov[2][2] + dg * dg * g.cov[1][1] + 2 * ds * dg * g.cov[1][2];
			ret->dead_band_Nm = (struct obey_number){ band, sqrt(fmax(0, var)), g.dof };
		}
		if (ways)
			ret->hysteresis_Nm =
				(struct obey_number){ -2 * g.coef[width], 2 * sqrt(g.cov[width][width]), g.dof };
	}
	free(row);
	return rc;
}

struct welch {
	size_t length, half, windows;
	double *x, *y, *sxx, *syy, *re, *im;
};

static void window_of(const double *from, size_t length, double *to)
{
	double mean = 0;

	for (size_t k = 0; k < length; k++)
		mean += from[k] / (double)length;
	for (size_t k = 0; k < length; k++)
		to[k] = (from[k] - mean) * (0.5 - 0.5 * cos(2 * M_PI * (double)k / (double)length));
	gsl_fft_real_radix2_transform(to, 1, length);
}

static void average(struct welch *w, const double *c, const double *y, size_t n)
{
	for (size_t at = 0; at + w->length <= n; at += w->length / 2) {
		window_of(c + at, w->length, w->x);
		window_of(y + at, w->length, w->y);
		for (size_t k = 1; k < w->half; k++) {
			double xr = w->x[k], xi = w->x[w->length - k], yr = w->y[k], yi = w->y[w->length - k];
			w->sxx[k] += xr * xr + xi * xi;
			w->syy[k] += yr * yr + yi * yi;
			w->re[k] += xr * yr + xi * yi;
			w->im[k] += xr * yi - xi * yr;
		}
		w->windows++;
	}
}

static double coherence(const struct welch *w, size_t k)
{
	return (w->re[k] * w->re[k] + w->im[k] * w->im[k]) / (w->sxx[k] * w->syy[k]);
}

static double response(const struct welch *w, size_t k)
{
	return hypot(w->re[k], w->im[k]) / w->sxx[k];
}

static enum rc read_band(const struct welch *w, double step_Hz, struct obey_fast *ret, struct err *err)
{
	size_t first = 0, k;
	double low = 0;

	for (k = 2; k < w->half && !first; k++)
		if (coherence(w, k) > 0.8)
			first = k;
	if (!first || first + 4 > w->half)
		return err_set(err, RC_ARG, 0,
			       "measured and commanded torque do not go together at any frequency; expected a chirp or "
			       "pseudo-random steps");
	for (k = first; k < first + 3; k++)
		low += response(w, k) / 3;
	*ret = (struct obey_fast){ unknown, low, 1, NAN, w->windows };
	for (k = first + 1; k < w->half && coherence(w, k) > 0.5; k++) {
		double now = response(w, k), before = response(w, k - 1), edge = low / sqrt(2);
		ret->highest_Hz = (double)k * step_Hz;
		ret->lowest_coherence = fmin(ret->lowest_coherence, coherence(w, k));
		if (!(now < edge && before >= edge))
			continue;
		/* the slope over some bins around, as one bin's is noise */
		size_t a = k > first + 3 ? k - 3 : first, b = k + 3 < w->half ? k + 3 : k;
		double slope = fabs(response(w, b) - response(w, a)) / ((double)(b - a) * step_Hz);
		double c = coherence(w, k), error = edge * sqrt((1 - c) / (2 * c * (double)w->windows));
		ret->bandwidth_Hz = (struct obey_number){ ((double)k - 1 + (before - edge) / (before - now)) * step_Hz,
							  hypot(error / slope, step_Hz / sqrt(12)), NAN };
		break;
	}
	return RC_OK;
}

enum rc obey_fast(const double *time_s, const double *commanded_Nm, const double *measured_Nm, size_t n,
		  struct obey_fast *ret, struct err *err)
{
	struct welch w = { .length = 64 };

	if (n < 512)
		return err_set(err, RC_ARG, 0, "%zu readings are too few for a response; expected at least 512", n);
	double dt = (time_s[n - 1] - time_s[0]) / (double)(n - 1);
	for (size_t i = 1; i < n; i++)
		if (!(fabs(time_s[i] - time_s[i - 1] - dt) < 0.01 * dt))
			return err_set(err, RC_ARG, 0,
				       "row %zu: a step of %.6g s, the mean is %.6g s; expected even times", i + 1,
				       time_s[i] - time_s[i - 1], dt);
	while (2 * w.length <= n / 8)
		w.length *= 2;
	w.half = w.length / 2;
	w.x = calloc(2 * w.length + 4 * w.half, sizeof *w.x);
	if (!w.x)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", n);
	w.y = w.x + w.length;
	w.sxx = w.y + w.length;
	w.syy = w.sxx + w.half;
	w.re = w.syy + w.half;
	w.im = w.re + w.half;
	average(&w, commanded_Nm, measured_Nm, n);
	enum rc rc = read_band(&w, 1 / (dt * (double)w.length), ret, err);
	free(w.x);
	return rc;
}
