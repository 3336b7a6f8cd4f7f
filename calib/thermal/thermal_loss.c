/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Loss against torque: means of stretches of steady torque, then a straight fit. */
#include "calib/fit/regress.h"
#include "calib/thermal/thermal_fit_private.h"

#include <math.h>
#include <stdlib.h>

#define STRETCHES 400

struct stretch {
	double square, loss, warm;
	size_t n;
};

static size_t gather(const struct thermal_record *r, struct stretch *s)
{
	double loaded = thermal_loaded_Nm(r), level = 0;
	size_t grain = (r->n + STRETCHES - 1) / STRETCHES, n = 0;
	const double *warm = r->winding_degC ? r->winding_degC : r->case_degC;
	bool open = false;

	for (size_t i = 0; i < r->n; i++) {
		double torque = fabs(r->torque_Nm[i]);
		if (!(torque > loaded)) {
			open = false;
			continue;
		}
		if (!open || s[n - 1].n == grain || fabs(torque - level) > 0.02 * level) {
			s[n++] = (struct stretch){ 0, 0, 0, 0 };
			level = torque;
			open = true;
		}
		struct stretch *now = &s[n - 1];
		double share = 1 / (double)++now->n;
		now->square += (torque * torque - now->square) * share;
		now->loss += (r->loss_W[i] - now->loss) * share;
		double next = i + 1 < r->n && r->time_s[i + 1] > r->time_s[i] ? warm[i + 1] : warm[i];
		now->warm += ((warm[i] + next) / 2 - now->warm) * share;
	}
	return n;
}

/* Columns: square, square times warmth above at; the first alone when warmth is false. */
static enum rc solve(const struct stretch *s, size_t n, bool fixed, bool warmth, double at, double *work,
		     struct regress *ret, struct err *err)
{
	double *x = work, *y = work + 2 * n, *w = work + 3 * n;
	struct regress_in in = { n, warmth ? 2 : 1, x, y, w, 1, !fixed, false };

	for (size_t i = 0; i < n; i++) {
		x[i * in.m] = s[i].square;
		if (warmth)
			x[i * in.m + 1] = s[i].square * (s[i].warm - at);
		y[i] = s[i].loss;
		w[i] = (double)s[i].n;
	}
	return regress_fit(&in, ret, NULL, err);
}

static void take(const struct regress *g, bool fixed, bool warmth, struct thermal_loss *ret, double cov[3][3])
{
	size_t k = fixed ? 1 : 0;
	double square = g->coef[k];
	size_t index[3] = { 0, k, k + 1 };

	*ret = (struct thermal_loss){ fixed ? g->coef[0] : 0, square, warmth ? g->coef[k + 1] / square : 0,
				      ret->at_degC };
	for (int i = 0; i < 3; i++)
		for (int j = 0; j < 3; j++) {
			bool there = (i != 0 || fixed) && (j != 0 || fixed) && (i != 2 || warmth) && (j != 2 || warmth);
			double value = there && isfinite(g->residual_sd) ? g->cov[index[i]][index[j]] : 0;
			cov[i][j] = value / (i == 2 ? square : 1) / (j == 2 ? square : 1);
		}
}

static void one_stretch(const struct stretch *s, struct regress *ret)
{
	ret->coef[0] = s->loss / s->square;
	ret->residual_sd = NAN;
}

enum rc thermal_loss_fit(const struct thermal_record *r, struct thermal_loss *ret, double ret_cov[3][3],
			 struct err *err)
{
	struct stretch *s = calloc(r->n, sizeof *s);
	double *work = calloc(4 * r->n, sizeof *work), low = INFINITY, high = -INFINITY, at = 0;
	struct regress g;
	bool fixed = thermal_levels_differ(r), warmth = false;
	enum rc rc = s && work ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", r->n);
	size_t n = rc ? 0 : gather(r, s);

	if (!rc && n == 0)
		rc = err_set(err, RC_ARG, 0, "no row has torque; expected the torque that was held");
	for (size_t i = 0; i < n; i++) {
		low = fmin(low, s[i].warm);
		high = fmax(high, s[i].warm);
		at += s[i].warm / (double)n;
	}
	ret->at_degC = at;
	if (!rc && n >= 6 && high - low > 5 && !solve(s, n, fixed, true, at, work, &g, NULL)) {
		size_t k = fixed ? 2 : 1;
		double slope = g.coef[k], share = slope * (high - low) / g.coef[k - 1];
		warmth = slope > 3 * sqrt(g.cov[k][k]) && share > 1e-4;
	}
	fixed = fixed && n >= 3;
	if (!rc && n == 1)
		one_stretch(&s[0], &g);
	else if (!rc)
		rc = solve(s, n, fixed, warmth, at, work, &g, err);
	if (!rc && fixed && !(g.coef[0] > 0)) {
		fixed = false;
		rc = solve(s, n, false, warmth, at, work, &g, err);
	}
	if (!rc && !(g.coef[fixed ? 1 : 0] > 0))
		rc = err_set(err, RC_SINGULAR, 0,
			     "the loss does not grow with the torque; expected watts that rise with its square");
	if (!rc)
		take(&g, fixed, warmth, ret, ret_cov);
	free(s);
	free(work);
	return rc;
}
