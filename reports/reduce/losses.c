/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/number_json.h"
#include "reports/reduce/losses.h"
#include "channel/event.h"

#include "calib/fit/lsq.h"

#include <math.h>
#include <stdlib.h>

#define FEWEST 5
#define TORQUES 3        /* different ones, or a square cannot be told from a line */
#define APART 0.02       /* of the largest: two torques are different */
#define SPEEDS_APART 0.2 /* of the highest: the points have several speeds */
#define CLEARLY 3.0      /* standard uncertainties that a slope must have */

struct fit {
	struct unc_ctx *ctx;
	size_t n, p;
	double *x; /* n rows of p */
	struct unc *y;
	struct unc coef[LOSSES_TERMS];
	double residual, worst;
};

static bool usable(const struct curve_point *p)
{
	return p->settled && p->direction >= 0 && !(p->flags & POINT_REPEAT) && !p->impossible && !p->outlier &&
	       isfinite(p->torque_Nm.value) && isfinite(p->speed_rpm.value);
}

/* --- least squares over uncertain y and exact x --- */
static void fold(const struct fit *f, struct lsq *lsq)
{
	lsq_begin(lsq, f->p);
	for (size_t i = 0; i < f->n; i++) {
		struct dd row[LSQ_TERMS];
		for (size_t k = 0; k < f->p; k++)
			row[k] = dd_of(f->x[i * f->p + k]);
		lsq_add(lsq, row, dd_of(f->y[i].value));
	}
}

static void look_at_residuals(struct fit *f)
{
	double ss = 0;

	f->worst = 0;
	for (size_t i = 0; i < f->n; i++) {
		double r = f->y[i].value;
		for (size_t k = 0; k < f->p; k++)
			r -= f->coef[k].value * f->x[i * f->p + k];
		ss += r * r;
		f->worst = fabs(r) > fabs(f->worst) ? r : f->worst;
	}
	f->residual = sqrt(ss / (double)(f->n - f->p));
}

/* (X'X)^-1 = inv inv': each column of inv is an independent part of what the scatter does to the coefficients. */
static void add_scatter(struct fit *f, const char *name, struct dd inv[LSQ_TERMS][LSQ_TERMS])
{
	uint32_t first = 0;

	for (size_t j = 0; j < f->p; j++) {
		uint32_t source = j == 0 ? unc_source(f->ctx, name, DIST_NORMAL, (double)(f->n - f->p))
					 : unc_source_pooled(f->ctx, name, DIST_NORMAL, first);
		first = j == 0 ? source : first;
		for (size_t k = 0; k < f->p; k++)
			f->coef[k] = unc_with(f->ctx, f->coef[k], source, f->residual * inv[k][j].hi);
	}
}

/* False when the points do not determine it. More points than terms. */
static bool solve(struct fit *f, const char *name)
{
	struct lsq lsq;
	struct dd inv[LSQ_TERMS][LSQ_TERMS], coef[LSQ_TERMS];
	double *weight = calloc(f->n, sizeof *weight);

	fold(f, &lsq);
	if (weight == NULL || lsq_deficient_term(&lsq) != LSQ_FULL_RANK) {
		free(weight);
		return false;
	}
	lsq_solve(&lsq, coef);
	lsq_inverse(&lsq, inv);
	for (size_t k = 0; k < f->p; k++) {
		for (size_t i = 0; i < f->n; i++) {
			weight[i] = 0;
			for (size_t m = 0; m < f->p; m++)
				for (size_t j = 0; j < f->p; j++)
					weight[i] += inv[k][j].hi * inv[m][j].hi * f->x[i * f->p + m];
		}
		f->coef[k] = unc_combine(f->ctx, coef[k].hi, f->y, weight, f->n);
	}
	free(weight);
	look_at_residuals(f);
	add_scatter(f, name, inv);
	return true;
}

static bool room_for(struct fit *f, const struct curve *c, size_t p)
{
	*f = (struct fit){ .ctx = c->ctx, .p = p };
	f->x = calloc(c->n * p + 1, sizeof *f->x);
	f->y = calloc(c->n + 1, sizeof *f->y);
	return f->x != NULL && f->y != NULL;
}

static void done_with(struct fit *f)
{
	free(f->x);
	free(f->y);
}

/* --- the losses --- */
static size_t torques_apart(const struct curve *c, double high_Nm)
{
	size_t n = 0;

	for (size_t i = 0; i < c->n; i++) {
		bool is_new = usable(&c->points[i]) && isfinite(c->points[i].input_power_W.value);
		for (size_t k = 0; k < i && is_new; k++)
			is_new = !usable(&c->points[k]) ||
				 fabs(c->points[k].torque_Nm.value - c->points[i].torque_Nm.value) > APART * high_Nm;
		n += is_new;
	}
	return n;
}

static double torque_of(const struct curve_point *p)
{
	return point_way(p) * p->torque_Nm.value;
}

static void survey(const struct curve *c, struct losses *l)
{
	l->low_Nm = l->low_rpm = INFINITY;
	l->high_Nm = l->high_rpm = -INFINITY;
	for (size_t i = 0; i < c->n; i++) {
		const struct curve_point *p = &c->points[i];
		if (!usable(p) || !isfinite(p->input_power_W.value))
			continue;
		l->n++;
		l->low_Nm = fmin(l->low_Nm, torque_of(p));
		l->high_Nm = fmax(l->high_Nm, torque_of(p));
		l->low_rpm = fmin(l->low_rpm, point_way(p) * p->speed_rpm.value);
		l->high_rpm = fmax(l->high_rpm, point_way(p) * p->speed_rpm.value);
	}
	l->several_speeds = l->high_rpm - l->low_rpm > SPEEDS_APART * l->high_rpm;
}

