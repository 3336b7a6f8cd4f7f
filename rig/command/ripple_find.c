/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/ripple_find.h"

#include <math.h>
#include <stdlib.h>

#define LATE_MOST (M_PI / 4) /* a wave that may be 29 % short; common practice, no source */

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

static enum rc take_lag(const struct ripple_wanted *w, struct ripple_found *f, struct err *err)
{
	f->late_s = w->late_s;
	f->late_limit_s = w->late_limit_s;
	f->mean_s = w->means ? 1 / f->rate_Hz : 0;
	return isnan(w->late_s) || isfinite(f->speed_rpm)
		       ? RC_OK
		       : err_set(err, RC_ARG, 0,
				 "--lag: no time tells how far the shaft turns in it; expected a column time (s)");
}

/* What is told late stands too far along its way. */
static void shift(double *turn, size_t there, size_t n, double by)
{
	for (size_t i = 0; isfinite(by) && i < n; i++)
		turn[i] += i < there ? -by : by;
}

static enum rc spectrum(const struct ripple_wanted *w, double *turn, const double *torque, size_t n,
			struct ripple_found *f, struct err *err)
{
	if (n > 1 && turn[n - 1] < turn[0] && farthest(turn, n) < n / 10) /* backwards all the way */
		for (size_t i = 0; i < n; i++)
			turn[i] = -turn[i];
	size_t there = farthest(turn, n);
	if (n - there < n / 10)
		return order_spectrum(turn, torque, there, f->named, f->n_named, &f->s, err);
	enum rc rc = take_lag(w, f, err);
	if (rc)
		return rc;
	double *x = calloc(2 * n, sizeof *x);
	size_t m = 0;
	if (!x)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", n);
	f->both = true;
	double by = w->late_s * f->speed_rpm / 60;
	shift(turn, there, n, by);
	rc = order_both_ways(turn, torque, there, n, n, &m, x, x + n, &f->friction_Nm, &f->u_friction_Nm, err);
	shift(turn, there, n, -by);
	if (!rc)
		rc = order_spectrum(x, x + n, m, f->named, f->n_named, &f->s, err);
	free(x);
	return rc;
}

static void look_at_speed(const struct ripple_wanted *w, const double *turn, size_t n, double span_s,
			  struct ripple_found *f)
{
	double turns = 0;

	for (size_t i = 1; i < n; i++)
		turns += fabs(turn[i] - turn[i - 1]);
	f->speed_rpm = 60 * turns / span_s;
	f->rate_Hz = isfinite(w->cell_rate_Hz) ? w->cell_rate_Hz : (double)(n - 1) / span_s;
}

/* What the cell cannot see: its conversions a turn, halved. What is left of the lag's limits turns both ways of a wave
 * by up to so many radians each, and half their sum has the cosine of it: at LATE_MOST it is no wave any more. */
static void look_at_cell(struct ripple_found *f)
{
	double a_turn = 60 * f->rate_Hz / f->speed_rpm, seen = a_turn / 2;
	double late = LATE_MOST / (2 * M_PI * f->late_limit_s * f->speed_rpm / 60);

	if (isnan(seen))
		seen = f->s.highest_order;
	f->cell_order = fmin(fmin(f->s.highest_order, seen), late > 0 ? late : INFINITY);
	f->readings_of_wave = isfinite(a_turn) ? a_turn / f->cell_order : 2;
}

static double late_rad(const struct ripple_found *f, double order)
{
	return 2 * M_PI * order * f->late_limit_s * f->speed_rpm / 60;
}

/* By how much the mean over a reading's time makes a wave smaller: sin x/x. */
static double mean_factor(const struct ripple_found *f, double order)
{
	double x = M_PI * order * f->mean_s * f->speed_rpm / 60;

	return x > 1e-6 ? sin(x) / x : 1;
}

double ripple_late_share(const struct ripple_found *f, double order)
{
	return isnan(f->late_s) ? 0 : (1 - cos(late_rad(f, order))) + (1 / mean_factor(f, order) - 1);
}

void ripple_widen(struct order_wave *v, double u_Nm)
{
	v->dof *= pow(u_Nm / v->u_Nm, 4);
	v->u_Nm = u_Nm;
}

/* The waves as they were before the mean; that the converter's filter is just that mean is not known better than by
 * what it makes. */
static void undo_mean(struct ripple_found *f)
{
	struct order_spectrum *s = &f->s;
	double grown = 0, common = 0, by = 0;

	if (isnan(f->late_s))
		return;
	for (size_t i = 0; i < s->n_waves; i++) {
		struct order_wave *v = &s->wave[i];
		if (!(v->order < f->cell_order))
			continue;
		double factor = 1 / mean_factor(f, v->order), before = v->amplitude_Nm;
		v->amplitude_Nm *= factor;
		v->u_Nm *= factor;
		f->u_late_Nm[i] = v->amplitude_Nm * ripple_late_share(f, v->order) / sqrt(3);
		if (v->stands_out) {
			grown += (v->amplitude_Nm * v->amplitude_Nm - before * before) / 2;
			common += v->amplitude_Nm * f->u_late_Nm[i] / 2;
			by += 2 * f->u_late_Nm[i];
		}
		ripple_widen(v, hypot(v->u_Nm, f->u_late_Nm[i]));
	}
	if (!(s->rms_Nm > 0))
		return;
	double rms = sqrt(s->rms_Nm * s->rms_Nm + grown), larger = rms / s->rms_Nm;
	f->u_late_rms_Nm = common / rms;
	f->u_late_peak_Nm = by;
	s->rms_Nm = rms;
	s->u_rms_Nm = hypot(larger * s->u_rms_Nm, f->u_late_rms_Nm);
	s->peak_to_peak_Nm *= larger;
	s->u_peak_to_peak_Nm = hypot(larger * s->u_peak_to_peak_Nm, f->u_late_peak_Nm);
}

double ripple_slow_enough_rpm(const struct ripple_found *f, double order)
{
	return 60 * f->rate_Hz / (1.25 * f->readings_of_wave * order); /* a quarter more than just seen */
}

struct ripple_wanted ripple_nothing_wanted(void)
{
	return (struct ripple_wanted){ .ratio_1 = NAN,
				       .pole_pairs_1 = NAN,
				       .slots_1 = NAN,
				       .teeth_1 = NAN,
				       .belt_1 = NAN,
				       .cell_rate_Hz = NAN,
				       .late_s = NAN };
}

enum rc ripple_find(const struct ripple_wanted *w, double *turn, const double *torque_Nm, size_t n, double span_s,
		    struct ripple_found *ret, struct err *err)
{
	*ret = (struct ripple_found){ .friction_Nm = NAN, .u_friction_Nm = NAN, .late_s = NAN };
	name_orders(w, ret);
	look_at_speed(w, turn, n, span_s, ret);
	enum rc rc = spectrum(w, turn, torque_Nm, n, ret, err);
	if (rc)
		return rc;
	look_at_cell(ret);
	undo_mean(ret);
	return RC_OK;
}
