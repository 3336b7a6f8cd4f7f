/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/hold_live.h"

#include "command/carry_figure.h"
#include "command/cell_u.h"
#include "command/hold_forecast.h"
#include "command/hold_meter.h"
#include "command/live_procedure.h"
#include "command/offline.h"
#include "run/torque_room.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define TIME_S 7200.0 /* longest hold and cooling without the options; common practice, no source */
#define COOL_S 900.0
#define LONGEST_S 604800.0 /* a week */
#define UP_S 4.0           /* from zero to the torque, as in `obey` */
#define LOCK_S 1.0
#define FULL_SPEED_S 4.0
#define FULL_BRAKE_S 4.0
#define LIMIT_rpm 20.0
#define SLIP_deg 3.0
#define BELOW_GUARD_K 3.0 /* a hold ends by itself before the guard stops it */
#define DRIVE_SHARE 0.05  /* of the loss: the drive's own, by its current; common practice, no source */
#define SLIP_SHARE 0.9    /* of what the brake takes for ever */

static const struct live_item hazards[] = {
	{ "guard", "Guard closed and fixed, nobody in the plane of rotation, nobody reaches in during the run?" },
	{ "weights_removed", "Calibration weights, hanger and arm removed, tools away from the shaft?" },
	{ "hot", "Case and winding get hot: nothing that burns or melts nearby, no hand on the case?" },
	{ "attended", "A person stays with the rig for the whole hold, with a fire extinguisher within reach?" },
	{ "wound_up", "Everybody knows: the gear is wound up against the brake, and what lets go lets go suddenly?" },
	{ "sensors", "Temperature sensors sit on winding and case and are fixed?" },
	{ "emergency_stop", "Emergency stop within reach, and it works with this computer dead?" },
};

struct holding {
	struct live_procedure p;
	double ambient_degC; /* where the rig tells none; NaN */
	const struct hold_request *q;
	struct hold_wanted wanted;
	struct hold_config config;
	struct seq_hold seq;
	struct hold_forecast forecast;
	struct hold_found found;
	struct hold_meter meter;
	double u_cell_Nm;
	bool limit_given;
	double told_s;
};

static enum rc below_guard(const char *what, double limit_degC, double guard_degC, struct err *err)
{
	if (limit_degC <= guard_degC - BELOW_GUARD_K)
		return RC_OK;
	return err_set(err, RC_ARG, 0,
		       "--limit: found %.4g degC, expected at most %.4g degC, which is %.0f K below [limits] %s of the "
		       "actuator",
		       limit_degC, guard_degC - BELOW_GUARD_K, BELOW_GUARD_K, what);
}

static enum rc read_limits(struct holding *w, struct err *err)
{
	const struct actuator_profile *a = &w->p.s.actuator;

	w->limit_given = isfinite(w->wanted.limit_degC);
	if (!w->limit_given && isfinite(a->winding_hot_degC))
		w->wanted.limit_degC = a->winding_hot_degC - BELOW_GUARD_K;
	w->config.winding_limit_degC = w->wanted.limit_degC;
	w->config.case_limit_degC = isfinite(a->case_hot_degC) ? a->case_hot_degC - BELOW_GUARD_K : NAN;
	if (isnan(w->wanted.limit_degC) && isnan(w->config.case_limit_degC))
		return err_set(err, RC_ARG, 0,
			       "no limit is known: give --limit, or [limits] winding and case of the actuator");
	double least = fmin(w->wanted.limit_degC, w->config.case_limit_degC);
	if (w->wanted.rated_degC >= least)
		return err_set(err, RC_ARG, 0,
			       "--rated-ambient: found %.4g degC, expected less than the limit, %.4g degC",
			       w->wanted.rated_degC, least);
	return isfinite(w->wanted.limit_degC) && isfinite(a->winding_hot_degC)
		       ? below_guard("winding", w->wanted.limit_degC, a->winding_hot_degC, err)
		       : RC_OK;
}

static enum rc read_times(struct holding *w, struct err *err)
{
	struct hold_config *c = &w->config;
	const struct offline_option options[] = { { "time", w->q->time, "s", &c->time_s, true },
						  { "cool", w->q->cool, "s", &c->cool_s, true },
						  { "speed", w->q->speed, "rpm", &c->speed_rpm, true } };

