/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hold_find.h"

#include "calib/thermal/steepness.h"

#include <math.h>
#include <stdlib.h>

/* Rows of the last steady load, or of the last hold where there is no load's column. */
static void last_load(const struct thermal_record *r, size_t *ret_first, size_t *ret_last)
{
	const double *load = r->loss_W ? r->loss_W : r->torque_Nm;
	double most = 0;
	size_t last = r->n - 1;

	for (size_t i = 0; load && i < r->n; i++)
		most = fmax(most, fabs(load[i]));
	while (most > 0 && last > 0 && !(fabs(load[last]) > most / 2))
		last--;
	*ret_first = *ret_last = last;
	while (*ret_first > 0 && r->time_s[*ret_first - 1] < r->time_s[*ret_first] &&
	       (!(most > 0) || fabs(load[*ret_first - 1] - load[last]) < 0.2 * fabs(load[last])))
		(*ret_first)--;
}

/* Slope of the rise over the ambient at the end of the last load: half an hour, or a quarter of the record when that is
 * less, at least three rows. */
static void judge_equilibrium(const struct hold_wanted *w, const struct thermal_record *r, struct hold_found *h)
{
	const double *temp[2] = { r->winding_degC, r->case_degC };
	size_t begin, last, first;

	last_load(r, &begin, &last);
	double end = r->time_s[last], window = fmin(w->window_s, (end - r->time_s[begin]) / 4);
	for (first = last; first > begin && (end - r->time_s[first - 1] <= window || last + 1 - first < 3);)
		first--;
	size_t n = last + 1 - first;
	double *rise = calloc(n, sizeof *rise);
	h->window_s = end - r->time_s[first];
	h->equilibrium = n >= 3;
	for (int k = 0; rise && n >= 3 && k < 2; k++) {
		struct steepness slope;
		if (!temp[k] || !steepness_of(r->time_s, temp[k], r->ambient_degC, first, last, rise, &slope))
			continue;
		double with_u = fabs(slope.K_per_h) + slope.u_K_per_h;
		h->equilibrium = h->equilibrium && with_u <= h->equilibrium_K_per_h;
		if (!h->slope_known || with_u > fabs(h->slope_K_per_h) + h->u_slope_K_per_h) { /* what decides */
			h->slope_K_per_h = slope.K_per_h;
			h->u_slope_K_per_h = slope.u_K_per_h;
		}
		h->slope_known = true;
	}
	h->equilibrium = h->equilibrium && h->slope_known;
	free(rise);
}

/* The load of the last steady stretch. */
static double load_of(const struct thermal_record *r, const double *load)
{
	size_t first, last;
	double sum = 0;

	last_load(r, &first, &last);
	for (size_t i = first; i <= last; i++)
		sum += fabs(load[i]);
	return sum / (double)(last + 1 - first);
}

struct question {
	const struct hold_found *h;
	double torque_Nm, loss_W, start[2], ambient, limit, time_s, share;
};

static struct thermal_loss loss_for(const struct question *q, const struct thermal_loss *law)
{
	return isfinite(q->loss_W) ? (struct thermal_loss){ q->loss_W, 0, 0, 0 } : *law;
}

static double time_of(const struct thermal_model *m, const struct thermal_loss *law, void *ctx)
{
	const struct question *q = ctx;
	struct thermal_loss loss = loss_for(q, law);

	return thermal_time_to_s(m, &loss, q->torque_Nm, q->start, q->ambient, q->limit);
}

static double steady_of(const struct thermal_model *m, const struct thermal_loss *law, void *ctx)
{
	const struct question *q = ctx;
	struct thermal_loss loss = loss_for(q, law);

	return thermal_steady_degC(m, &loss, q->torque_Nm, q->ambient);
}

static double rating_of(const struct thermal_model *m, const struct thermal_loss *law, void *ctx)
{
	const struct question *q = ctx;

	if (!(q->time_s > 0))
		return thermal_continuous_Nm(m, law, q->ambient, q->limit);
	return isnan(q->share) ? thermal_s2_Nm(m, law, q->time_s, q->ambient, q->limit)
			       : thermal_s3_Nm(m, law, q->time_s, q->share, q->ambient, q->limit);
}

