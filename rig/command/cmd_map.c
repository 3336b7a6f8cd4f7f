/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle map: brake current to torque, both branches, at two or more slip speeds. */
#include "command/command.h"
#include "live/live_zero.h"
#include "command/map_result.h"
#include "run/forecast.h"
#include "logbook/accepted.h"
#include "profile/plausible.h"
#include "run/seq_map.h"

#include "calib/number/units.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define SPARE 0.9 /* share of a heat limit that a map may use; torque has the sequence's own margin */
#define STEADY_FRAC_PER_S 0.004
#define CURRENTS 9
#define FASTEST_START_S 3.0 /* from rest to the highest speed */

struct options {
	const char *actuator, *speeds, *currents, *cycles, *accept;
	bool by_hand, dry_run;
	struct live_options live;
};

struct mapping {
	struct live live;
	struct session s;
	struct seq_map map;
	struct map_config config;
	struct live_zero before, after;
	size_t kept; /* readings that the logbook has */
};

/* --- what to map --- */

static int by_value(const void *a, const void *b)
{
	double x = *(const double *)a, y = *(const double *)b;

	return (x > y) - (x < y);
}

static enum rc read_speeds(const char *text, struct map_config *c, struct err *err)
{
	char copy[200], *save = NULL;

	if (strlen(text) >= sizeof copy)
		return err_set(err, RC_ARG, 0, "--speeds: too long, expected up to %d speeds in rpm", MAP_SPEEDS);
	snprintf(copy, sizeof copy, "%s", text);
	c->n_speeds = 0;
	for (char *word = strtok_r(copy, ", ", &save); word; word = strtok_r(NULL, ", ", &save)) {
		if (strcmp(word, "rpm") == 0)
			continue;
		if (c->n_speeds == MAP_SPEEDS)
			return err_set(err, RC_ARG, 0, "--speeds: more than %d speeds", MAP_SPEEDS);
		enum rc rc = live_number("speeds", word, 0.1, 1e5, &c->speed_rpm[c->n_speeds], err);
		if (rc != RC_OK)
			return rc;
		c->n_speeds++;
	}
	qsort(c->speed_rpm, c->n_speeds, sizeof *c->speed_rpm, by_value);
	for (size_t i = 1; i < c->n_speeds; i++)
		if (!(c->speed_rpm[i] > c->speed_rpm[i - 1]))
			return err_set(err, RC_ARG, 0, "--speeds: %g rpm is given twice", c->speed_rpm[i]);
	if (c->n_speeds < 2)
		return err_set(err, RC_ARG, 0,
			       "--speeds: found \"%s\", expected two or more speeds in rpm, as in \"30, 80\"", text);
	return RC_OK;
}

/* Two speeds that brake and actuator can do: well above the least slip, and most of what the actuator is run at. */
static void default_speeds(const struct session *s, struct map_config *c)
{
	double top = s->has_actuator && s->actuator.speed_mode_rpm > 0 ? 0.8 * s->actuator.speed_mode_rpm
								       : 0.5 * s->rig.limit_speed_rpm;

	c->n_speeds = 2;
	c->speed_rpm[1] = top;
	c->speed_rpm[0] = fmin(fmax(0.35 * top, 3 * s->rig.min_slip_rpm), 0.7 * top);
}

static void default_currents(const struct session *s, size_t n, struct map_config *c)
{
	c->n_currents = n;
	for (size_t i = 0; i < n; i++)
		c->current_A[i] = s->rig.brake_max_A * (double)(i + 1) / (double)n;
}

/* Input power, less that without load, at which the forecast of bridle ready (run/forecast.h) has the supply at its
 * limit, or the drive at its drop-out, with some room: the map is no test of the supply. */
static double supply_W(const struct session *s)
{
	const struct actuator_profile *a = &s->actuator;
	double low_W = 0, high_W = 1e6;

	if (!s->has_actuator || !(s->rig.supply_limit_A > 0))
		return INFINITY;
	for (int i = 0; i < 60; i++) {
		double input_W = 0.5 * (low_W + high_W);
		double amp = forecast_supply_A(input_W + a->expect_no_load_W, s->rig.supply_V, s->rig.cable_ohm.value);
		double left_V = s->rig.supply_V - amp * s->rig.cable_ohm.value;
		if (amp <= SPARE * s->rig.supply_limit_A && SPARE * left_V >= a->voltage_min_V)
			low_W = input_W;
		else
			high_W = input_W;
	}
	return low_W;
}