	c->time_s = TIME_S;
	c->cool_s = COOL_S;
	enum rc rc = offline_options(options, sizeof options / sizeof options[0], err);
	if (rc == RC_OK && !(c->time_s + c->cool_s <= LONGEST_S))
		rc = err_set(err, RC_ARG, 0, "--time and --cool: found %.4g h together, expected at most %.4g h",
			     (c->time_s + c->cool_s) / 3600, LONGEST_S / 3600);
	c->row_s = seq_hold_row_s(c->time_s, c->cool_s);
	c->window_s = w->wanted.window_s;
	c->equilibrium_K_per_h = w->wanted.K_per_h;
	return rc;
}

/* At a speed the brake turns all the power into heat, for as long as the hold lasts. */
static enum rc check_speed(const struct holding *w, struct err *err)
{
	const struct hold_config *c = &w->config;
	const struct rig_profile *rig = &w->p.s.rig;
	double slip_W = c->torque_Nm * c->speed_rpm * M_PI / 30, most_W = SLIP_SHARE * rig->slip_power_W;

	if (!(c->speed_rpm > 0))
		return RC_OK;
	if (!(c->speed_rpm >= rig->min_slip_rpm && c->speed_rpm <= w->p.live.limits.speed_rpm))
		return err_set(
			err, RC_ARG, 0,
			"--speed: found %.4g rpm, expected %.4g rpm ([brake] min_slip) to %.4g rpm (the smallest "
			"[limits] speed), or none for a hold at standstill",
			c->speed_rpm, rig->min_slip_rpm, w->p.live.limits.speed_rpm);
	if (!(slip_W <= most_W))
		return err_set(err, RC_ARG, 0,
			       "--speed: %.4g N·m at %.4g rpm are %.4g W, expected at most %.4g W (%.0f %% of [brake] "
			       "slip_power)",
			       c->torque_Nm, c->speed_rpm, slip_W, most_W, 100 * SLIP_SHARE);
	return RC_OK;
}

static enum rc make_config(struct holding *w, struct err *err)
{
	struct torque_room room = torque_room_of(&w->p.s);
	const struct claim *rated = &w->p.s.actuator.rated_torque_Nm;
	struct hold_config *c = &w->config;

	c->torque_Nm = rated->given ? fmin(rated->value, room.most_Nm) : room.most_Nm;
	const struct offline_option torque = { "torque", w->q->torque, "N.m", &c->torque_Nm, false };
	enum rc rc = offline_options(&torque, 1, err);
	if (rc == RC_OK)
		rc = torque_room_check(&room, "--torque", c->torque_Nm, err);
	if (rc == RC_OK)
		rc = read_times(w, err);
	if (rc == RC_OK)
		rc = read_limits(w, err);
	if (rc == RC_OK)
		rc = check_speed(w, err);
	c->slew_Nm_per_s = c->torque_Nm / UP_S;
	c->lock_A = torque_room_lock_A(&w->p.s, c->torque_Nm);
	c->slew_A_per_s = c->lock_A / LOCK_S;
	c->limit_rpm = fmin(LIMIT_rpm, w->p.live.limits.speed_rpm);
	c->slip_deg = SLIP_deg;
	c->slew_rpm_per_s = c->speed_rpm / FULL_SPEED_S;
	c->control = (struct torque_control_config){ .max_A = w->p.s.rig.brake_max_A,
						     .rated_Nm = w->p.s.rig.brake_rated_Nm,
						     .lag_s = NAN,
						     .ramp_Nm_per_s = c->slew_Nm_per_s,
						     .slew_A_per_s = w->p.s.rig.brake_max_A / FULL_BRAKE_S };
	c->ambient_degC = w->ambient_degC;
	c->forecast_s = NAN;
	return rc;
}

static void tell_forecast(struct holding *w)
{
	const struct hold_forecast *f = &w->forecast;
	const struct hold_config *c = &w->config;

	if (f->run_id == 0)
		live_note(&w->p.live,
			  "No earlier hold of this actuator: the end is not foretold. Longest time %.4g min.",
			  c->time_s / 60);
	else if (f->end == HOLD_LIMIT)
		live_note(&w->p.live, "Forecast from the hold of run %lld: the limit of %.4g °C after %.3g min.",
			  (long long)f->run_id,
			  isfinite(w->p.live.last.temp_degC[TEMP_WINDING]) ? c->winding_limit_degC : c->case_limit_degC,
			  f->time_s / 60);
	else
		live_note(&w->p.live,
			  "Forecast from the hold of run %lld: %s after %.3g min; the load leads to %.3g °C.",
			  (long long)f->run_id, f->end == HOLD_TIME ? "the longest time" : "equilibrium",
			  f->time_s / 60, f->steady_degC);
}

