/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/torquecal_private.h"

#include <math.h>
#include <stdio.h>
#include <string.h>

/* Steps below this share of the largest are reported and not classed: a class holds from there on. */
#define CLASSED_FROM 0.199

static const struct cellcal_reading *reading(const struct cellcal_work *w, size_t i)
{
	return &w->in->readings[i];
}

static bool at_step(const struct cellcal_work *w, size_t i, double torque_Nm)
{
	return w->used[i] && fabs(reading(w, i)->load.torque_Nm - torque_Nm) <= 1e-9 * w->max_abs_Nm;
}

static bool rising(const struct cellcal_work *w, size_t i)
{
	return reading(w, i)->direction == CELLCAL_UP;
}

/* The loads, rising; false when there are too many. */
static bool find_steps(const struct cellcal_work *w, struct torque_eval *e)
{
	for (size_t i = 0; i < w->in->n; i++) {
		size_t at = e->n;
		bool known = !w->used[i] || !(fabs(reading(w, i)->load.torque_Nm) > 0);
		for (size_t k = 0; k < e->n; k++)
			known = known || at_step(w, i, e->step[k].torque_Nm);
		if (known)
			continue;
		if (e->n == TORQUECAL_STEPS)
			return false;
		for (; at > 0 && e->step[at - 1].torque_Nm > reading(w, i)->load.torque_Nm; at--)
			e->step[at] = e->step[at - 1];
		e->step[at] = (struct torque_step){ .torque_Nm = reading(w, i)->load.torque_Nm };
		e->n++;
	}
	return true;
}

static bool first_of_position(const struct cellcal_work *w, size_t i)
{
	for (size_t j = 0; j < i; j++)
		if (reading(w, j)->position == reading(w, i)->position)
			return false;
	return true;
}

struct spread {
	double low, high, sum, n;
};

static void spread_add(struct spread *s, double y)
{
	s->low = s->n > 0 ? fmin(s->low, y) : y;
	s->high = s->n > 0 ? fmax(s->high, y) : y;
	s->sum += y;
	s->n++;
}

/* ret_first: those of the position's first series that has any. */
static struct spread in_position(const struct cellcal_work *w, double torque_Nm, int position, struct spread *ret_first)
{
	struct spread s = { 0 };
	int first = 0;

	*ret_first = s;
	for (size_t i = 0; i < w->in->n; i++) {
		if (!at_step(w, i, torque_Nm) || !rising(w, i) || reading(w, i)->position != position)
			continue;
		if (!(s.n > 0))
			first = reading(w, i)->series;
		spread_add(&s, w->y[i]);
		if (reading(w, i)->series == first)
			spread_add(ret_first, w->y[i]);
	}
	return s;
}

static double reversibility(const struct cellcal_work *w, double torque_Nm)
{
	double sum = 0, n = 0;

	for (size_t i = 0; i < w->in->n; i++)
		for (size_t j = 0; j < w->in->n; j++)
			if (at_step(w, i, torque_Nm) && at_step(w, j, torque_Nm) && rising(w, i) && !rising(w, j) &&
			    reading(w, i)->position == reading(w, j)->position &&
			    (reading(w, i)->series == reading(w, j)->series || !w->paired)) {
				sum += fabs(w->y[j] - w->y[i]);
				n++;
			}
	return n > 0 ? sum / n : NAN;
}

static double reference_u_Nm(const struct cellcal_work *w, double torque_Nm)
{
	double sum = 0;

	for (size_t i = 0; i < w->in->n && w->in->n_sources; i++) {
		if (!at_step(w, i, torque_Nm))
			continue;
		for (size_t s = 0; s < w->in->n_sources; s++)
			sum += reading(w, i)->load.shift_Nm[s] * reading(w, i)->load.shift_Nm[s];
		return sqrt(sum);
	}
	return NAN;
}

static double square_or_none(double x)
{
	return isnan(x) ? 0 : x * x;
}

static void fill_step(const struct cellcal_work *w, const struct cellcal *cal, struct torque_step *s)
{
	struct spread means = { 0 };
	double worst = NAN;

	for (size_t i = 0; i < w->in->n; i++) {
		if (!first_of_position(w, i))
			continue;
		struct spread first, one = in_position(w, s->torque_Nm, reading(w, i)->position, &first);
		if (one.n > 0)
			spread_add(&means, first.sum / first.n);
		if (one.n > 1)
			worst = fmax(worst, (one.high - one.low) / fabs(one.sum / one.n));
	}
	s->indication = means.n > 0 ? means.sum / means.n : poly_value(cal->coef, s->torque_Nm);
	double whole = fabs(s->indication);
	s->repeatability_frac = worst;
	s->reproducibility_frac = means.n > 1 ? (means.high - means.low) / whole : NAN;
	s->reversibility_frac = reversibility(w, s->torque_Nm) / whole;
	s->fit_frac = (s->indication - poly_value(cal->coef, s->torque_Nm)) / whole;
	s->reference_frac = reference_u_Nm(w, s->torque_Nm) / fabs(s->torque_Nm);
	s->resolution_frac = w->in->resolution > 0 ? w->in->resolution / whole : NAN;
	s->u_frac = sqrt(square_or_none(s->reference_frac) + square_or_none(s->repeatability_frac) / 12 +
			 square_or_none(s->reproducibility_frac) / 8 + square_or_none(s->reversibility_frac) / 12 +
			 square_or_none(s->fit_frac) / 3 + square_or_none(s->resolution_frac) / 6);
}

