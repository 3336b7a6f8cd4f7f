/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/cellcal_private.h"

#include <gsl/gsl_cdf.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define POSITIONS_MAX 10
#define COLUMN_EMPTY CELLCAL_PARAMS /* then the mountings */
#define COLUMNS (CELLCAL_PARAMS + 1 + POSITIONS_MAX - 1)
#define LEAST_DOF 3.0

/* Every column that may take part, over all readings, each with its mean over the series taken off: the series' own
 * zero is free. Loads are shares of the largest. */
struct design {
	const struct cellcal_work *w;
	double (*x)[COLUMNS];
	double *y;
	int position[POSITIONS_MAX];
	size_t n_positions, n_series;
	double full_Nm;
};

/* What is fitted of it. */
struct shape {
	int degree, loops;
	bool friction, empty; /* friction; a constant of the empty arm */
};
struct fitted {
	struct shape shape;
	size_t p, column[COLUMNS];
	double value[COLUMNS], inverse[COLUMNS][COLUMNS];
	double rss, dof, bic; /* Schwarz, Ann. Stat. 6 (1978) 461, less what all shapes share */
	struct lsq lsq;
};

static const struct cellcal_reading *reading(const struct design *d, size_t i)
{
	return &d->w->in->readings[i];
}

static bool find_positions(struct design *d)
{
	for (size_t i = 0; i < d->w->in->n; i++) {
		size_t k = 0;
		bool first = true;
		while (k < d->n_positions && d->position[k] != reading(d, i)->position)
			k++;
		for (size_t j = 0; j < i; j++)
			first = first && reading(d, j)->series != reading(d, i)->series;
		d->n_series += first;
		if (k < d->n_positions)
			continue;
		if (k == POSITIONS_MAX)
			return false;
		d->position[d->n_positions++] = reading(d, i)->position;
	}
	return true;
}

/* An empty arm was loaded before: it stands where a falling load does, and has a constant of its own besides. */
static void fill_row(const struct design *d, size_t i, double row[COLUMNS])
{
	const struct cellcal_reading *r = reading(d, i);
	double x = r->load.torque_Nm / d->full_Nm;
	bool empty = !(fabs(x) > 0), falling = empty || r->direction == CELLCAL_DOWN;
	size_t last = d->n_positions - 1;

	row[0] = x;
	row[1] = x * x;
	row[2] = x * x * x;
	for (int j = 0; j < CELLCAL_LOOPS; j++)
		row[COLUMN_LOOP + j] = falling ? cellcal_loop_shape(j, x) : 0;
	row[COLUMN_FRICTION] = falling ? 1 : -1;
	row[COLUMN_EMPTY] = empty ? 1 : 0;
	for (size_t k = 0; k < last; k++)
		row[COLUMN_EMPTY + 1 + k] = r->position == d->position[k]      ? x
					    : r->position == d->position[last] ? -x
									       : 0;
}

static void centre(struct design *d)
{
	for (size_t i = 0; i < d->w->in->n; i++) {
		double sum[COLUMNS + 1] = { 0 }, n = 0;
		bool first = true;
		for (size_t j = 0; j < i; j++)
			first = first && reading(d, j)->series != reading(d, i)->series;
		for (size_t j = i; j < d->w->in->n && first; j++) {
			if (reading(d, j)->series != reading(d, i)->series)
				continue;
			for (size_t k = 0; k < COLUMNS; k++)
				sum[k] += d->x[j][k];
			sum[COLUMNS] += d->y[j];
			n++;
		}
		for (size_t j = i; j < d->w->in->n && first; j++) {
			if (reading(d, j)->series != reading(d, i)->series)
				continue;
			for (size_t k = 0; k < COLUMNS; k++)
				d->x[j][k] -= sum[k] / n;
			d->y[j] -= sum[COLUMNS] / n;
		}
	}
}

static void choose_columns(const struct design *d, struct shape shape, struct fitted *f)
{
	f->p = 0;
	for (size_t j = 0; j < (size_t)shape.degree; j++)
		f->column[f->p++] = j;
	for (size_t j = 0; j < (size_t)shape.loops; j++)
		f->column[f->p++] = COLUMN_LOOP + j;
	if (shape.friction)
		f->column[f->p++] = COLUMN_FRICTION;
	if (shape.empty)
		f->column[f->p++] = COLUMN_EMPTY;
	for (size_t k = 0; k + 1 < d->n_positions; k++)
		f->column[f->p++] = COLUMN_EMPTY + 1 + k;
}

