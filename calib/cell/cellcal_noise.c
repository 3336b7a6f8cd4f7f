/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/cellcal_private.h"

#include <math.h>
#include <stdlib.h>

/* A column whose part outside the others is smaller than this says nothing new. */
#define NEW_SHARE 1e-10

/* Orthogonal columns over the readings of the fit, modified Gram-Schmidt. */
struct space {
	size_t n, rank, room;
	struct dd *column; /* rank columns of n */
};

static struct dd dot(const struct dd *a, const struct dd *b, size_t n)
{
	struct dd sum = dd_of(0);

	for (size_t i = 0; i < n; i++)
		sum = dd_add(sum, dd_mul(a[i], b[i]));
	return sum;
}

static void take_out(const struct space *s, struct dd *v)
{
	for (size_t j = 0; j < s->rank; j++) {
		const struct dd *q = s->column + j * s->n;
		struct dd part = dd_div(dot(q, v, s->n), dot(q, q, s->n));
		for (size_t i = 0; i < s->n; i++)
			v[i] = dd_sub(v[i], dd_mul(part, q[i]));
	}
}

/* The column written into the next free place is kept when it is new. */
static void keep(struct space *s)
{
	struct dd *v = s->column + s->rank * s->n;
	double before = dd_to(dot(v, v, s->n));

	take_out(s, v);
	if (s->rank + 1 < s->room && dd_to(dot(v, v, s->n)) > NEW_SHARE * NEW_SHARE * before)
		s->rank++;
}

/* v[i] over the readings of the fit: power of the scaled torque where a condition holds. */
typedef double (*factor_fn)(const struct cellcal_reading *r, int which);

static void add(struct space *s, const struct cellcal_work *w, const struct poly *p, const bool *subset, int power,
		factor_fn factor, int which)
{
	struct dd *v = s->column + s->rank * s->n;
	size_t at = 0;

	for (size_t i = 0; i < w->in->n; i++) {
		const struct cellcal_reading *r = &w->in->readings[i];
		if (!w->used[i] || (subset && !subset[i]))
			continue;
		v[at] = dd_of(w->tared[i] || factor == NULL || power > 0 ? 1 : 0);
		for (int k = 0; k < power; k++)
			v[at] = dd_mul(v[at], dd_of(r->load.torque_Nm / p->scale_Nm));
		if (factor)
			v[at] = dd_mul(v[at], dd_of(factor(r, which)));
		at++;
	}
	keep(s);
}

static double by_series(const struct cellcal_reading *r, int which)
{
	return r->series == which ? 1 : 0;
}
static double by_position(const struct cellcal_reading *r, int which)
{
	return r->position == which ? 1 : 0;
}
static double by_direction(const struct cellcal_reading *r, int which)
{
	(void)which;
	return r->direction == CELLCAL_DOWN ? 1 : -1;
}

static void add_nuisances(struct space *s, const struct cellcal_work *w, const struct poly *p, const bool *subset,
			  bool loop)
{
	for (int j = 0; loop && j <= p->degree; j++)
		add(s, w, p, subset, j + (p->origin ? 1 : 0), by_direction, 0);
	for (size_t i = 0; i < w->in->n; i++) {
		bool new_series = true, new_position = true;
		for (size_t j = 0; j < i; j++) {
			new_series = new_series && w->in->readings[j].series != w->in->readings[i].series;
			new_position = new_position && w->in->readings[j].position != w->in->readings[i].position;
		}
		if (new_series)
			add(s, w, p, subset, 0, by_series, w->in->readings[i].series);
		if (new_position)
			add(s, w, p, subset, 1, by_position, w->in->readings[i].position);
	}
}

static bool try_noise(struct space *s, const struct cellcal_work *w, const struct poly *p, const bool *subset,
		      bool nuisances, bool loop, double least_dof, double *ret_s2, double *ret_dof)
{
	s->rank = 0;
	for (int j = p->origin ? 1 : 0; j <= p->degree; j++)
		add(s, w, p, subset, j, NULL, 0);
	if (nuisances)
		add_nuisances(s, w, p, subset, loop);
	if (!((double)s->n - (double)s->rank >= least_dof))
		return false;
	struct dd *y = s->column + s->rank * s->n;
	size_t at = 0;
	for (size_t i = 0; i < w->in->n; i++)
		if (w->used[i] && (!subset || subset[i]))
			y[at++] = dd_of(w->y[i]);
	take_out(s, y);
	*ret_dof = (double)(s->n - s->rank);
	*ret_s2 = dd_to(dot(y, y, s->n)) / *ret_dof;
	return true;
}

enum rc cellcal_noise(const struct cellcal_work *w, const struct poly *p, const bool *subset, double *ret_s2,
		      double *ret_dof, struct err *err)
{
	struct space s = { .n = p->lsq.n, .room = p->lsq.n + 1 };

	s.column = calloc(s.room * s.n, sizeof *s.column);
	if (!s.column)
		return err_set(err, RC_NOMEM, 0, "out of memory for %zu readings", w->in->n);
	/* As much is taken out as leaves enough to tell the noise by. */
	if (!try_noise(&s, w, p, subset, true, true, 3, ret_s2, ret_dof) &&
	    !try_noise(&s, w, p, subset, true, false, 3, ret_s2, ret_dof) &&
	    !try_noise(&s, w, p, subset, false, false, 1, ret_s2, ret_dof)) {
		*ret_s2 = NAN;
		*ret_dof = 0;
	}
	free(s.column);
	return RC_OK;
}
