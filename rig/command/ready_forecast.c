/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/ready_forecast.h"
#include "command/ready_foresee.h"
#include "live/live.h"
#include "run/limit_search.h"

#include <math.h>
#include <stdio.h>

void ready_forecast_make(const struct session *s, struct forecast *ret)
{
	double dwell_s[PROFILE_STEPS];
	struct forecast_input in = {
		.rig = &s->rig,
		.actuator = &s->actuator,
		.plan = &s->plan,
		.map = s->map_id ? &s->map : NULL,
		.calibrated_Nm = s->calibration_id ? s->calibration.max_Nm : NAN,
	};

	forecast_plan(&in, ret);
	if (!(s->plan.until_frac > 0))
		return;
	ready_expect_dwell(s, ret, dwell_s);
	in.dwell_s = dwell_s;
	forecast_plan(&in, ret);
}

static json_t *checks_json(const struct forecast_step *s)
{
	json_t *list = json_array();

	for (int c = 0; c < FORECAST_CHECKS; c++) {
		if (isnan(s->check[c].limit))
			continue;
		json_array_append_new(list, json_pack("{s:s, s:o, s:o, s:s, s:b}", "check",
						      forecast_check_word((enum forecast_check)c), "value",
						      cli_real(s->check[c].value), "limit", cli_real(s->check[c].limit),
						      "unit", forecast_check_unit((enum forecast_check)c), "refuses",
						      forecast_check_refuses((enum forecast_check)c)));
	}
	return list;
}

static json_t *search_json(const struct forecast *f)
{
	json_t *list = json_array();

	for (size_t k = 0; k < f->n_search; k++) {
		const struct forecast_search *s = &f->search[k];
		json_array_append_new(list, json_pack("{s:o, s:o, s:o, s:s, s:o, s:o}", "speed_set_rpm",
						      cli_real(s->set_rpm), "up_to", cli_real(s->ceiling),
						      "up_to_torque_Nm", cli_real(s->top.torque_Nm), "why", s->why,
						      "time_s", cli_real(s->time_s), "heat_J", cli_real(s->energy_J)));
	}
	return list;
}

json_t *ready_forecast_json(const struct forecast *f)
{
	json_t *list = json_array();

	for (size_t i = 0; i < f->n; i++) {
		const struct forecast_step *s = &f->step[i];
		json_array_append_new(
			list,
			json_pack(
				"{s:I, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:o, s:s, s:o, s:b, s:b, s:b, s:o}",
				"step", (json_int_t)s->load + 1, "torque_Nm", cli_real(s->torque_Nm), "speed_set_rpm",
				cli_real(s->set_rpm), "speed_rpm", cli_real(s->speed_rpm), "brake_A",
				cli_real(s->brake_A), "slip_power_W", cli_real(s->slip_power_W), "slip_energy_J",
				cli_real(s->energy_J), "input_power_W", cli_real(s->input_W), "supply_A",
				cli_real(s->supply_A), "voltage_V", cli_real(s->actuator_V), "time_s",
				cli_real(s->time_s), "decides", forecast_check_word(s->decides), "share_of_limit",
				cli_real(s->load_frac), "extrapolated", s->extrapolated, "for_claim", s->for_claim,
				"ok", s->ok, "checks", checks_json(s)));
	}
	return json_pack("{s:o, s:o, s:b, s:I, s:s, s:I, s:o, s:o, s:o}", "steps", list, "search", search_json(f), "ok",
			 f->ok, "steps_ok", (json_int_t)f->n_ok, "decides", forecast_check_word(f->decides),
			 "deciding_step", (json_int_t)(f->n ? f->step[f->deciding_step].load + 1 : 1), "time_s",
			 cli_real(f->time_s), "time_most_s", cli_real(f->time_most_s), "heat_J", cli_real(f->energy_J));
}

/* The word of JSON, as one reads it. */
static const char *read_word(enum forecast_check check, char buf[40])
{
	snprintf(buf, 40, "%s", forecast_check_word(check));
	for (char *c = buf; *c; c++)
		*c = *c == '_' ? ' ' : *c;
	return buf;
}

/* The steps that nobody wrote: claims = yes put them in. */
static void say_for_claims(const struct forecast *f)
{
	char text[300] = "";
	size_t used = 0, n = 0;

	for (size_t i = 0; i < f->loads && used < sizeof text; i++)
		if (f->step[i].for_claim)
			used += (size_t)snprintf(text + used, sizeof text - used, "%s%zu (%.4g N\u00b7m)",
						 n++ ? ", " : "", i + 1, f->step[i].torque_Nm);
	if (n > 0)
		live_say("Added for the data sheet's claims: step%s %s.", n > 1 ? "s" : "", text);
}

void ready_forecast_print(const struct forecast *f, const struct session *s)
{
	bool beyond = false;

	printf("Forecast of plan %s, %s:\n", s->plan_name, s->actuator.name);
	printf("    torque speed  brake    slip  input supply          heat  nearest limit\n");
	printf("       N\u00b7m   rpm      A       W      W     A     V     kJ\n");
	for (size_t i = 0; i < f->n; i++) {
		const struct forecast_step *p = &f->step[i];
		char word[40];
		beyond |= p->extrapolated;
		printf("%2zu %7.2f %5.1f %6.3f%c %5.1f %6.1f %5.2f %5.1f %6.2f  %s %.0f %%%s\n", p->load + 1,
		       p->torque_Nm, copysign(p->speed_rpm, p->set_rpm), p->brake_A, p->extrapolated ? '*' : ' ',
		       p->slip_power_W, p->input_W, p->supply_A, p->actuator_V, p->energy_J / 1e3,
		       read_word(p->decides, word), 100 * p->load_frac, p->ok ? "" : " NO");
	}
	say_for_claims(f);
	for (size_t k = 0; k < f->n_search; k++)
		live_say("The limit is looked for at %.4g rpm up to %.4g %s: %s. %d tries at most.",
			 f->search[k].set_rpm, f->search[k].ceiling, s->plan.load == LOAD_TORQUE ? "N\u00b7m" : "A",
			 f->search[k].why, LIMIT_SEARCH_TRIES);
	if (beyond)
		live_say("* extrapolated: the brake was mapped up to %.3f A and %.2f N\u00b7m; beyond that the current "
			 "is estimated.",
			 s->map.max_A, s->map.max_Nm);
	printf("About %.0f min; %.0f min if every step waits its full settling time.\n", ceil(f->time_s / 60),
	       ceil(f->time_most_s / 60));
}