/* Coefficients for any ordinates with the same design. */
static void refit(const struct design *d, const struct fitted *f, const double *y, double ret[COLUMNS])
{
	double product[COLUMNS] = { 0 };

	for (size_t i = 0; i < d->w->in->n; i++)
		for (size_t j = 0; j < f->p; j++)
			product[j] += d->x[i][f->column[j]] * y[i];
	for (size_t j = 0; j < f->p; j++) {
		ret[j] = 0;
		for (size_t k = 0; k < f->p; k++)
			ret[j] += f->inverse[j][k] * product[k];
	}
}

static void invert(struct fitted *f)
{
	struct dd root[LSQ_TERMS][LSQ_TERMS];

	lsq_inverse(&f->lsq, root);
	for (size_t j = 0; j < f->p; j++)
		for (size_t k = 0; k < f->p; k++) {
			f->inverse[j][k] = 0;
			for (size_t l = 0; l < f->p; l++)
				f->inverse[j][k] += dd_to(root[j][l]) * dd_to(root[k][l]);
		}
}

static bool fit(const struct design *d, struct shape shape, struct fitted *ret)
{
	struct fitted f = { .shape = shape };
	struct dd row[LSQ_TERMS], value[LSQ_TERMS];
	double n = (double)d->w->in->n;

	choose_columns(d, shape, &f);
	f.dof = n - (double)d->n_series - (double)f.p;
	if (!(f.dof >= LEAST_DOF))
		return false;
	lsq_begin(&f.lsq, f.p);
	for (size_t i = 0; i < d->w->in->n; i++) {
		for (size_t j = 0; j < f.p; j++)
			row[j] = dd_of(d->x[i][f.column[j]]);
		lsq_add(&f.lsq, row, dd_of(d->y[i]));
	}
	if (lsq_deficient_term(&f.lsq) != LSQ_FULL_RANK)
		return false;
	lsq_solve(&f.lsq, value);
	for (size_t j = 0; j < f.p; j++)
		f.value[j] = dd_to(value[j]);
	invert(&f);
	for (size_t i = 0; i < d->w->in->n; i++) {
		double left = d->y[i];
		for (size_t j = 0; j < f.p; j++)
			left -= f.value[j] * d->x[i][f.column[j]];
		f.rss += left * left;
	}
	f.bic = n * log(f.rss / n) + log(n) * (double)f.p;
	*ret = f;
	return true;
}

static int distinct_loads(const struct design *d, bool falling)
{
	int n = 0;

	for (size_t i = 0; i < d->w->in->n; i++) {
		bool first = fabs(reading(d, i)->load.torque_Nm) > 0 &&
			     (!falling || reading(d, i)->direction == CELLCAL_DOWN);
		for (size_t j = 0; j < i; j++)
			first = first && !(fabs(reading(d, j)->load.torque_Nm - reading(d, i)->load.torque_Nm) <=
						   1e-9 * d->full_Nm &&
					   (!falling || reading(d, j)->direction == CELLCAL_DOWN));
		n += first;
	}
	return n;
}

/* The degree that was asked for, or the highest that the loads carry: a bend that scatter hides is still there, and the
 * scatter of a term too many is in the covariance. The loop is as bent as the readings tell; friction where they tell
 * it from the loop. */
static bool best(const struct design *d, enum cellcal_model model, struct fitted *ret)
{
	static const int asked[] = {
		[CELLCAL_ORIGIN] = 1, [CELLCAL_LINE] = 1, [CELLCAL_QUADRATIC] = 2, [CELLCAL_CUBIC] = 3
	};
	int loads = distinct_loads(d, false), bends = distinct_loads(d, true) - 2;
	int degree = model != CELLCAL_AUTO ? asked[model] : loads > 5 ? 3 : loads > 3 ? 2 : 1;
	bool found = false;

	for (; degree >= 1 && !found; degree = model == CELLCAL_AUTO ? degree - 1 : 0)
		for (int parts = 2; parts >= 0 && !found; parts--) /* without falling loads the two are one */
			for (int loops = 0; loops == 0 || (loops <= CELLCAL_LOOPS && loops <= bends); loops++) {
				struct fitted f = { .p = 0 };
				if (!fit(d, (struct shape){ degree, loops, parts == 2, parts >= 1 }, &f) ||
				    (found && !(f.bic < ret->bic)))
					continue;
				*ret = f;
				found = true;
			}
	return found;
}

static double value_of(const struct fitted *f, size_t column)
{
	for (size_t j = 0; j < f->p; j++)
		if (f->column[j] == column)
			return f->value[j];
	return 0;
}

/* From shares of the largest load to N·m. */
static double plain_of(const struct design *d, size_t column)
{
	return column < 3 ? pow(d->full_Nm, -(double)(column + 1)) : 1;
}