/* Where only the case tells its temperature a limit that was given is the case's: the winding's watches nothing. */
static enum rc limit_case(struct holding *w, struct err *err)
{
	if (isfinite(w->p.live.last.temp_degC[TEMP_WINDING]))
		return RC_OK;
	if (w->limit_given)
		w->config.case_limit_degC = fmin(w->config.case_limit_degC, w->wanted.limit_degC);
	if (isfinite(w->config.case_limit_degC))
		return RC_OK;
	return err_set(err, RC_ARG, 0,
		       "the winding's temperature is not told and no limit of the case is known: give --limit for the "
		       "case, or [limits] case of the actuator");
}

static enum rc foretell(struct holding *w, struct err *err)
{
	const double *now = w->p.live.last.temp_degC;
	double ambient = isfinite(now[TEMP_AMBIENT]) ? now[TEMP_AMBIENT] : w->config.ambient_degC;
	enum rc rc = limit_case(w, err);

	if (rc == RC_OK)
		rc = hold_forecast(&w->p.s, &w->config, now[TEMP_WINDING], now[TEMP_CASE], ambient, &w->forecast, err);
	if (rc != RC_OK)
		return rc;
	tell_forecast(w);
	w->config.forecast_s = w->forecast.time_s;
	return RC_OK;
}

static void on_tick(void *ctx, const struct snapshot *snap, const struct seq_out *out)
{
	struct holding *w = ctx;
	const struct seq_hold *s = &w->seq;

	(void)snap;
	(void)out;
	if (s->n == 0 || s->time_s[s->n - 1] < w->told_s)
		return;
	w->told_s = s->time_s[s->n - 1] + 600;
	progress_line(w->p.live.progress, "%6.1f min  %s  winding %.1f °C  case %.1f °C  ambient %.1f °C",
		      s->time_s[s->n - 1] / 60, s->phase < HOLD_COOL ? "hold" : "cool", s->winding_degC[s->n - 1],
		      s->case_degC[s->n - 1], s->ambient_degC[s->n - 1]);
}

static struct sequence begin(void *ctx)
{
	struct holding *w = ctx;

	w->config.control.map = w->p.s.map_id ? &w->p.s.map : NULL;
	seq_hold_begin(&w->seq, &w->config);
	return (struct sequence){ seq_hold_step, &w->seq };
}

static enum rc run_hold(struct holding *w, struct err *err)
{
	const struct sequence sequence = begin(w);

	w->p.live.tick = on_tick;
	return w->config.speed_rpm > 0 ? live_procedure_sequence(&w->p, &sequence, err)
				       : live_procedure_locked(&w->p, &sequence, seq_hold_s(&w->config), err);
}

static double sequence_s(const void *ctx)
{
	const struct holding *w = ctx;

	return seq_hold_s(&w->config);
}

static enum rc measure(void *ctx, struct err *err)
{
	struct holding *w = ctx;
	enum rc rc = foretell(w, err);

	return rc == RC_OK ? run_hold(w, err) : rc;
}

static bool all_told(const double *temp_degC, size_t n)
{
	for (size_t i = 0; i < n; i++)
		if (!isfinite(temp_degC[i]))
			return false;
	return n > 0;
}

static struct thermal_record record_of(const struct seq_hold *s)
{
	return (struct thermal_record){ .n = s->n,
					.time_s = s->time_s,
					.winding_degC = all_told(s->winding_degC, s->n) ? s->winding_degC : NULL,
					.case_degC = all_told(s->case_degC, s->n) ? s->case_degC : NULL,
					.ambient_degC = s->ambient_degC,
					.torque_Nm = s->torque_Nm,
					.loss_W = s->loss_W };
}