/* The losses of a torque as a speed, from the efficiency that is expected at the actuator's own speed. */
static double loss_rpm(const struct session *s)
{
	const struct actuator_profile *a = &s->actuator;
	bool own = a->speed_mode_rpm > 0 || a->no_load_rpm.given;

	return s->has_actuator ? forecast_loss_rpm(a, own ? 0 : a->limit_speed_rpm) : 0;
}

static enum rc make_config(struct mapping *m, const struct options *o, struct err *err)
{
	const struct rig_profile *rig = &m->s.rig;
	double n = CURRENTS, cycles = 3;
	struct map_config *c = &m->config;
	enum rc rc = o->currents ? live_number("currents", o->currents, 3, MAP_CURRENTS, &n, err) : RC_OK;

	if (rc == RC_OK && o->cycles)
		rc = live_number("cycles", o->cycles, 0, 100, &cycles, err);
	if (rc != RC_OK)
		return rc;
	*c = (struct map_config){
		.by_hand = o->by_hand,
		.powder = rig->brake_kind == BRAKE_POWDER,
		.run_in_cycles = (int)cycles,
		.max_A = rig->brake_max_A,
		.rated_Nm = rig->brake_rated_Nm,
		.window_s = 2,
		.timeout_s = 12,
		.dwell_s = 4,
		.torque_slope_Nm_per_s = STEADY_FRAC_PER_S * rig->brake_rated_Nm,
		.slew_A_per_s = rig->brake_max_A,
		.lag_low_A = 0.2 * rig->brake_max_A,
		.lag_high_A = 0.5 * rig->brake_max_A,
		.lag_s = 2,
		.most_Nm = m->live.limits.torque_Nm,
		.most_slip_W = SPARE * (rig->slip_power_short_W > 0 ? rig->slip_power_short_W : rig->slip_power_W),
		.most_supply_W = o->by_hand ? INFINITY : supply_W(&m->s),
		.supply_loss_rpm = loss_rpm(&m->s),
		.energy_J = rig->slip_energy_J > 0 ? SPARE * rig->slip_energy_J : INFINITY,
		.continuous_W = rig->slip_power_W,
		.hand_rpm_frac = 0.25,
	};
	if (o->speeds)
		rc = read_speeds(o->speeds, c, err);
	else
		default_speeds(&m->s, c);
	default_currents(&m->s, (size_t)n, c);
	double fastest = rc == RC_OK ? c->speed_rpm[c->n_speeds - 1] : 0;
	if (rc == RC_OK && !(fastest <= m->live.limits.speed_rpm))
		return err_set(err, RC_ARG, 0, "--speeds: %g rpm is above the limit of %g rpm", fastest,
			       m->live.limits.speed_rpm);
	c->speed_slope_rpm_per_s = 0.01 * fastest;
	c->speed_slew_rpm_per_s = fastest / FASTEST_START_S;
	if (rc == RC_OK && !seq_map_begin(&m->map, c))
		rc = err_set(err, RC_ARG, 0, "a map needs at least two speeds and two currents");
	m->map.energy_J = m->s.brake_heat_J;
	return rc;
}

/* --- the run --- */

static void on_event(void *ctx, const struct seq_event *event)
{
	struct mapping *m = ctx;

	if (event->kind == SEQ_EVENT_NOTE)
		live_note(&m->live, "%s", event->text);
	if (event->kind != SEQ_EVENT_POINT)
		return;
	const struct map_reading *r = &m->map.reading[event->point.step];
	m->kept++;
	progress_line(m->live.progress, "%6.1f rpm  %-7s %6.3f A  %8.3f N\u00b7m  noise %.4f%s", r->slip_rpm,
		      r->branch == BRAKEMAP_RISING ? "rising" : "falling", r->current_A, r->torque_Nm, r->u_torque_Nm,
		      r->settled ? "" : "  not settled");
}

