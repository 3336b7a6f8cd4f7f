/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hold_forecast.h"

#include "command/suit.h"

#include <math.h>
#include <string.h>

#define STEP_S 10.0

struct search {
	const char *actuator;
	struct suit_thermal found;
	double given; /* of the commanded torque was measured */
	bool of_winding;
	int64_t run_id;
};

static bool look(void *ctx, const struct record_info *record)
{
	struct search *s = ctx;
	struct suit_thermal t = { .known = false };
	struct err err = { 0 };
	json_t *doc = json_loads(record->json, 0, NULL);
	const char *name = json_string_value(json_object_get(doc, "actuator"));

	if (name && strcmp(name, s->actuator) == 0 && suit_thermal_of(doc, "record", &t, &err) == RC_OK) {
		double given = json_number_value(json_object_get(doc, "measured_torque_Nm")) /
			       json_number_value(json_object_get(doc, "torque_Nm"));
		s->found = t;
		s->given = given > 0 ? given : 1;
		s->run_id = record->run_id;
	}
	json_decref(doc);
	return true;
}

static bool is_still(const double *before, const double *now, bool two, double K_per_h)
{
	double most = K_per_h * STEP_S / 3600;

	return fabs(now[0] - before[0]) <= most && (!two || fabs(now[1] - before[1]) <= most);
}

/* The slope over a window is that of its middle. */
static void follow(const struct search *s, const struct hold_config *c, double *temp, double ambient_degC,
		   struct hold_forecast *ret)
{
	const struct suit_thermal *t = &s->found;
	double still_s = NAN, torque_Nm = s->given * c->torque_Nm;
	double first_degC = s->of_winding ? c->winding_limit_degC : c->case_limit_degC;

	for (double now_s = 0; now_s < c->time_s; now_s += STEP_S) {
		double before[2] = { temp[0], temp[1] };
		double loss_W = thermal_loss_W(&t->loss, torque_Nm, temp[0]);
		struct thermal_step step = thermal_step(&t->model, STEP_S, loss_W, 0, ambient_degC);
		thermal_advance(&step, temp);
		ret->time_s = now_s + STEP_S;
		ret->end = HOLD_LIMIT;
		if (temp[0] >= first_degC || (t->model.two && temp[1] >= c->case_limit_degC))
			return;
		if (isnan(still_s) && is_still(before, temp, t->model.two, c->equilibrium_K_per_h))
			still_s = now_s;
		ret->end = HOLD_EQUILIBRIUM;
		if (now_s + STEP_S >= fmax(c->window_s, still_s + c->window_s / 2))
			return;
	}
	ret->time_s = c->time_s;
	ret->end = HOLD_TIME;
}

enum rc hold_forecast(struct session *s, const struct hold_config *config, double winding_degC, double case_degC,
		      double ambient_degC, struct hold_forecast *ret, struct err *err)
{
	struct search search = { .actuator = s->actuator.name };
	search.of_winding = isfinite(winding_degC);
	double first = isfinite(winding_degC) ? winding_degC : case_degC;
	double temp[2] = { first, isfinite(case_degC) ? case_degC : first };
	enum rc rc = logbook_each_record(s->logbook, "hold", session_place(s), look, &search, err);

	*ret = (struct hold_forecast){ .time_s = NAN, .steady_degC = NAN };
	if (rc != RC_OK || search.run_id == 0 || !isfinite(first) || !isfinite(ambient_degC))
		return rc;
	ret->run_id = search.run_id;
	ret->steady_degC = thermal_steady_degC(&search.found.model, &search.found.loss,
					       search.given * config->torque_Nm, ambient_degC);
	follow(&search, config, temp, ambient_degC, ret);
	return RC_OK;
}