static void take(const struct design *d, const struct fitted *f, struct cellcal_branches *b)
{
	*b = (struct cellcal_branches){ .known = true,
					.degree = f->shape.degree,
					.full_Nm = d->full_Nm,
					.dof = f->dof,
					.repeat_sd = sqrt(f->rss / f->dof) };
	for (size_t j = 0; j < 3; j++)
		b->rise[j + 1] = value_of(f, j) * plain_of(d, j);
	for (size_t j = 0; j < CELLCAL_LOOPS; j++)
		b->loop[j] = value_of(f, COLUMN_LOOP + j);
	b->friction = value_of(f, COLUMN_FRICTION);
	for (size_t j = 0; j < f->p; j++)
		for (size_t k = 0; k < f->p; k++)
			if (f->column[j] < CELLCAL_PARAMS && f->column[k] < CELLCAL_PARAMS)
				b->cov[f->column[j]][f->column[k]] = f->rss / f->dof * f->inverse[j][k] *
								     plain_of(d, f->column[j]) *
								     plain_of(d, f->column[k]);
}

static void take_shifts(const struct design *d, const struct fitted *f, struct cellcal *cal)
{
	double *dy = calloc(d->w->in->n, sizeof *dy), shift[COLUMNS];

	for (size_t s = 0; s < d->w->in->n_sources; s++) {
		memset(cal->branches.drise[s], 0, sizeof cal->branches.drise[s]);
		if (!dy) {
			cal->branches.drise[s][1] = NAN; /* shows in every torque: nothing is understated */
			continue;
		}
		for (size_t i = 0; i < d->w->in->n; i++)
			dy[i] = -poly_slope(cal->branches.rise, reading(d, i)->load.torque_Nm) *
				reading(d, i)->load.shift_Nm[s];
		refit(d, f, dy, shift);
		for (size_t j = 0; j < f->p && f->column[j] < 3; j++)
			cal->branches.drise[s][j + 1] = shift[j] * plain_of(d, j);
	}
	free(dy);
}

/* What the sensitivities of the mountings differ by beyond the scatter; a later mounting differs from their mean by
 * that times sqrt(1 + 1/k). Of two or three mountings the variance comes out too small more often than not: taken so
 * that it is as often too large. Satterthwaite's degrees of freedom of a difference of variances. */
static double mounting(const struct design *d, const struct fitted *f, double *ret_dof)
{
	double spread = 0, noise = 0, last = 0, last_noise = 0, s2 = f->rss / f->dof, k = (double)d->n_positions;
	size_t from = f->p - (d->n_positions - 1);

	if (d->n_positions < 2)
		return 0;
	for (size_t i = from; i < f->p; i++) {
		spread += f->value[i] * f->value[i];
		noise += s2 * f->inverse[i][i];
		last -= f->value[i];
		for (size_t j = from; j < f->p; j++)
			last_noise += s2 * f->inverse[i][j];
	}
	spread = (spread + last * last) / gsl_cdf_chisq_Pinv(0.5, k - 1);
	noise = (noise + last_noise) / (k - 1);
	double beyond = spread - noise;
	*ret_dof = fmax(beyond * beyond / (spread * spread / (k - 1) + noise * noise / f->dof), 1);
	return beyond > 0 ? sqrt(beyond * (1 + 1 / k)) : 0;
}

static void add_mounting(const struct design *d, const struct fitted *f, struct cellcal *cal)
{
	double dof = INFINITY, full = 0, shift = mounting(d, f, &dof);

	for (size_t j = 0; j < 3; j++)
		full += value_of(f, j);
	cellcal_add_mounting(cal, shift / fabs(full), dof);
}

static bool all_tared(const struct cellcal_work *w)
{
	for (size_t i = 0; i < w->in->n; i++)
		if (!w->tared[i])
			return false;
	return true;
}

static bool prepare(struct design *d)
{
	const struct cellcal_work *w = d->w;

	d->full_Nm = w->max_abs_Nm;
	d->x = calloc(w->in->n, sizeof *d->x);
	d->y = calloc(w->in->n, sizeof *d->y);
	if (!d->x || !d->y || !find_positions(d))
		return false;
	for (size_t i = 0; i < w->in->n; i++) {
		fill_row(d, i, d->x[i]);
		d->y[i] = w->y[i];
	}
	centre(d);
	return true;
}

void cellcal_branches_fit(const struct cellcal_work *w, struct cellcal *cal)
{
	struct design d = { .w = w };
	struct fitted f = { .p = 0 };

	if (all_tared(w) && !(cal->min_Nm < 0) && prepare(&d) && best(&d, w->in->model, &f)) {
		take(&d, &f, &cal->branches);
		take_shifts(&d, &f, cal);
		add_mounting(&d, &f, cal);
	}
	free(d.x);
	free(d.y);
}