/* By hand: the person follows the speed that the sequence is at. */
static void on_tick(void *ctx, const struct snapshot *snap, const struct seq_out *out)
{
	struct mapping *m = ctx;

	(void)snap;
	(void)out;
	if (m->config.by_hand)
		live_turn(&m->live, m->map.phase >= MAP_COAST ? 0 : m->config.speed_rpm[m->map.speed]);
}

static enum rc check_start(const struct session *s, const struct options *o, const char **cause, struct err *err)
{
	enum rc rc = session_calibrated(s, err);
	if (rc != RC_OK) {
		*cause = "not_calibrated";
		return rc;
	}
	if (!s->has_actuator && !o->by_hand) {
		*cause = "bad_input";
		return err_set(err, RC_ARG, 0, "give --actuator NAME, or --by-hand when a person turns the shaft");
	}
	return RC_OK;
}

static enum rc run_map(struct mapping *m, struct err *err)
{
	const struct sequence sequence = { seq_map_step, &m->map };

	double zero_rpm = m->config.speed_rpm[0];

	m->live.by_hand = m->config.by_hand;
	m->live.frac_to = 0.08;
	m->live.line.steps = (int)(m->config.n_speeds * (2 * m->config.n_currents + 1));
	m->live.remaining_after_s =
		live_zero_s(zero_rpm) + (double)m->map.acts * (m->config.window_s * 1.5 + m->config.dwell_s);
	enum rc rc = live_zero(&m->live, zero_rpm, NAN, true, &m->before, err);

	m->live.event = on_event;
	m->live.tick = on_tick;
	m->live.ctx = m;
	m->live.frac_from = 0.08;
	m->live.frac_to = 0.94;
	m->live.remaining_after_s = live_zero_s(zero_rpm);
	if (rc == RC_OK)
		rc = live_run(&m->live, &sequence, err);
	m->live.event = NULL;
	m->live.tick = NULL;
	m->live.frac_from = 0.94;
	m->live.frac_to = 1;
	m->live.remaining_after_s = 0;
	live_no_step(&m->live);
	return rc == RC_OK ? live_zero(&m->live, zero_rpm, NAN, false, &m->after, err) : rc;
}

static enum rc store(struct mapping *m, struct map_result *r, struct err *err)
{
	char *json = record_from_brakemap(&r->map);

	if (!json)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	enum rc rc = logbook_record(m->s.logbook, m->s.run_id, m->s.clock.wall(m->s.clock.ctx).ns, "map", json,
				    &r->record_id, err);
	free(json);
	return rc;
}

/* A map that contradicts the brake's rating is not kept: the whole rig would be steered and guarded by it. */
static enum rc check_plausible(struct mapping *m, const struct options *o, struct map_result *r, const char **cause,
			       struct err *err)
{
	struct plausible p = plausible_brake(&m->s.rig, &r->map, m->s.has_actuator ? &m->s.actuator : NULL);
	char text[400];

	if (!p.refused)
		return RC_OK;
	plausible_sentence(&p, text, sizeof text);
	if (o->accept) {
		live_note(&m->live, "implausible, accepted (%s): %s", o->accept, text);
		return accepted_add(m->s.logbook, m->s.run_id, m->s.clock.wall(m->s.clock.ctx).ns,
				    plausible_word(p.check), p.found, p.expected, o->accept, text, err);
	}
	*cause = "implausible";
	return err_set(err, RC_SAYS_NO, 0, "the map is not kept: %s. If it is right all the same: --accept REASON",
		       text);
}

static enum rc work(struct mapping *m, const struct options *o, struct map_result *r, const char **cause,
		    struct err *err)
{
	enum rc rc = check_start(&m->s, o, cause, err);

	if (rc == RC_OK)
		rc = make_config(m, o, err);
	if (rc == RC_OK && (rc = live_arm_is_off(&m->live, o->live.clear, err)) == RC_SAYS_NO)
		*cause = "arm_on";
	if (rc == RC_OK)
		rc = live_begin(&m->live, "map", 0, err);
	if (rc == RC_OK)
		rc = live_arm(&m->live, false, err);
	if (rc != RC_OK)
		return rc;
	live_tell_calibration(&m->live);
	rc = run_map(m, err);
	if (rc == RC_OK)
		rc = map_result_make(&m->map, &m->s.calibration, &m->before, &m->after, r, err);
	if (rc == RC_OK)
		rc = check_plausible(m, o, r, cause, err);
	if (rc == RC_OK && !o->dry_run)
		rc = store(m, r, err);
	r->run_id = m->s.run_id;
	r->calibration_id = m->s.calibration_id;
	return rc;
}