static void fit_losses(const struct curve *c, struct losses *l)
{
	size_t p = l->several_speeds ? 4 : 3;
	struct fit f;

	if (l->n < FEWEST || l->n < p + 2 || torques_apart(c, l->high_Nm) < TORQUES)
		return;
	if (room_for(&f, c, p)) {
		for (size_t i = 0; i < c->n; i++) {
			const struct curve_point *q = &c->points[i];
			if (!usable(q) || !isfinite(q->input_power_W.value))
				continue;
			double T = torque_of(q), *row = f.x + f.n * p;
			row[0] = 1;
			row[1] = T;
			row[2] = T * T;
			if (p > 3)
				row[3] = point_way(q) * q->speed_rpm.value;
			f.y[f.n++] = unc_sub(c->ctx, q->input_power_W, q->shaft_power_W);
		}
		l->known = solve(&f, "scatter about the losses");
		l->fixed_W = f.coef[0];
		l->in_step_W_per_Nm = f.coef[1];
		l->square_W_per_Nm2 = f.coef[2];
		l->by_speed_W_per_rpm = f.coef[3];
		l->residual_W = f.residual;
		l->worst_W = f.worst;
	}
	done_with(&f);
}

/* --- straight lines of one quantity over another --- */
static bool line(const struct curve *c, bool (*take)(const struct curve_point *),
		 double (*x)(const struct curve_point *), struct unc (*y)(struct unc_ctx *, const struct curve_point *),
		 const char *name, struct unc ret[2])
{
	struct fit f;
	bool ok = false;

	if (room_for(&f, c, 2)) {
		for (size_t i = 0; i < c->n; i++) {
			if (!take(&c->points[i]))
				continue;
			f.x[2 * f.n] = 1;
			f.x[2 * f.n + 1] = x(&c->points[i]);
			f.y[f.n++] = y(c->ctx, &c->points[i]);
		}
		ok = f.n > 2 && solve(&f, name) && fabs(f.coef[1].value) > CLEARLY * unc_u(f.coef[1]);
		ret[0] = f.coef[0];
		ret[1] = f.coef[1];
	}
	done_with(&f);
	return ok;
}

static bool on_own_curve(const struct curve_point *p)
{
	return usable(p) && p->free_running;
}

static bool has_drive_current(const struct curve_point *p)
{
	return usable(p) && isfinite(p->drive_A);
}

static double drive_of(const struct curve_point *p)
{
	return point_way(p) * p->drive_A;
}

static struct unc speed_as_measured(struct unc_ctx *ctx, const struct curve_point *p)
{
	return point_way(p) < 0 ? unc_scale(ctx, p->speed_rpm, -1) : p->speed_rpm;
}

static struct unc torque_as_measured(struct unc_ctx *ctx, const struct curve_point *p)
{
	return point_way(p) < 0 ? unc_scale(ctx, p->torque_Nm, -1) : p->torque_Nm;
}

struct losses losses_of(const struct curve *c)
{
	struct losses l = { 0 };
	struct unc coef[2];

	survey(c, &l);
	fit_losses(c, &l);
	if (line(c, on_own_curve, torque_of, speed_as_measured, "scatter about the droop", coef) && coef[1].value < 0) {
		l.droop = true;
		l.droop_rpm_per_Nm = unc_scale(c->ctx, coef[1], -1);
	}
	if (line(c, has_drive_current, drive_of, torque_as_measured, "scatter about the drive's constant", coef) &&
	    coef[1].value > 0) {
		l.drive_constant = true;
		l.k_t_Nm_per_A = coef[1];
		l.no_load_A = unc_scale(c->ctx, unc_div(c->ctx, coef[0], coef[1]), -1);
	}
	return l;
}

void losses_at_rotor(struct losses *l, const struct curve *c, double ratio)
{
	l->at_rotor = l->drive_constant && ratio > 0;
	if (l->at_rotor)
		l->k_t_rotor_Nm_per_A = unc_scale(c->ctx, l->k_t_Nm_per_A, 1 / ratio);
}

static void set(json_t *o, const char *key, const struct curve *c, bool shown, struct unc x)
{
	json_object_set_new(o, key, shown ? number_json(x.value, unc_u(x), unc_dof(c->ctx, x)) : json_null());
}

json_t *losses_to_json(const struct curve *c, const struct losses *l)
{
	json_t *o = json_object();

	json_object_set_new(o, "points", json_integer((json_int_t)l->n));
	set(o, "fixed_W", c, l->known, l->fixed_W);
	set(o, "in_step_W_per_Nm", c, l->known, l->in_step_W_per_Nm);
	set(o, "square_W_per_Nm2", c, l->known, l->square_W_per_Nm2);
	set(o, "by_speed_W_per_rpm", c, l->known && l->several_speeds, l->by_speed_W_per_rpm);
	json_object_set_new(o, "residual_W", l->known ? json_real(l->residual_W) : json_null());
	set(o, "droop_rpm_per_Nm", c, l->droop, l->droop_rpm_per_Nm);
	set(o, "drive_k_t_Nm_per_A", c, l->drive_constant, l->k_t_Nm_per_A);
	set(o, "drive_k_t_rotor_Nm_per_A", c, l->at_rotor, l->k_t_rotor_Nm_per_A);
	set(o, "drive_no_load_A", c, l->drive_constant, l->no_load_A);
	return o;
}
