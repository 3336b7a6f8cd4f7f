/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/budget.h"
#include "reports/page/procedure_files.h"
#include "reports/page/report_write.h"
#include "reports/reduce/text.h"

#include <math.h>
#include <stdio.h>

static json_t *real(double value)
{
	return isfinite(value) ? json_real(value) : json_null();
}

static void set_unc(json_t *o, const char *key, struct unc x)
{
	char name[64];

	json_object_set_new(o, key, real(x.value));
	snprintf(name, sizeof name, "u_%s", key);
	json_object_set_new(o, name, real(isfinite(x.value) ? unc_u(x) : NAN));
}

static json_t *claim_json(const struct curve *curve, const struct claim_check *c)
{
	char name[64];
	json_t *o = json_object();

	json_object_set_new(o, "claim", json_string(c->key));
	json_object_set_new(o, "text", json_string(c->claim));
	json_object_set_new(o, "claimed", real(c->claimed));
	json_object_set_new(o, "at_speed_rpm", real(c->at_rpm));
	set_unc(o, c->quantity, c->measured);
	snprintf(name, sizeof name, "U_%s", c->quantity);
	json_object_set_new(
		o, name,
		real(isfinite(c->measured.value) ? unc_expanded(curve->ctx, c->measured, curve->coverage, NULL) : NAN));
	json_object_set_new(o, "lower_bound", json_boolean(c->lower_bound));
	json_object_set_new(o, "low", real(c->low));
	json_object_set_new(o, "high", real(c->high));
	json_object_set_new(o, "voltage_V", real(c->volt));
	json_object_set_new(o, "winding_degC", real(c->winding_degC));
	json_object_set_new(o, "add_step_Nm", real(c->step_Nm));
	json_object_set_new(o, "probability", real(c->probability));
	json_object_set_new(o, "verdict", json_string(verdict_name(c->verdict)));
	json_object_set_new(o, "why", json_string(c->why));
	return o;
}

static json_t *fits_json(const struct fits_dc *f)
{
	json_t *o = json_object();

	if (f->torque_current) {
		set_unc(o, "k_t_Nm_per_A", f->k_t_Nm_per_A);
		set_unc(o, "no_load_current_A", f->no_load_A);
	}
	if (f->speed_torque) {
		set_unc(o, "no_load_speed_rpm", f->no_load_rpm);
		set_unc(o, "stall_torque_Nm", f->stall_Nm);
		json_object_set_new(o, "stall_extrapolated", json_boolean(f->stall_extrapolated));
		set_unc(o, "max_power_W", f->max_power_W);
	}
	if (f->with_stall_current) {
		set_unc(o, "stall_current_A", f->stall_A);
		set_unc(o, "peak_efficiency", f->peak_efficiency);
	}
	json_object_set_new(o, "n", json_integer((json_int_t)f->n));
	return o;
}

static json_t *budget_json(const struct curve *c, struct unc x)
{
	struct budget_row row[60];
	json_t *rows = json_array();
	size_t n = budget_of(c->ctx, x, row, 60);

	for (size_t i = 0; i < n; i++) {
		json_t *o = json_object();
		json_object_set_new(o, "source", json_string(row[i].name));
		json_object_set_new(o, "u", real(row[i].u));
		json_object_set_new(o, "share", real(row[i].share_frac));
		json_object_set_new(o, "dof", real(row[i].dof));
		json_array_append_new(rows, o);
	}
	return rows;
}

static void add_budgets(json_t *doc, const struct report *r)
{
	const struct curve *c = r->curve;
	const struct curve_point *p = report_budget_point(r);
	json_t *o;

	if (p == NULL)
		return;
	o = json_object();
	json_object_set_new(o, "step", json_integer(p->step + 1));
	json_object_set_new(o, "speed_set_rpm", real(p->setpoint_rpm));
	json_object_set_new(o, "torque_Nm", budget_json(c, p->torque_Nm));
	json_object_set_new(o, "speed_rpm", budget_json(c, p->speed_rpm));
	json_object_set_new(o, "input_power_W", budget_json(c, p->input_power_W));
	json_object_set_new(o, "efficiency", budget_json(c, p->efficiency));
	json_object_set_new(doc, "budget", o);
}

