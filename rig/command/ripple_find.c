/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/ripple_find.h"

#include <math.h>
#include <stdlib.h>

static void add(struct ripple_found *f, double order, const char *name)
{
	for (size_t i = 0; i < f->n_named; i++)
		if (fabs(f->named[i] - order) < 1e-6 * order)
			return;
	if (!(order > 0) || f->n_named == RIPPLE_NAMED)
		return;
	f->named[f->n_named] = order;
	f->name[f->n_named++] = name;
}

static double common_multiple(double a, double b)
{
	long x = lround(a), y = lround(b), m = x, n = y;

	while (n) {
		long r = m % n;
		m = n;
		n = r;
	}
	return m > 0 ? (double)x / (double)m * (double)y : NAN;
}

static void name_orders(const struct ripple_wanted *w, struct ripple_found *f)
{
	double i = w->ratio_1 > 0 ? w->ratio_1 : 1, p = w->pole_pairs_1, s = w->slots_1;
	double cogging = s > 0 && p > 0 ? i * common_multiple(2 * p, s) : NAN;

	if (w->ratio_1 > 0)
		add(f, i, "rotor, once a turn");
	if (p > 0) {
		add(f, i * p, "electrical, once a period");
		add(f, 2 * i * p, "electrical, twice a period");
		add(f, 6 * i * p,
		    fabs(cogging - 6 * i * p) < 1e-6 * cogging ? "commutation, and cogging of poles and slots"
							       : "commutation, six a period");
	}
	if (s > 0)
		add(f, i * s, "slots");
	add(f, cogging, "cogging of poles and slots");
	if (w->teeth_1 > 0)
		add(f, w->teeth_1, "gear mesh at the output");
	if (w->belt_1 > 0)
		add(f, w->belt_1, "belt");
	for (size_t k = 0; k < w->n_list; k++)
		add(f, w->list[k], "asked for");
	add(f, 1, "output, once a turn");
	add(f, 2, "output, twice a turn (coupling)");
}

const char *ripple_name_of(const struct ripple_found *f, double order)
{
	for (size_t i = 0; i < f->n_named; i++)
		if (fabs(f->named[i] - order) < fmax(0.3 / f->s.turns, 1e-4 * order))
			return f->name[i];
	return NULL;
}

/* Rows up to where the angle turns back for good: the farthest one. */
static size_t farthest(const double *turn, size_t n)
{
	size_t at = 0;

	for (size_t i = 0; i < n; i++)
		if (turn[i] > turn[at])
			at = i;
	return at + 1;
}

static enum rc spectrum(double *turn, const double *torque, size_t n, struct ripple_found *f, struct err *err)
{
	if (n > 1 && turn[n - 1] < turn[0] && farthest(turn, n) < n / 10) /* backwards all the way */
		for (size_t i = 0; i < n; i++)
			turn[i] = -turn[i];
	size_t there = farthest(turn, n);
	if (n - there < n / 10)
		return order_spectrum(turn, torque, there, f->named, f->n_named, &f->s, err);
	double *x = calloc(2 * n, sizeof *x);
	size_t m = 0;
	if (!x)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", n);
	f->both = true;
	enum rc rc = order_both_ways(turn, torque, there, n, n, &m, x, x + n, &f->friction_Nm, &f->u_friction_Nm, err);
	if (!rc)
		rc = order_spectrum(x, x + n, m, f->named, f->n_named, &f->s, err);
	free(x);
	return rc;
}

/* What the cell cannot see: its conversions a turn, halved. */
static void look_at_cell(const struct ripple_wanted *w, const double *turn, size_t n, double span_s,
			 struct ripple_found *f)
{
	double turns = 0;

	for (size_t i = 1; i < n; i++)
		turns += fabs(turn[i] - turn[i - 1]);
	f->speed_rpm = 60 * turns / span_s;
	f->rate_Hz = isfinite(w->cell_rate_Hz) ? w->cell_rate_Hz : (double)(n - 1) / span_s;
	f->cell_order = fmin(f->s.highest_order, f->rate_Hz / (2 * f->speed_rpm / 60));
	if (isnan(f->cell_order))
		f->cell_order = f->s.highest_order;
}

double ripple_slow_enough_rpm(const struct ripple_found *f, double order)
{
	return 60 * f->rate_Hz / (2.5 * order); /* 2.5 readings to a wave */
}

struct ripple_wanted ripple_nothing_wanted(void)
{
	return (struct ripple_wanted){
		.ratio_1 = NAN, .pole_pairs_1 = NAN, .slots_1 = NAN, .teeth_1 = NAN, .belt_1 = NAN, .cell_rate_Hz = NAN
	};
}

enum rc ripple_find(const struct ripple_wanted *w, double *turn, const double *torque_Nm, size_t n, double span_s,
		    struct ripple_found *ret, struct err *err)
{
	*ret = (struct ripple_found){ .friction_Nm = NAN, .u_friction_Nm = NAN };
	name_orders(w, ret);
	enum rc rc = spectrum(turn, torque_Nm, n, ret, err);
	if (!rc)
		look_at_cell(w, turn, n, span_s, ret);
	return rc;
}
