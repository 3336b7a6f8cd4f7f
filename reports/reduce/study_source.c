/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/study.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SAME_SPEED 0.01

static double real_of(const json_t *o, const char *key)
{
	const json_t *value = json_object_get(o, key);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

static bool quantity_of(const char *word, enum compare_quantity *ret)
{
	for (int q = 0; word && q < COMPARE_QUANTITIES; q++)
		if (strcmp(word, compare_word((enum compare_quantity)q)) == 0) {
			*ret = (enum compare_quantity)q;
			return true;
		}
	return false;
}

static void take_level(const json_t *o, struct study_source *ret)
{
	const char *way = json_string_value(json_object_get(o, "direction"));
	struct study_spread x = {
		.direction = way && strcmp(way, "up") == 0 ? 1 : -1,
		.commanded_rpm = real_of(o, "speed_set_rpm"),
		.torque_Nm = real_of(o, "at"),
		.frac = real_of(json_object_get(o, "means"), "value") /
			fabs(real_of(json_object_get(o, "mean"), "value")),
	};

	double dof = real_of(json_object_get(o, "means"), "dof");

	if (ret->n < STUDY_LEVELS && quantity_of(json_string_value(json_object_get(o, "quantity")), &x.quantity) &&
	    x.frac >= 0 && isfinite(x.frac) && isfinite(x.torque_Nm)) {
		ret->spread[ret->n++] = x;
		ret->dof = fmin(ret->dof, dof);
	}
}

static void take_word(const json_t *doc, const char *key, char *buf, size_t size)
{
	const char *text = json_string_value(json_object_get(doc, key));

	snprintf(buf, size, "%s", text ? text : "");
}

static enum rc take_study(const json_t *doc, struct study_source *ret, struct err *err)
{
	size_t i;
	const json_t *o;

	take_word(doc, "actuator", ret->actuator, sizeof ret->actuator);
	take_word(doc, "serial", ret->serial, sizeof ret->serial);
	take_word(doc, "rig", ret->rig, sizeof ret->rig);
	take_word(doc, "by", ret->by, sizeof ret->by);
	ret->on_bench = json_is_true(json_object_get(doc, "virtual_bench"));
	ret->dof = INFINITY;
	ret->groups = (size_t)json_integer_value(json_object_get(doc, "n_groups"));
	json_array_foreach(json_object_get(doc, "levels"), i, o) take_level(o, ret);
	ret->dof = fmin(ret->dof, (double)ret->groups - 1); /* of a record whose levels tell none */
	return ret->n > 0 && ret->groups >= 2
		       ? RC_OK
		       : err_set(err, RC_ARG, 0, "record %lld is a study without a level", (long long)ret->record_id);
}

/* Of that unit on that rig. */
static enum rc check_subject(const struct study_source *s, const struct rig_profile *rig,
			     const struct actuator_profile *actuator, bool on_bench, struct err *err)
{
	long long id = (long long)s->record_id;

	if (strcmp(s->actuator, actuator->name) != 0)
		return err_set(err, RC_ARG, 0, "record %lld is of actuator \"%s\" and this run of \"%s\"", id,
			       s->actuator, actuator->name);
	if (strcmp(s->serial, actuator->serial) != 0)
		return err_set(err, RC_ARG, 0, "record %lld is of serial number \"%s\" and this run of \"%s\"", id,
			       s->serial, actuator->serial);
	if (s->on_bench != on_bench)
		return err_set(err, RC_ARG, 0, "record %lld is of a %s and this run of a %s", id,
			       s->on_bench ? "virtual bench" : "real rig", on_bench ? "virtual bench" : "real rig");
	if (strcmp(s->rig, rig->name) != 0)
		return err_set(err, RC_ARG, 0, "record %lld is of rig \"%s\" and this run of \"%s\"", id, s->rig,
			       rig->name);
	return RC_OK;
}

enum rc study_read(struct logbook *lb, const struct rig_profile *rig, const struct actuator_profile *actuator,
		   bool on_bench, struct study_source *ret, struct err *err)
{
	char *kind = NULL, *json = NULL;
	int64_t wall_ns, record_id = rig->study_record;
	enum rc rc = logbook_record_by_id(lb, record_id, &kind, &wall_ns, &json, err);

	*ret = (struct study_source){ .record_id = record_id };
	if (rc == RC_OK && strcmp(kind, STUDY_RECORD) != 0)
		rc = err_set(err, RC_ARG, 0, "record %lld is no study but a %s", (long long)record_id, kind);
	if (rc == RC_OK) {
		json_t *doc = json_loads(json, 0, NULL);
		rc = take_study(doc, ret, err);
		json_decref(doc);
	}
	free(kind);
	free(json);
	return rc == RC_OK ? check_subject(ret, rig, actuator, on_bench, err) : rc;
}

static const struct {
	enum compare_quantity quantity;
	const char *words;
} applied[STUDY_SOURCES] = {
	{ COMPARE_SPEED, "speed" },
	{ COMPARE_INPUT_POWER, "input power" },
	{ COMPARE_EFFICIENCY, "efficiency" },
};

struct study_sources study_register(const struct study_source *study, struct unc_ctx *ctx)
{
	struct study_sources s = { .study = study };
	char name[64];

	for (int i = 0; i < STUDY_SOURCES; i++) {
		snprintf(name, sizeof name, "%s reproducibility by study %lld", applied[i].words,
			 (long long)study->record_id);
		s.source[i] = unc_source(ctx, name, DIST_NORMAL, study->dof);
	}
	return s;
}

static bool same_speed(double a, double b)
{
	return (isnan(a) && isnan(b)) || fabs(a - b) <= SAME_SPEED * fabs(b);
}

/* On the line between the nearest below and the nearest above; NaN where the study has nothing. */
static double frac_at(const struct study_source *s, enum compare_quantity quantity, const struct curve_point *p)
{
	const struct study_spread *below = NULL, *above = NULL;
	double at = p->torque_Nm.value;

	for (size_t i = 0; i < s->n; i++) {
		const struct study_spread *x = &s->spread[i];
		if (x->quantity != quantity || x->direction != p->direction ||
		    !same_speed(x->commanded_rpm, p->setpoint_rpm))
			continue;
		if (x->torque_Nm <= at && (!below || x->torque_Nm > below->torque_Nm))
			below = x;
		if (x->torque_Nm >= at && (!above || x->torque_Nm < above->torque_Nm))
			above = x;
	}
	if (!below || !above)
		return below ? below->frac : above ? above->frac : NAN;
	double gap = above->torque_Nm - below->torque_Nm, w = gap > 0 ? (at - below->torque_Nm) / gap : 0;

	return (1 - w) * below->frac + w * above->frac;
}

/* What the calibration's mountings give already. */
static double mounting_of(const struct unc_ctx *ctx, struct unc x)
{
	double u = 0;

	for (size_t i = 0; i < x.n; i++)
		if (strcmp(unc_source_name(ctx, x.part[i].source), "mounting of the cell") == 0)
			u = hypot(u, x.part[i].u);
	return u;
}

static int add(const struct study_sources *s, struct unc_ctx *ctx, int i, const struct curve_point *p, struct unc *x)
{
	bool of_mountings = strcmp(s->study->by, "operator") != 0;
	double u = frac_at(s->study, applied[i].quantity, p) * fabs(x->value),
	       has = of_mountings ? mounting_of(ctx, *x) : 0;

	if (!(u > has) || !isfinite(u))
		return 0;
	*x = unc_with(ctx, *x, s->source[i], sqrt(u * u - has * has));
	return 1;
}

int study_apply(const struct study_sources *s, struct unc_ctx *ctx, struct curve_point *p)
{
	struct unc *const number[STUDY_SOURCES] = { &p->speed_rpm, &p->input_power_W, &p->efficiency };
	int n = 0;

	for (int i = 0; i < STUDY_SOURCES && isfinite(p->torque_Nm.value); i++)
		n += add(s, ctx, i, p, number[i]);
	return n;
}