/* --- classes --- */
struct verdict {
	size_t row;
	const char *what;
	double torque_Nm;
};

/* The first class whose limit holds; table->n when none does. What this step does not tell (a falling series has no
 * reading at the largest load) others do: see missing(). */
static size_t first_class(const struct torque_table *t, double value, size_t offset)
{
	size_t k = 0;

	for (; !isnan(value) && k < t->n; k++) {
		double limit = *(const double *)((const char *)&t->row[k] + offset);
		if (isnan(limit) || value <= limit)
			break;
	}
	return k;
}

static void worst_of(struct verdict *v, size_t row, const char *what, double torque_Nm)
{
	if (row > v->row || !v->what)
		*v = (struct verdict){ row, what, torque_Nm };
}

static struct verdict class_of_step(const struct torque_table *t, const struct torque_step *s)
{
	struct verdict v = { 0 };
	size_t k = 0;

	worst_of(&v, first_class(t, s->repeatability_frac, offsetof(struct torque_class, repeatability_frac)),
		 "repeatability", s->torque_Nm);
	worst_of(&v, first_class(t, s->reproducibility_frac, offsetof(struct torque_class, reproducibility_frac)),
		 "reproducibility", s->torque_Nm);
	worst_of(&v, first_class(t, s->reversibility_frac, offsetof(struct torque_class, reversibility_frac)),
		 "reversibility", s->torque_Nm);
	worst_of(&v, first_class(t, fabs(s->fit_frac), offsetof(struct torque_class, fit_frac)), "deviation of the fit",
		 s->torque_Nm);
	worst_of(&v, first_class(t, 2 * s->reference_frac, offsetof(struct torque_class, reference_frac)),
		 "reference torque", s->torque_Nm);
	while (k < t->n && s->resolution_frac * t->row[k].least_resolutions > 1)
		k++;
	worst_of(&v, k, "resolution", s->torque_Nm);
	return v;
}

static bool classed(const struct torque_eval *e, size_t k)
{
	return fabs(e->step[k].torque_Nm) >=
	       CLASSED_FROM * fmax(fabs(e->step[e->n - 1].torque_Nm), fabs(e->step[0].torque_Nm));
}

static int classed_steps(const struct torque_eval *e)
{
	int n = 0;

	for (size_t k = 0; k < e->n; k++)
		n += e->step[k].torque_Nm > 0 || e->step[k].torque_Nm < 0 ? 1 : 0;
	return n;
}

static void append(char *note, size_t size, const char *text)
{
	size_t n = strlen(note);

	snprintf(note + n, size - n, "%s%s", n ? ", " : "", text);
}

/* What a class of any kind needs and the series do not have; empty when nothing is missing. */
static void missing(const struct torque_eval *e, const struct torque_table *t, char *note, size_t size)
{
	const struct torque_class *last = &t->row[t->n - 1];
	bool again = false, back = false, remounted = false;
	char text[60];

	for (size_t k = 0; k < e->n; k++) {
		again = again || !isnan(e->step[k].repeatability_frac);
		back = back || !isnan(e->step[k].reversibility_frac);
		remounted = remounted || !isnan(e->step[k].reproducibility_frac);
	}
	if (!again)
		append(note, size, "a second rising series in one mounting");
	if (!back)
		append(note, size, "a falling series");
	if (!remounted || e->positions < last->least_positions) {
		snprintf(text, sizeof text, "%s mounting%s",
			 last->least_positions > 2 ? "a second and third" : "a second",
			 last->least_positions > 2 ? "s" : "");
		append(note, size, text);
	}
	if (isnan(e->zero_frac))
		append(note, size, "a zero reading at the end of a series");
	if (isnan(e->step[0].reference_frac))
		append(note, size, "the torques' uncertainty");
	if (isnan(e->step[0].resolution_frac))
		append(note, size, "the resolution");
	if (classed_steps(e) < last->least_steps) {
		snprintf(text, sizeof text, "steps (%d of %d)", classed_steps(e), last->least_steps);
		append(note, size, text);
	}
}

static double class_at(const struct torque_table *t, size_t row, char label[8])
{
	memcpy(label, row < t->n ? t->row[row].label : "", row < t->n ? 8 : 1);
	return row < t->n ? t->row[row].value : NAN;
}