static int map_rig(const struct cli *cli, const struct options *o)
{
	const struct session_want want = { .bench = cli->bench,
					   .actuator = o->by_hand ? NULL : o->actuator,
					   .rig_link = true,
					   .logbook_write = true };
	struct err err = { 0 };
	struct mistakes mistakes = { 0 };
	const char *cause = NULL;
	struct mapping *m = calloc(1, sizeof *m);
	struct map_result *r = calloc(1, sizeof *r);
	int status;

	if (!m || !r) {
		free(m);
		free(r);
		err_set(&err, RC_NOMEM, 0, "out of memory");
		return cli_fail(cli, &err, NULL, NULL);
	}
	enum rc rc = live_open(&m->live, cli, &m->s, &want, "map", &o->live, &mistakes, &err);
	if (rc == RC_OK) {
		rc = work(m, o, r, &cause, &err);
		rc = live_end(&m->live, rc, cause, &err);
	}
	if (rc != RC_OK) {
		status = cli_fail(cli, &err, cause ? cause : live_cause(&m->live), &mistakes);
		if (!cli->json && r->run_id != 0)
			live_say("%s No map is kept; the %zu readings so far stay in run %lld of the logbook. Next: "
				 "bridle map again%s",
				 live_safe_now(&m->live), m->kept, (long long)r->run_id,
				 live_asks_clear(&m->live) ? " with --clear, when the cause is put right" : "");
	} else if (cli->json) {
		status = cli_print_json(map_result_json(&m->map, r));
	} else {
		status = map_result_print(&m->map, r);
	}
	free(r);
	free(m);
	return status;
}

int cmd_map(int argc, char **argv)
{
	struct options o = { 0 };
	const struct cli_option options[] = {
		{ "actuator", "NAME", "what turns the shaft: actuators/NAME.ini, in speed mode", &o.actuator, NULL },
		{ "by-hand", NULL,
		  "a person turns the shaft (a crank, a lathe, a drill); the sequence waits for each speed", NULL,
		  &o.by_hand },
		{ "speeds", "LIST",
		  "slip speeds, rpm, two or more, as in \"30, 80\" (default: two that suit brake and actuator)",
		  &o.speeds, NULL },
		{ "currents", "N",
		  "number of currents up to the coil's largest (default 9); those that would overload or overheat are "
		  "left out",
		  &o.currents, NULL },
		{ "cycles", "N", "run-in cycles of a powder brake (default 3)", &o.cycles, NULL },
		{ "accept", "REASON",
		  "keep the map although it contradicts the brake's rating; reports print the reason", &o.accept,
		  NULL },
		{ "dry-run", NULL, "show the result, keep no map", NULL, &o.dry_run },
		LIVE_OPTIONS(o.live),
	};
	const struct cli_spec spec = {
		.name = "map",
		.usage = "map [--actuator NAME | --by-hand] [options]",
		.about = "Maps the brake: current to torque, rising and falling, at two or more slip speeds, with "
			 "drag, remanence, lag and the slope of "
			 "the linear range. Needs a calibrated cell. Currents that would overheat or overload the "
			 "brake or the supply are "
			 "left out. The shaft turns: guard closed, hair and sleeves tied back, nobody in the plane of "
			 "rotation.",
		.examples = "  bridle map --actuator paddle-winder\n  bridle map --actuator paddle-winder --speeds "
			    "\"30, 60, 85\" --json\n",
		CLI_TAKES(options),
	};
	struct cli cli;
	struct err err = { 0 };
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	if (rc != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	if (cli.help_shown)
		return 0;
	if (o.by_hand && o.actuator) {
		err_set(&err, RC_ARG, 0, "--by-hand and --actuator: expected one of them");
		return cli_fail(&cli, &err, NULL, NULL);
	}
	return map_rig(&cli, &o);
}
