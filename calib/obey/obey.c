/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/obey/obey.h"

#include "calib/fit/regress.h"

#include <gsl/gsl_fft_real.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>

#define TENTHS 10
#define MOST_VARIABLES 6
#define ROUNDS 8
#define EDGE_SCATTERS 2 /* so far from the torque of the turn a row has surely moved */

static const struct obey_number unknown = { NAN, NAN, NAN };

/* Commands with what decides where they lie in the loop. */
struct loop {
	const double *command, *measured, *temp_degC; /* temp NULL: none, or too little between them */
	size_t n;
	double at_degC;
	double most;
	double *way, *turn; /* +1 rising, -1 falling, 0 unknown; command at the last turn, NaN: none yet */
	bool *used;
	bool signs, ways, growth;
	double *x, *y; /* room for the fit */
	size_t width;
};

/* Variables of the model at a command, in the order of the coefficients behind the constant. */
static void variables(const struct loop *l, double command, double way, double warmer_K, double *ret)
{
	size_t k = 0;

	ret[k++] = command;
	if (l->signs)
		ret[k++] = command > 0 ? 1 : -1;
	if (l->ways)
		ret[k++] = way;
	if (l->growth)
		ret[k++] = way * (fabs(command) - l->most / 2);
	if (l->temp_degC) {
		ret[k++] = warmer_K;
		ret[k++] = warmer_K * command;
	}
}

static double warmer_K(const struct loop *l, size_t i)
{
	return l->temp_degC ? l->temp_degC[i] - l->at_degC : 0;
}

static void read_ways(struct loop *l)
{
	double way = 0, turn = NAN;
	bool plus = false, minus = false, up = false, down = false;

	l->most = 0;
	for (size_t i = 0; i < l->n; i++)
		l->most = fmax(l->most, fabs(l->command[i]));
	for (size_t i = 0; i < l->n; i++) {
		double before = i > 0 ? l->command[i - 1] : l->command[i], by = l->command[i] - before;
		if (fabs(by) > 1e-6 * l->most) {
			if (way * by < 0)
				turn = before;
			way = by > 0 ? 1 : -1;
		}
		l->way[i] = way;
		l->turn[i] = turn;
		l->used[i] = fabs(l->command[i]) > 0.1 * l->most && fabs(way) > 0;
		plus = plus || (l->used[i] && l->command[i] > 0);
		minus = minus || (l->used[i] && l->command[i] < 0);
		up = up || (l->used[i] && way > 0);
		down = down || (l->used[i] && way < 0);
	}
	l->signs = plus && minus;
	l->ways = up && down;
}

static enum rc fitted(const struct loop *l, struct regress *ret, struct err *err)
{
	size_t m = 0;

	for (size_t i = 0; i < l->n; i++)
		if (l->used[i]) {
			variables(l, l->command[i], l->way[i], warmer_K(l, i), l->x + l->width * m);
			l->y[m++] = l->measured[i];
		}
	struct regress_in in = { m, l->width, l->x, l->y, NULL, 1, false, false };
	return m >= l->width + 3
		       ? regress_fit(&in, ret, NULL, err)
		       : err_set(err, RC_ARG, 0, "%zu rows with a command; expected at least %zu, rising and falling",
				 m, l->width + 3);
}

static double by_model(const struct loop *l, const struct regress *g, double command, double way, double warmer)
{
	double x[MOST_VARIABLES];

	variables(l, command, way, warmer, x);
	return regress_at(g, x).value;
}

/* Leaves out what lies between the branches: after a turn, until the other branch has left the torque of that turn. The
 * model decides, not the reading. True when that changed something. */
static bool leave_out(struct loop *l, const struct regress *g)
{
	bool changed = false;

	for (size_t i = 0; i < l->n; i++) {
		double way = l->way[i], edge = by_model(l, g, l->turn[i], -way, warmer_K(l, i));
		if (!(fabs(l->command[i]) > 0.1 * l->most) || isnan(l->turn[i]))
			continue;
		bool moved = way * g->coef[1] * (by_model(l, g, l->command[i], way, warmer_K(l, i)) - edge) >
			     EDGE_SCATTERS * g->residual_sd * fabs(g->coef[1]);
		changed = changed || moved != l->used[i];
		l->used[i] = moved;
	}
	return changed;
}

static double linearity(const struct loop *l, const struct regress *g)
{
	double sum[TENTHS] = { 0 }, worst = 0;
	size_t count[TENTHS] = { 0 };

	for (size_t i = 0; i < l->n; i++) {
		if (!l->used[i])
			continue;
		size_t k = (size_t)fmin(TENTHS - 1, TENTHS * (l->command[i] / l->most + 1) / 2);
		sum[k] += l->measured[i] - by_model(l, g, l->command[i], l->way[i], warmer_K(l, i));
		count[k]++;
	}
	for (size_t k = 0; k < TENTHS; k++)
		if (count[k] > 0)
			worst = fmax(worst, fabs(sum[k] / (double)count[k]));
	return worst;
}