static void rows(const void *ctx, FILE *f)
{
	const struct holding *w = ctx;
	const struct seq_hold *s = &w->seq;
	const struct thermal_record r = record_of(s);

	fprintf(f, "time (s)%s%s,ambient (degC),torque (N.m),loss (W)\n", r.winding_degC ? ",winding (degC)" : "",
		r.case_degC ? ",case (degC)" : "");
	for (size_t i = 0; i < s->n; i++) {
		fprintf(f, "%.17g", s->time_s[i]);
		if (r.winding_degC)
			fprintf(f, ",%.17g", s->winding_degC[i]);
		if (r.case_degC)
			fprintf(f, ",%.17g", s->case_degC[i]);
		fprintf(f, ",%.17g,%.17g,%.17g\n", s->ambient_degC[i], s->torque_Nm[i], s->loss_W[i]);
	}
}

static const char *const stores[] = { "model.winding.resistance_K_per_W", "model.case.resistance_K_per_W" };
static const char *const taus[] = { "model.winding.tau_s", "model.case.tau_s" };

static void take_off(double *temp_degC, size_t n, double off_K)
{
	for (size_t i = 0; i < n; i++)
		temp_degC[i] -= off_K;
}

/* The rows as rig.ini states its sensors, and what it leaves open. */
static void read_sensors(struct holding *w)
{
	struct seq_hold *s = &w->seq;
	const struct rig_profile *rig = &w->p.s.rig;

	take_off(s->winding_degC, s->n, rig->winding_off_K.value);
	take_off(s->case_degC, s->n, rig->case_off_K.value);
	take_off(s->ambient_degC, s->n, rig->ambient_off_K.value);
	w->wanted.u_sensor_K[HOLD_WINDING] = rig->winding_off_K.u;
	w->wanted.u_sensor_K[HOLD_CASE] = rig->case_off_K.u;
	w->wanted.u_sensor_K[HOLD_AMBIENT] = rig->ambient_off_K.u;
}

/* The rows as the meter's words make them, and what these words leave open. */
static void read_meter(struct holding *w)
{
	struct seq_hold *s = &w->seq;
	const struct cellcal *cal = &w->p.s.calibration;
	double speed_rpm = w->config.speed_rpm, turn = speed_rpm * M_PI / 30, square = 0;

	w->meter = hold_meter(&w->p.s.rig, speed_rpm, s->idle_W, s->product, s->torque_Nm, s->loss_W, s->n);
	for (size_t i = 0; i < w->meter.n; i++)
		square += w->meter.part[i].u_W * w->meter.part[i].u_W;
	w->u_cell_Nm = cell_u_Nm(cal, w->meter.torque_Nm);
	/* A drive on the actuator warms its case, one beside it does not. */
	w->wanted.most_beside_W = fmax(0, s->idle_W) + DRIVE_SHARE * fmax(0, w->meter.loss_W);
	w->wanted.u_loss_1 = hypot(sqrt(square), turn * w->u_cell_Nm) / w->meter.loss_W;
	w->wanted.u_torque_1 = w->u_cell_Nm / w->meter.torque_Nm;
	if (!(w->wanted.u_loss_1 > 0 && w->wanted.u_torque_1 > 0)) /* no loss, or beyond the calibration */
		w->wanted.u_loss_1 = w->wanted.u_torque_1 = 0;
}

static void add_moved(struct holding *w, int k, int store)
{
	const struct hold_found *h = &w->found;

	live_procedure_part(&w->p, taus[store], "scatter of the record", h->fit.u_tau_s[k]);
	for (int i = 0; i < HOLD_SOURCES; i++) {
		const char *source = hold_source_name((enum hold_source)i);
		live_procedure_part(&w->p, taus[store], source, h->moved_tau_s[i][k]);
		live_procedure_part(&w->p, stores[store], source, h->moved_K_per_W[i][k]);
	}
}

/* Of time constants and resistances, source by source. */
static void add_budget(struct holding *w)
{
	const struct thermal_fit *f = &w->found.fit;
	double turn = w->config.speed_rpm * M_PI / 30;

	if (w->found.untold[0])
		return;
	for (int k = 0; k < (f->model.two ? 2 : 1); k++) {
		int store = f->model.two ? k : strcmp(w->found.store, "case") == 0;
		const char *key = stores[store];
		add_moved(w, k, store);
		if (!(w->found.u_loss_1 > 0))
			continue;
		double each = -f->model.resistance_K_per_W[k] / w->meter.loss_W;
		live_procedure_part(&w->p, key, "scatter of the record", f->u_resistance_K_per_W[k]);
		for (size_t i = 0; i < w->meter.n; i++)
			live_procedure_part(&w->p, key, w->meter.part[i].source, each * w->meter.part[i].u_W);
		if (turn > 0)
			(void)live_procedure_cell(&w->p, key, w->meter.torque_Nm, -each * turn);
	}
}