static void decide(const struct torque_table *t, struct torque_eval *e)
{
	struct verdict worst = { 0 };
	size_t k = 0;

	for (size_t i = 0; i < e->n; i++) {
		struct verdict v = class_of_step(t, &e->step[i]);
		e->step[i].class_value = class_at(t, v.row, e->step[i].class_label);
		if (classed(e, i))
			worst_of(&worst, v.row, v.what, v.torque_Nm);
	}
	worst_of(&worst, first_class(t, e->zero_frac, offsetof(struct torque_class, zero_frac)), "zero return", 0);
	while (k < t->n && (e->positions < t->row[k].least_positions || classed_steps(e) < t->row[k].least_steps))
		k++;
	worst_of(&worst, k, "number of mountings and steps", 0);
	e->class_value = class_at(t, worst.row, e->class_label);
	char at[40] = "";
	if (fabs(worst.torque_Nm) > 0)
		snprintf(at, sizeof at, " at %.4g N·m", worst.torque_Nm);
	snprintf(e->note, sizeof e->note,
		 "%s%s%s; class limits (table \"%.40s\") not checked against the printed standard",
		 isnan(e->class_value) ? "no class of the table: " : "", worst.what, at, t->name);
}

void torquecal_work(const struct cellcal_work *w, const struct cellcal *cal, const struct torque_table *table,
		    struct torque_eval *ret)
{
	const struct torque_table *t = table ? table : w->in->table ? w->in->table : torque_table_builtin("torque");
	char note[260] = "";

	memset(ret, 0, sizeof *ret);
	ret->class_value = NAN;
	snprintf(ret->table, sizeof ret->table, "%s", t->name);
	if (!find_steps(w, ret)) {
		snprintf(ret->note, sizeof ret->note, "no class: more than %d different loads", TORQUECAL_STEPS);
		ret->n = 0;
		return;
	}
	for (size_t k = 0; k < ret->n; k++) {
		fill_step(w, cal, &ret->step[k]);
		ret->step[k].class_value = NAN;
	}
	for (size_t i = 0; i < w->in->n; i++)
		ret->positions += first_of_position(w, i) ? 1 : 0;
	ret->zero_frac = cal->zero_return_Nm / w->max_abs_Nm;
	if (t->n == 0) {
		snprintf(ret->note, sizeof ret->note, "no class: the table \"%.40s\" is empty", t->name);
		return;
	}
	missing(ret, t, note, sizeof note);
	if (note[0])
		snprintf(ret->note, sizeof ret->note, "no class; missing for one: %s", note);
	else
		decide(t, ret);
}

enum rc torquecal_evaluate(const struct cellcal_input *in, const struct cellcal *cal, const struct torque_table *table,
			   struct torque_eval *ret, struct err *err)
{
	struct cellcal_work w;
	enum rc rc = cellcal_work_new(in, &w, err);

	if (!rc)
		torquecal_work(&w, cal, table, ret);
	cellcal_work_free(&w);
	return rc;
}

/* Versions of clang-format draw braces in a macro differently. */
/* clang-format off */
#define ROW(value, b1, b, fit, zero, h, resolutions, reference, positions, steps) \
	{ value, #value, b1 / 100, b / 100, fit / 100, zero / 100, h / 100, resolutions, reference / 100, \
	  positions, steps }
/* clang-format on */

const struct torque_table *torque_table_builtin(const char *name)
{
	static const struct torque_table torque = { "torque, from memory",
						    7,
						    {
							    ROW(0.05, 0.025, 0.05, 0.025, 0.0125, 0.063, 4000, 0.010, 3,
								8),
							    ROW(0.1, 0.05, 0.10, 0.05, 0.025, 0.125, 2000, 0.020, 3, 8),
							    ROW(0.2, 0.10, 0.20, 0.10, 0.050, 0.250, 1000, 0.040, 3, 8),
							    ROW(0.5, 0.25, 0.50, 0.25, 0.125, 0.63, 400, 0.10, 2, 5),
							    ROW(1, 0.5, 1.0, 0.5, 0.25, 1.25, 200, 0.20, 2, 5),
							    ROW(2, 1.0, 2.0, 1.0, 0.50, 2.50, 100, 0.40, 2, 5),
							    ROW(5, 2.5, 5.0, 2.5, 1.25, 6.25, 40, 1.0, 2, 5),
						    } };
	static const struct torque_table force = { "force, from memory",
						   4,
						   {
							   ROW(00, 0.025, 0.05, 0.025, 0.012, 0.07, 4000, 0.01, 3, 8),
							   ROW(0.5, 0.05, 0.10, 0.05, 0.025, 0.15, 2000, 0.02, 3, 8),
							   ROW(1, 0.10, 0.20, 0.10, 0.050, 0.30, 1000, 0.05, 3, 8),
							   ROW(2, 0.20, 0.40, 0.20, 0.10, 0.50, 500, 0.10, 3, 8),
						   } };

	return strcmp(name, "torque") == 0 ? &torque : strcmp(name, "force") == 0 ? &force : NULL;
}