static struct obey_number coefficient(const struct regress *g, size_t k, double factor)
{
	return (struct obey_number){ factor * g->coef[k], fabs(factor) * sqrt(g->cov[k][k]), g->dof };
}

static void take(const struct loop *l, const struct regress *g, struct obey_slow *ret)
{
	double gain = g->coef[1];

	*ret = (struct obey_slow){ .gain = coefficient(g, 1, 1),
				   .offset_Nm = coefficient(g, 0, 1),
				   .dead_band_Nm = unknown,
				   .hysteresis_Nm = unknown,
				   .hysteresis_growth = unknown,
				   .gain_per_K = unknown,
				   .offset_Nm_per_K = unknown,
				   .at_degC = l->temp_degC ? l->at_degC : NAN,
				   .linearity_Nm = linearity(l, g),
				   .scatter_Nm = g->residual_sd };
	for (size_t i = 0; i < l->n; i++)
		ret->left_out += fabs(l->command[i]) > 0.1 * l->most && fabs(l->way[i]) > 0 && !l->used[i];
	if (l->signs) {
		double band = -2 * g->coef[2] / gain, ds = -2 / gain, dg = -band / gain;
		double var = ds * ds * g->cov[2][2] + dg * dg * g->cov[1][1] + 2 * ds * dg * g->cov[1][2];
		ret->dead_band_Nm = (struct obey_number){ band, sqrt(fmax(0, var)), g->dof };
	}
	if (l->ways) {
		ret->hysteresis_Nm = coefficient(g, (size_t)2 + l->signs, -2);
		if (l->growth)
			ret->hysteresis_growth = coefficient(g, (size_t)3 + l->signs, -2);
	}
	if (l->temp_degC) {
		ret->offset_Nm_per_K = coefficient(g, l->width - 1, 1);
		ret->gain_per_K = coefficient(g, l->width, 1);
	}
}

static enum rc solve_with(struct loop *l, bool growth, struct obey_slow *ret, struct err *err)
{
	struct regress g, next;
	enum rc rc;

	read_ways(l);
	l->growth = growth && l->ways;
	l->width = (size_t)1 + l->signs + l->ways + l->growth + (l->temp_degC ? 2 : 0);
	rc = fitted(l, &g, err);
	if (!rc && !(fabs(g.coef[1]) > 0))
		rc = err_set(err, RC_ARG, 0, "the measured torque does not follow the command");
	for (int round = 0; !rc && l->ways && round < ROUNDS && leave_out(l, &g); round++) {
		if ((rc = fitted(l, &next, err))) {
			err_prefix(err, "the rows that the friction leaves free after a turn: ");
			break;
		}
		g = next;
	}
	if (!rc)
		take(l, &g, ret);
	return rc;
}

/* A short table may carry the hysteresis and not its growth. */
static enum rc solve(struct loop *l, struct obey_slow *ret, struct err *err)
{
	enum rc rc = solve_with(l, true, ret, err);

	if (rc == RC_ARG || rc == RC_SINGULAR)
		rc = solve_with(l, false, ret, err);
	if (rc == RC_SINGULAR)
		rc = err_set(err, RC_ARG, 0,
			     "too few different commands; expected three or more beyond a tenth of the largest, rising "
			     "and falling");
	return rc;
}

/* The temperatures, where they differ enough to tell a drift; their mean. */
static const double *warming(const double *temp_degC, size_t n, double *ret_at_degC)
{
	double low = INFINITY, high = -INFINITY, sum = 0;

	for (size_t i = 0; temp_degC && i < n; i++) {
		low = fmin(low, temp_degC[i]);
		high = fmax(high, temp_degC[i]);
		sum += temp_degC[i];
	}
	*ret_at_degC = sum / (double)n;
	return high - low >= OBEY_WARMING_K ? temp_degC : NULL;
}

enum rc obey_slow(const double *commanded_Nm, const double *measured_Nm, size_t n, struct obey_slow *ret,
		  struct err *err)
{
	return obey_warm(commanded_Nm, measured_Nm, NULL, n, ret, err);
}

enum rc obey_warm(const double *commanded_Nm, const double *measured_Nm, const double *temp_degC, size_t n,
		  struct obey_slow *ret, struct err *err)
{
	double *room = calloc((3 + MOST_VARIABLES) * n + 1, sizeof *room);
	bool *used = calloc(n + 1, sizeof *used);
	struct loop l = { .command = commanded_Nm, .measured = measured_Nm, .n = n, .used = used };
	enum rc rc = room && used ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", n);

	if (!rc) {
		l.temp_degC = warming(temp_degC, n, &l.at_degC);
		l.way = room;
		l.turn = room + n;
		l.y = room + 2 * n;
		l.x = room + 3 * n;
		rc = solve(&l, ret, err);
	}
	free(room);
	free(used);
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