/* A hold that was too short to tell a model was still held: it is kept, and says so. */
static enum rc evaluate(void *ctx, struct err *err)
{
	struct holding *w = ctx;

	read_meter(w);
	read_sensors(w);
	const struct thermal_record r = record_of(&w->seq);
	if (!r.winding_degC)
		w->wanted.limit_degC = w->config.case_limit_degC;
	w->found.store = r.winding_degC ? "winding" : "case";
	enum rc rc = hold_find(&w->wanted, &r, &w->found, err);
	if (rc == RC_SINGULAR) {
		snprintf(w->found.untold, sizeof w->found.untold, "%.199s", err->what);
		*err = (struct err){ 0 };
		rc = RC_OK;
	}
	if (rc == RC_OK)
		add_budget(w);
	if (rc == RC_OK)
		rc = carry_figure_hold(&r, &w->found, &w->p.result, err);
	return rc == RC_OK ? carry_figure_holding(&w->found, &w->p.result, err) : rc;
}

static json_t *forecast_json(const struct hold_forecast *f)
{
	if (f->run_id == 0)
		return json_null();
	return json_pack("{s:I, s:s, s:o}", "run_id", (json_int_t)f->run_id, "ends_by", hold_end_word(f->end), "time_s",
			 cli_real(f->time_s));
}

static json_t *document(const void *ctx)
{
	const struct holding *w = ctx;
	json_t *doc = hold_json(&w->found);
	double slope_Nm = fabs(cellcal_slope_Nm(&w->p.s.calibration, 0));

	json_object_set_new(doc, "torque_Nm", cli_real(w->config.torque_Nm));
	json_object_set_new(doc, "measured_torque_Nm", cli_real(w->seq.mean_Nm));
	json_object_set_new(doc, "speed_rpm", cli_real(w->config.speed_rpm));
	json_object_set_new(doc, "ended_by", json_string(hold_end_word(w->seq.end)));
	json_object_set_new(doc, "held_s", cli_real(w->seq.held_s));
	json_object_set_new(doc, "idle_W", cli_real(w->seq.idle_W));
	json_object_set_new(doc, "forecast", forecast_json(&w->forecast));
	json_object_set_new(doc, "zero_drift_Nm", cli_real((w->p.after.count - w->p.before.count) * slope_Nm));
	return doc;
}

static enum rc configure(void *ctx, struct err *err)
{
	struct holding *w = ctx;
	enum rc rc = session_check_own_drive(&w->p.s, "bridle hold", err);

	if (rc == RC_OK)
		rc = make_config(w, err);
	return rc == RC_OK ? session_check_mode(&w->p.s, w->config.speed_rpm > 0 ? DRIVE_SPEED : DRIVE_TORQUE,
						"bridle hold", err)
			   : rc;
}

static const char *untold(const void *ctx, const struct snapshot *snap)
{
	const struct holding *w = ctx;

	return seq_hold_untold(snap, w->config.ambient_degC);
}

static void print(const void *ctx)
{
	const struct holding *w = ctx;
	static const char *const ended[] = { "", "equilibrium", "the limit of temperature", "the longest time" };

	printf("Held %.4g N·m, measured %.4g N·m, for %.3g min; ended by %s.\n", w->config.torque_Nm, w->seq.mean_Nm,
	       w->seq.held_s / 60, ended[w->seq.end]);
	hold_print(&w->found);
	live_say("The loss is the electrical power less the shaft's, less %.3g W drawn without load.", w->seq.idle_W);
}

static void keep(const void *ctx, json_t *rests_on)
{
	const struct holding *w = ctx;

	live_procedure_keep_list(rests_on, "torques_Nm", w->wanted.list, w->wanted.n_list);
}

/* What was foretold rested on an earlier hold, and stays as it was said. */
static enum rc recall(void *ctx, const json_t *record, struct err *err)
{
	struct holding *w = ctx;
	const json_t *said = json_object_get(record, "forecast");
	const char *end = json_string_value(json_object_get(said, "ends_by"));