static void forecast_this(const struct thermal_record *r, struct hold_found *h)
{
	const struct thermal_fit *f = &h->fit;
	const double *warm = r->winding_degC ? r->winding_degC : r->case_degC, *start = f->start_degC[f->holds - 1];
	struct question q = { h, 0, NAN, { start[0], start[1] }, h->ambient_degC, h->limit_degC, 0, NAN };

	for (size_t i = 0; r->torque_Nm && i < r->n; i++)
		h->most_Nm = fmax(h->most_Nm, fabs(r->torque_Nm[i]));
	h->held_Nm = r->torque_Nm ? load_of(r, r->torque_Nm) : NAN;
	h->held_W = r->loss_W ? load_of(r, r->loss_W) : NAN;
	if (f->torque)
		q.torque_Nm = h->held_Nm;
	else if (f->watts)
		q.loss_W = h->held_W;
	h->warmest_degC = -INFINITY;
	for (size_t i = 0; i < r->n; i++)
		h->warmest_degC = fmax(h->warmest_degC, warm[i]);
	h->limit_reached = h->warmest_degC >= h->limit_degC;
	h->steady_degC = thermal_answer(f, steady_of, &q);
	if (isfinite(h->limit_degC))
		h->time_s = thermal_answer(f, time_of, &q);
}

/* The torque's scale is common to all: a rating is off by as much. */
static struct thermal_answer rated(const struct hold_found *h, struct question *q)
{
	struct thermal_answer a = thermal_answer(&h->fit, rating_of, q);

	a.u = hypot(a.u, a.value * h->u_torque_1);
	return a;
}

static double time_at(const struct hold_found *h, const struct question *q, double torque_Nm)
{
	struct question moved = *q;

	moved.torque_Nm = torque_Nm;
	return time_of(&h->fit.model, &h->fit.loss, &moved);
}

/* A time to the limit, and what the torque's scale makes of it. */
static struct thermal_answer timed(const struct hold_found *h, struct question *q)
{
	struct thermal_answer a = thermal_answer(&h->fit, time_of, q);
	double low = time_at(h, q, q->torque_Nm * (1 + 1.96 * h->u_torque_1)),
	       high = time_at(h, q, q->torque_Nm * (1 - 1.96 * h->u_torque_1));

	if (!(h->u_torque_1 > 0) || !isfinite(a.value))
		return a;
	a.low = a.value - hypot(a.value - a.low, a.value - low);
	a.high = isfinite(a.high) && isfinite(high) ? a.value + hypot(a.high - a.value, high - a.value) : INFINITY;
	a.u = isfinite(high) ? hypot(a.u, (high - low) / 2 / 1.96) : NAN;
	return a;
}

static void forecast_others(const struct hold_wanted *w, struct hold_found *h)
{
	static const double times[] = { 1.1, 1.25, 1.5, 1.75, 2, 2.5, 3 };
	static const struct {
		double time_s, share;
	} duty[] = { { 600, NAN },  { 1800, NAN }, { 3600, NAN }, { 5400, NAN },
		     { 600, 0.15 }, { 600, 0.25 }, { 600, 0.4 },  { 600, 0.6 } };
	struct question q = { h, 0, NAN, { w->rated_degC, w->rated_degC }, w->rated_degC, h->limit_degC, 0, NAN };

	if (!isfinite(q.ambient))
		q.ambient = q.start[0] = q.start[1] = h->ambient_degC;
	h->ambient_degC = q.ambient;
	h->continuous_Nm = rated(h, &q);
	size_t n = w->n_list ? w->n_list : sizeof times / sizeof times[0];
	for (size_t i = 0; i < n && h->continuous_Nm.value > 0; i++) {
		q.torque_Nm = w->n_list ? w->list[i] : times[i] * h->continuous_Nm.value;
		h->point[h->n_points++] = (struct hold_point){ q.torque_Nm, timed(h, &q), hold_beyond(h, q.torque_Nm) };
	}
	for (size_t i = 0; i < sizeof duty / sizeof duty[0]; i++) {
		q.time_s = duty[i].time_s;
		q.share = duty[i].share;
		h->duty[h->n_duties++] = (struct hold_duty){ q.time_s, q.share, rated(h, &q) };
	}
}
struct hold_found hold_none(void)
{
	const struct thermal_answer none = { NAN, NAN, NAN, NAN, NAN };

	return (struct hold_found){
		.limit_degC = NAN, .equilibrium_K_per_h = 2, .time_s = none, .steady_degC = none, .continuous_Nm = none
	};
}

static enum rc find(const struct hold_wanted *w, const struct thermal_record *r, struct hold_found *h, struct err *err)
{
	double sum = 0;
	enum rc rc;