static void add_run(json_t *doc, const struct report *r)
{
	char when[40];

	text_time(when, sizeof when, r->run.wall_ns);
	json_object_set_new(doc, "started", json_string(when));
	json_object_set_new(doc, "report_id", json_string(r->report_id));
	json_object_set_new(doc, "digest", json_string(r->digest));
	json_object_set_new(doc, "rig", json_string(r->rig.name));
	json_object_set_new(doc, "actuator", json_string(r->actuator.name));
	json_object_set_new(doc, "plan", json_string(r->run.plan));
	json_object_set_new(doc, "virtual_bench", json_boolean(r->run.on_bench));
	json_object_set_new(doc, "outcome", json_string(r->run.ended ? r->run.outcome : "killed"));
	json_object_set_new(doc, "cause", json_string(r->run.cause));
	json_object_set_new(doc, "safe",
			    r->run.ended ? json_boolean(!report_not_safe(r, when, sizeof when)) : json_null());
	json_object_set_new(doc, "message", json_string(r->run.message));
	json_object_set_new(doc, "program", json_string(r->run.program));
	json_object_set_new(doc, "speed_set_by_hand",
			    json_boolean(r->plan.drive == PLAN_HAND || profile_hand_drive(&r->rig) != NULL));
	json_object_set_new(doc, "samples", json_integer(r->run.samples));
}

/* null without one */
static json_t *claimed_json(const struct claimed_curve *c)
{
	json_t *ret = c->n > 0 ? json_array() : json_null();

	for (size_t i = 0; i < c->n; i++)
		json_array_append_new(ret, json_pack("{s:f, s:f, s:o, s:o}", "torque_Nm", c->torque_Nm[i], "speed_rpm",
						     c->speed_rpm[i], "efficiency",
						     real(c->has_efficiency ? c->efficiency[i] : NAN), "current_A",
						     real(c->has_current ? c->current_A[i] : NAN)));
	return ret;
}

static json_t *curve_doc(const struct report *r)
{
	json_t *doc = curve_to_json(r->curve), *claims = json_array();
	char text[600];

	if (doc == NULL)
		return NULL;
	json_object_set_new(doc, "subject", json_string(r->subject));
	report_headline(r, text, sizeof text);
	json_object_set_new(doc, "result", json_string(text));
	report_limits(r, text, sizeof text);
	json_object_set_new(doc, "limited_by", json_string(text));
	if (!r->by_hand)
		add_run(doc, r);
	if (!r->by_hand)
		json_object_set_new(doc, "plane", json_string("actuator"));
	else
		json_object_set_new(doc, "method", json_string(r->hand_method));
	for (size_t i = 0; i < r->n_claims; i++)
		json_array_append_new(claims, claim_json(r->curve, &r->claims[i]));
	json_object_set_new(doc, "claims", claims);
	json_object_set_new(doc, "claims_curve", claimed_json(&r->claimed));
	json_object_set_new(doc, "claims_voltage_V", real(r->claims_V > 0 ? r->claims_V : NAN));
	json_object_set_new(doc, "confidence", real(r->confidence));
	json_object_set_new(doc, "fits", fits_json(&r->fits));
	json_object_set_new(doc, "losses", losses_to_json(r->curve, &r->losses));
	add_budgets(doc, r);
	return doc;
}

static json_t *procedure_doc(const struct report *r)
{
	json_t *doc = procedure_json(r);
	char text[800];

	if (doc == NULL)
		return NULL;
	json_object_set_new(doc, "subject", json_string(r->subject));
	report_headline(r, text, sizeof text);
	json_object_set_new(doc, "result", json_string(text));
	report_limits(r, text, sizeof text);
	json_object_set_new(doc, "limited_by", json_string(text));
	add_run(doc, r);
	return doc;
}

json_t *report_to_json(const struct report *r)
{
	return r->procedure.kind ? procedure_doc(r) : curve_doc(r);
}