	(void)err;
	w->wanted.n_list = live_procedure_recall_list(record, "torques_Nm", w->wanted.list, HOLD_TORQUES);
	w->forecast.run_id = json_integer_value(json_object_get(said, "run_id"));
	w->forecast.time_s = w->config.forecast_s;
	for (int e = HOLD_OPEN; end && e <= HOLD_TIME; e++)
		if (strcmp(hold_end_word((enum hold_end)e), end) == 0)
			w->forecast.end = (enum hold_end)e;
	return RC_OK;
}

#define AT(member) offsetof(struct holding, member)
static const struct live_procedure_key keys[] = {
	{ "torque_Nm", AT(config.torque_Nm) },
	{ "slew_Nm_per_s", AT(config.slew_Nm_per_s) },
	{ "speed_rpm", AT(config.speed_rpm) },
	{ "lock_A", AT(config.lock_A) },
	{ "slew_A_per_s", AT(config.slew_A_per_s) },
	{ "limit_rpm", AT(config.limit_rpm) },
	{ "slip_deg", AT(config.slip_deg) },
	{ "slew_rpm_per_s", AT(config.slew_rpm_per_s) },
	{ "brake_most_A", AT(config.control.max_A) },
	{ "brake_rated_Nm", AT(config.control.rated_Nm) },
	{ "brake_lag_s", AT(config.control.lag_s) },
	{ "brake_ramp_Nm_per_s", AT(config.control.ramp_Nm_per_s) },
	{ "brake_slew_A_per_s", AT(config.control.slew_A_per_s) },
	{ "winding_limit_degC", AT(config.winding_limit_degC) },
	{ "case_limit_degC", AT(config.case_limit_degC) },
	{ "ambient_degC", AT(config.ambient_degC) },
	{ "equilibrium_K_per_h", AT(config.equilibrium_K_per_h) },
	{ "window_s", AT(config.window_s) },
	{ "time_s", AT(config.time_s) },
	{ "cool_s", AT(config.cool_s) },
	{ "row_s", AT(config.row_s) },
	{ "forecast_s", AT(config.forecast_s) },
	{ "limit_degC", AT(wanted.limit_degC) },
	{ "rated_ambient_degC", AT(wanted.rated_degC) },
	{ "asked_K_per_h", AT(wanted.K_per_h) },
	{ "asked_window_s", AT(wanted.window_s) },
};

struct asked {
	const struct hold_request *q;
	const struct hold_wanted *wanted;
	double ambient_degC;
};

static void init(void *ctx, const void *request)
{
	struct holding *w = ctx;
	const struct asked *asked = request;

	w->found = hold_none();
	if (asked) {
		w->q = asked->q;
		w->wanted = *asked->wanted;
		w->ambient_degC = asked->ambient_degC;
	}
}

static const struct live_procedure_parts parts = { .kind = "hold",
						   .size = LIVE_PROCEDURE_SIZE(struct holding),
						   .init = init,
						   .hazards = hazards,
						   .n_hazards = sizeof hazards / sizeof hazards[0],
						   .configure = configure,
						   .untold = untold,
						   .zero_share = 0.05,
						   .sequence_s = sequence_s,
						   .measure = measure,
						   .begin = begin,
						   .key = keys,
						   .n_keys = sizeof keys / sizeof keys[0],
						   .keep = keep,
						   .recall = recall,
						   .evaluate = evaluate,
						   .rows = rows,
						   .document = document,
						   .print = print };

enum rc hold_would(const struct live *live, struct err *err)
{
	static const struct hold_request plain = { 0 };
	const struct hold_wanted wanted = hold_wanted_usual();
	const struct asked asked = { &plain, &wanted, NAN };

	return live_procedure_would(&parts, live, &asked, err);
}

enum rc hold_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err)
{
	return live_procedure_again(&parts, lb, run_id, ret, err);
}

int hold_live(const struct cli *cli, const struct hold_request *q, const struct hold_wanted *wanted,
	      double ambient_degC)
{
	const struct live_procedure_call call = { q->actuator, q->answers, q->figure, q->out, &q->live };
	const struct asked asked = { q, wanted, ambient_degC };

	return live_procedure(cli, &parts, &call, &asked);
}
