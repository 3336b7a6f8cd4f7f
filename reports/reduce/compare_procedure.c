/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/compare_procedure.h"
#include "reports/reduce/compare_private.h"

#include <math.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>

#define RIG_STIFFNESS "stiffness of the rig"

static double real(const struct report *r, const char *key)
{
	const json_t *value = json_object_get(r->procedure.doc, key);

	return json_is_number(value) ? json_number_value(value) : NAN;
}

static bool alike(double a, double b)
{
	return (isnan(a) && isnan(b)) || fabs(a - b) <= 1e-9 * fabs(a);
}

static bool is_common(const struct sameness *same, const char *source)
{
	if (strcmp(source, RIG_STIFFNESS) == 0)
		return same->rig &&
		       alike(real(same->a, "rig_stiffness_Nm_per_rad"), real(same->b, "rig_stiffness_Nm_per_rad"));
	return source_is_common(same, source);
}

/* NaN: no such source. */
static double part_of(const json_t *budget, const char *source)
{
	const json_t *part;
	size_t i;

	json_array_foreach(budget, i, part)
	{
		const char *name = json_string_value(json_object_get(part, "source"));
		if (name && strcmp(name, source) == 0)
			return json_number_value(json_object_get(part, "u"));
	}
	return NAN;
}

static void keep_common(struct procedure_difference *d, const char *source, double u)
{
	size_t at = d->n_common < COMPARE_COMMON ? d->n_common++ : COMPARE_COMMON - 1;

	if (at == COMPARE_COMMON - 1 && d->common[at].u > u)
		return;
	for (; at > 0 && d->common[at - 1].u < u; at--)
		d->common[at] = d->common[at - 1];
	snprintf(d->common[at].name, sizeof d->common[at].name, "%.47s", source);
	d->common[at].u = u;
}

static void set_difference(const struct sameness *same, double confidence, struct procedure_difference *d)
{
	const struct procedure_number *a = &d->reference, *b = &d->other;
	double variance = a->u * a->u + b->u * b->u, fourth = pow(a->u, 4) / a->dof + pow(b->u, 4) / b->dof;
	const json_t *part;
	size_t i;

	json_array_foreach(a->budget, i, part)
	{
		const char *source = json_string_value(json_object_get(part, "source"));
		double u = json_number_value(json_object_get(part, "u")),
		       other = source ? part_of(b->budget, source) : NAN;
		if (!isfinite(other) || !is_common(same, source))
			continue;
		variance -= 2 * u * other;
		keep_common(d, source, fmin(fabs(u), fabs(other)));
	}
	d->value = b->value - a->value;
	d->u = sqrt(fmax(variance, 0));
	d->dof = fourth > 0 ? fmax(1, d->u * d->u * d->u * d->u / fourth) : INFINITY;
	d->U = d->u * unc_coverage_factor(d->dof, confidence);
	d->real = fabs(d->value) > d->U;
}

static void warn(struct procedure_comparison *c, const char *format, ...) PRINTF_LIKE(2, 3);
static void warn(struct procedure_comparison *c, const char *format, ...)
{
	va_list args;

	if (c->n_warnings == COMPARE_WARNINGS)
		return;
	va_start(args, format);
	vsnprintf(c->warning[c->n_warnings++], sizeof c->warning[0], format, args);
	va_end(args);
}

/* What the two were asked for. */
static void warn_of_conditions(const struct report *a, const struct report *b, struct procedure_comparison *c)
{
	static const struct {
		const char *key, *words, *unit;
	} list[] = {
		{ "torque_Nm", "commanded torque", "N·m" },
		{ "speed_rpm", "speed", "rpm" },
		{ "limit", "limit of temperature", "°C" },
		{ "rig_stiffness_Nm_per_rad", "rig's stiffness that was taken off", "N·m/rad" },
	};

	for (size_t i = 0; i < sizeof list / sizeof list[0]; i++) {
		double x = real(a, list[i].key), y = real(b, list[i].key);
		if (isfinite(x) != isfinite(y))
			warn(c, "The %s was told for one of them alone.", list[i].words);
		else if (fabs(x - y) > 0.01 * fabs(x))
			warn(c, "The %s differs: %.4g %s in the reference, %.4g %s in the other.", list[i].words, x,
			     list[i].unit, y, list[i].unit);
	}
}

static bool states_sensors(const struct rig_profile *rig)
{
	return rig->winding_off_K.u > 0 || rig->case_off_K.u > 0;
}

static void find_warnings(const struct report *a, const struct report *b, const struct sameness *same,
			  struct procedure_comparison *c)
{
	if (!same->rig)
		warn(c, "The rigs differ, or are not known to be one: nothing cancels, each has an arm of its own.");
	else if (!same->calibration)
		warn(c, "The calibrations differ: only arm, gravity and weights cancel, where the files state them "
			"alike.");
	if (a->run.on_bench != b->run.on_bench)
		warn(c, "One of the runs is of a virtual bench, the other is not.");
	if (strcmp(a->procedure.kind, "hold") == 0 && !same->rig &&
	    !(states_sensors(&a->rig) && states_sensors(&b->rig)))
		warn(c, "The intervals do not hold what the temperature sensors are off by: rig.ini states none of it "
			"([temperature]).");
	warn_of_conditions(a, b, c);
}

static void add_all(const struct compare_side *a, const struct compare_side *b, const struct sameness *same,
		    double confidence, struct procedure_comparison *c)
{
	struct procedure_number x[PROCEDURE_NUMBERS], y[PROCEDURE_NUMBERS];
	size_t n = procedure_numbers(&a->report->procedure, x), m = procedure_numbers(&b->report->procedure, y);

	for (size_t i = 0; i < n; i++)
		for (size_t k = 0; k < m; k++) {
			if (strcmp(x[i].key, y[k].key) != 0)
				continue;
			struct procedure_difference *d = &c->list[c->n++];
			*d = (struct procedure_difference){ .reference = x[i], .other = y[k] };
			set_difference(same, confidence, d);
			break;
		}
}

enum rc compare_procedures(const struct compare_side *reference, const struct compare_side *other, double confidence,
			   struct procedure_comparison *ret, struct err *err)
{
	const struct report *a = reference->report, *b = other->report;
	struct sameness same = sameness_of(reference, other);

	*ret = (struct procedure_comparison){ .same_rig = same.rig, .same_calibration = same.calibration };
	if (!a->procedure.kind || !b->procedure.kind || strcmp(a->procedure.kind, b->procedure.kind) != 0)
		return err_set(err, RC_ARG, 0, "results of %s and of %s cannot be compared; compare runs of one kind",
			       a->run.kind, b->run.kind);
	add_all(reference, other, &same, confidence, ret);
	if (ret->n == 0)
		return err_set(err, RC_ARG, 0, "the two runs of %s tell no number in common", a->run.kind);
	find_warnings(a, b, &same, ret);
	return RC_OK;
}
