/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/study.h"

#include "calib/number/number_json.h"

#include <math.h>

static json_t *real(double value)
{
	return isfinite(value) ? json_real(value) : json_null();
}

static json_t *mark(enum precision_mark m)
{
	return m == PRECISION_FINE ? json_null() : json_string(study_mark(m));
}

/* A standard deviation with its degrees of freedom and its interval. */
static json_t *deviation(double value, double dof, double low, double high)
{
	json_t *o = json_pack("{s:o}", "value", real(value));

	if (isfinite(dof))
		json_object_set_new(o, "dof", json_real(dof));
	if (isfinite(low))
		json_object_set_new(o, "low", real(low));
	if (isfinite(high))
		json_object_set_new(o, "high", real(high));
	return o;
}

static json_t *test(const struct study *s, const struct precision_test *t)
{
	if (!isfinite(t->value))
		return json_null();
	return json_pack("{s:o, s:o, s:o, s:s, s:o}", "value", real(t->value), "at_5", real(t->at_5), "at_1",
			 real(t->at_1), "group", s->group[t->cell], "mark", mark(t->mark));
}

static json_t *groups(const struct study *s, const struct precision *p)
{
	json_t *list = json_array();

	for (size_t c = 0; c < s->n_groups; c++) {
		const struct precision_cell *x = &p->cell[c];
		json_array_append_new(list, json_pack("{s:s, s:I, s:o, s:o, s:o, s:o, s:o, s:o}", "group", s->group[c],
						      "n", (json_int_t)x->n, "mean", real(x->mean), "sd", real(x->sd),
						      "h", real(x->h), "h_mark", mark(x->h_mark), "k", real(x->k),
						      "k_mark", mark(x->k_mark)));
	}
	return list;
}

static json_t *factor(const struct crossed_factor *x)
{
	return json_pack("{s:o, s:o, s:o}", "value", real(x->s), "dof", real(x->dof), "p", real(x->p_value));
}

/* By pair: mean, reproducibility and what a later pair's mean differs by are those of the crossed analysis. */
static void put_crossed(json_t *o, const struct crossed *x)
{
	json_object_set_new(o, "mean", number_json(x->mean, x->u_mean, x->dof_mean));
	json_object_set_new(o, "reproducibility", deviation(x->s_R, NAN, x->s_R_low, x->s_R_high));
	json_object_set_new(o, "means", deviation(x->s_later, x->dof_later, NAN, NAN));
	json_object_set_new(o, "operators", factor(&x->of_a));
	json_object_set_new(o, "mountings", factor(&x->of_b));
	json_object_set_new(o, "together", factor(&x->together));
	json_object_del(o, "between");
	json_object_del(o, "F");
	json_object_del(o, "p");
}

static json_t *level_json(const struct study *s, const struct study_level *l)
{
	const struct precision *p = &l->precision;
	json_t *o = json_object(), *values = json_array();
	double dof = (double)p->p - 1;

	for (size_t i = 0; i < s->n_runs; i++)
		json_array_append_new(values, real(l->y[i]));
	json_object_set_new(o, "quantity", json_string(compare_word(l->quantity)));
	json_object_set_new(o, "direction", json_string(l->direction > 0 ? "up" : "down"));
	json_object_set_new(o, "speed_set_rpm", real(l->commanded_rpm));
	json_object_set_new(o, "at", real(l->torque_Nm));
	json_object_set_new(o, "values", values);
	json_object_set_new(o, "mean", number_json(p->mean, p->s_means / sqrt((double)p->p), dof));
	json_object_set_new(o, "repeatability", deviation(p->s_r, p->dof_r, p->s_r_low, p->s_r_high));
	json_object_set_new(o, "between", deviation(p->s_L, NAN, NAN, NAN));
	json_object_set_new(o, "reproducibility", deviation(p->s_R, NAN, p->s_R_low, p->s_R_high));
	json_object_set_new(o, "means", deviation(p->s_means, dof, NAN, NAN));
	json_object_set_new(o, "F", real(p->F));
	json_object_set_new(o, "p", real(p->p_value));
	json_object_set_new(o, "h_at_5", real(p->h_5));
	json_object_set_new(o, "h_at_1", real(p->h_1));
	json_object_set_new(o, "k_at_5", real(p->k_5));
	json_object_set_new(o, "k_at_1", real(p->k_1));
	json_object_set_new(o, "cochran", test(s, &p->cochran));
	json_object_set_new(o, "grubbs", test(s, &p->grubbs));
	json_object_set_new(o, "groups", groups(s, p));
	if (l->crossed.a > 0)
		put_crossed(o, &l->crossed);
	return o;
}

json_t *study_to_json(const struct study *s)
{
	const struct report *r = s->run[0].report;
	json_t *runs = json_array(), *levels = json_array();

	for (size_t i = 0; i < s->n_runs; i++)
		json_array_append_new(runs, json_pack("{s:I, s:s}", "run", (json_int_t)s->run[i].report->run.id,
						      "group", s->group[s->run[i].group]));
	for (size_t i = 0; i < s->n_levels; i++)
		json_array_append_new(levels, level_json(s, &s->level[i]));
	return json_pack("{s:s, s:s, s:s, s:s, s:b, s:s, s:I, s:o, s:o, s:o}", "actuator", r->actuator.name, "serial",
			 r->actuator.serial, "plan", r->run.plan, "rig", r->rig.name, "virtual_bench", r->run.on_bench,
			 "by", s->by, "n_groups", (json_int_t)s->n_groups, "confidence", real(s->confidence), "runs",
			 runs, "levels", levels);
}