	h->limit_degC = w->limit_degC;
	h->equilibrium_K_per_h = w->K_per_h;
	h->u_loss_1 = r->loss_W ? w->u_loss_1 : 0;
	h->u_torque_1 = r->torque_Nm ? w->u_torque_1 : 0;
	if ((rc = thermal_fit(r, &h->fit, err)))
		return rc;
	for (size_t i = 0; i < r->n; i++)
		sum += r->ambient_degC[i];
	h->ambient_degC = sum / (double)r->n;
	if (isfinite(h->limit_degC) && !(h->limit_degC > h->ambient_degC))
		return err_set(err, RC_ARG, 0,
			       "--limit %g degC lies below the ambient of %.4g degC; expected the winding's limit",
			       h->limit_degC, h->ambient_degC);
	if (w->rated_degC >= h->limit_degC)
		return err_set(err, RC_ARG, 0,
			       "--rated-ambient: found %.4g degC, expected less than the limit, %.4g degC",
			       w->rated_degC, h->limit_degC);
	judge_equilibrium(w, r, h);
	forecast_this(r, h);
	if (h->fit.torque && isfinite(h->limit_degC))
		forecast_others(w, h);
	return RC_OK;
}

/* --- the whole of it again with something else: one sensor's column moved, or heat of the drive in the case --- */
static void widen(struct thermal_answer *a, double moved, double share)
{
	double by = share * fabs(moved - a->value), U = 1.96 * by;

	if (!isfinite(a->value))
		return;
	a->u = hypot(a->u, by);
	a->low = a->value - hypot(a->value - a->low, U);
	a->high = isfinite(U) ? a->value + hypot(a->high - a->value, U) : INFINITY;
	if (!isfinite(by))
		a->u = NAN;
}

/* share: of what it moves by, the standard uncertainty. */
static void take_moved(struct hold_found *h, const struct hold_found *m, enum hold_source source, double share)
{
	const struct thermal_model *to = &m->fit.model, *from = &h->fit.model;

	for (int k = 0; k < THERMAL_STORES; k++) {
		h->moved_tau_s[source][k] = share * (to->tau_s[k] - from->tau_s[k]);
		h->moved_K_per_W[source][k] = share * (to->resistance_K_per_W[k] - from->resistance_K_per_W[k]);
	}
	widen(&h->time_s, m->time_s.value, share);
	widen(&h->steady_degC, m->steady_degC.value, share);
	widen(&h->continuous_Nm, m->continuous_Nm.value, share);
	for (size_t i = 0; i < h->n_points && i < m->n_points; i++)
		widen(&h->point[i].time_s, m->point[i].time_s.value, share);
	for (size_t i = 0; i < h->n_duties && i < m->n_duties; i++)
		widen(&h->duty[i].torque_Nm, m->duty[i].torque_Nm.value, share);
}

/* As w, at the torques of the holding times that were found. */
static struct hold_wanted once_more(const struct hold_wanted *w, const struct hold_found *h)
{
	struct hold_wanted again = *w;

	again.n_list = h->n_points;
	for (size_t i = 0; i < h->n_points; i++)
		again.list[i] = h->point[i].torque_Nm;
	return again;
}

static enum rc find_again(const struct hold_wanted *w, const struct thermal_record *r, enum hold_source source,
			  struct hold_found *ret, struct err *err)
{
	struct thermal_record other = *r;
	const double **column[HOLD_SENSORS] = { &other.winding_degC, &other.case_degC, &other.ambient_degC };
	double *truly = calloc(r->n, sizeof *truly);

	if (!truly)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	if (source == HOLD_DRIVE) {
		other.beside_W = w->most_beside_W;
	} else {
		for (size_t i = 0; i < r->n; i++)
			truly[i] = (*column[source])[i] - w->u_sensor_K[source];
		*column[source] = truly;
	}
	*ret = hold_none();
	enum rc rc = find(w, &other, ret, err);
	free(truly);
	return rc;
}

static bool may_move(const struct hold_wanted *w, const struct thermal_record *r, enum hold_source source)
{
	const double *const column[HOLD_SENSORS] = { r->winding_degC, r->case_degC, r->ambient_degC };

	if (source == HOLD_DRIVE)
		return w->most_beside_W > 0 && r->winding_degC && r->case_degC && r->torque_Nm && r->loss_W;
	return column[source] && w->u_sensor_K[source] > 0;
}

enum rc hold_find(const struct hold_wanted *w, const struct thermal_record *r, struct hold_found *h, struct err *err)
{
	struct hold_found *moved = calloc(1, sizeof *moved);
	enum rc rc = moved ? find(w, r, h, err) : err_set(err, RC_NOMEM, 0, "out of memory");
	const struct hold_wanted again = rc == RC_OK ? once_more(w, h) : *w;

	for (enum hold_source k = 0; k < HOLD_SOURCES && rc == RC_OK; k++) {
		if (!may_move(w, r, k))
			continue;
		rc = find_again(&again, r, k, moved, err);
		if (rc == RC_OK) /* what the case gets is anything from nothing on: a rectangle */
			take_moved(h, moved, k, k == HOLD_DRIVE ? 1 / sqrt(3) : 1);
	}
	free(moved);
	return rc;
}
