/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle sweep PLAN: stepped loads, up and down, to a published curve. */
#include "command/command.h"
#include "command/doubts_tell.h"
#include "command/ready_forecast.h"
#include "live/live_zero.h"
#include "command/ready_record.h"
#include "run/sweep_setup.h"
#include "reports/reduce/curve.h"
#include "reports/reduce/text.h"

#include <limits.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

struct options {
	const char *forced, *mounting, *operator_name;
	bool resume;
	struct live_options live;
};

struct sweeping {
	struct live live;
	struct session s;
	const struct options *o;
	struct seq_sweep sweep;
	struct sweep_item item[SWEEP_ITEMS];
	size_t n_items, done_before, allowed[PROFILE_SPEEDS];
	struct sweep_leg leg[SWEEP_WAYS];
	size_t n_legs;
	struct live_zero zero;
	struct sweep_config config;
	struct forecast forecast;
	int64_t resumes, ready_id, run_id;
	struct doubts gone_past; /* of files, records and forecast: what bridle ready would have said of a forced run */
	struct doubts doubts;    /* what the curve contradicts */
	const char *cause;
	size_t points;
	char left_out[120]; /* why, of the first way of turning in which steps were */
};

static void on_event(void *ctx, const struct seq_event *event)
{
	struct sweeping *w = ctx;
	const struct seq_point *p = &event->point;

	if (event->kind == SEQ_EVENT_NOTE)
		live_note(&w->live, "%s", event->text);
	if (event->kind != SEQ_EVENT_POINT || (p->flags & POINT_TARE))
		return;
	bool torque = isfinite(p->setpoint_Nm);
	bool settled = !(p->flags & POINT_NOT_SETTLED);
	char at[40] = "";
	if (w->s.plan.n_speeds > 1)
		snprintf(at, sizeof at, " at %.4g rpm", p->setpoint_rpm);
	live_note(&w->live, "step %d %s%s: commanded %.2f %s%s, measured %.3f N\u00b7m at %.2f rpm, %s %.1f s%s%s",
		  p->step + 1, p->flags & POINT_SEARCH ? "search " : "",
		  p->flags & POINT_REPEAT ? "again"
		  : p->direction > 0      ? "rising"
		  : p->direction < 0      ? "falling"
					  : "",
		  torque ? p->setpoint_Nm : p->setpoint_A, torque ? "N\u00b7m" : "A", at, p->mean_torque_Nm,
		  p->mean_speed_rpm, settled ? "settled in" : "not settled after", p->settle_s,
		  settled ? "" : ", taken as it is", p->flags & POINT_AT_LIMIT ? ": the limit" : "");
	w->points++;
}

/* By hand: a person turns until the sequence lets the shaft rest. */
static void on_tick(void *ctx, const struct snapshot *snap, const struct seq_out *out)
{
	struct sweeping *w = ctx;

	(void)snap;
	(void)out;
	if (w->live.by_hand)
		live_turn(&w->live, w->sweep.phase >= SWEEP_COAST ? 0 : w->config.top_rpm);
}

static enum rc refuse(struct sweeping *w, const char *cause, enum rc rc)
{
	w->cause = cause;
	return rc;
}

/* Calibration, map and readiness; a forced sweep goes past the last one only. */
static enum rc check_start(struct sweeping *w, struct err *err)
{
	struct session *s = &w->s;

	for (size_t k = 0; k < PROFILE_SPEEDS; k++)
		w->allowed[k] = s->plan.n;
	enum rc rc = session_calibrated(s, err);
	if (rc != RC_OK)
		return refuse(w, "not_calibrated", rc);
	if (s->map_id == 0 && s->plan.load == LOAD_TORQUE)
		return refuse(w, "not_mapped",
			      err_set(err, RC_SAYS_NO, 0,
				      "the brake is not mapped, so a torque cannot be set; run bridle map first"));
	rc = live_arm_is_off(&w->live, w->o->live.clear, err);
	if (rc != RC_OK)
		return refuse(w, rc == RC_SAYS_NO ? "arm_on" : NULL, rc);
	if (w->o->forced)
		return RC_OK;
	rc = ready_record_check(s, s->clock.wall(s->clock.ctx).ns, w->allowed, &w->ready_id, err);
	return rc == RC_SAYS_NO ? refuse(w, "not_ready", rc) : rc;
}

static enum rc prepare(struct sweeping *w, struct err *err)
{
	enum rc rc = RC_OK;

	w->n_items = sweep_order(&w->s.plan, w->allowed, w->item);
	ready_forecast_make(&w->s, &w->forecast);
	w->config = sweep_config_of(&w->s, w->o->forced ? POINT_FORCED : 0);
	w->config.search = sweep_search_of(&w->s, &w->forecast);
	if (w->config.drive == PLAN_SPEED && !(w->config.top_rpm > 0))
		rc = err_set(err, RC_ARG, 0,
			     "plan %s: no [plan] speed, and the actuator has no [drive] speed; give one",
			     w->s.plan_name);
	if (rc == RC_OK && w->o->resume)
		rc = sweep_resume(&w->s, w->item, w->n_items, &w->resumes, &w->done_before, err);
	w->n_legs = sweep_legs(w->item, w->n_items, w->leg);
	if (rc == RC_OK && w->n_legs == 0)
		rc = err_set(err, RC_ARG, 0, "plan %s: nothing is left to do", w->s.plan_name);
	if (w->config.drive == PLAN_HAND)
		w->live.limits.expect_direction = 0;
	return rc;
}

static enum rc note(struct sweeping *w, const char *kind, const char *text, struct err *err)
{
	return logbook_event(w->s.logbook, w->s.run_id, w->s.clock.now(w->s.clock.ctx).ns, kind, text, err);
}

/* As the sequence guesses it before it has seen a point. */
static double sweep_guess_s(const struct sweeping *w)
{
	return (double)(w->n_items - w->done_before) *
	       (w->config.window_s * 1.5 + w->config.dwell_s + w->config.cool_s);
}

/* Where one of the zeros or legs stands in the whole bar: zeros take 7 % each. */
static void bar(struct sweeping *w, size_t leg, bool zero)
{
	double legs = (double)w->n_legs, zeros = 0.07 * (legs + 1), each = (1 - zeros) / legs, at = (double)leg;

	w->live.frac_from = at * (0.07 + each) + (zero ? 0 : 0.07);
	w->live.frac_to = w->live.frac_from + (zero ? 0.07 : each);
}

static enum rc read_zero(struct sweeping *w, size_t leg, struct err *err)
{
	double zero_rpm = sweep_zero_rpm(&w->config), most_Nm = sweep_heaviest_Nm(&w->s, w->allowed);

	w->live.event = NULL;
	w->live.tick = NULL;
	live_no_step(&w->live);
	bar(w, leg, true);
	return live_zero(&w->live, zero_rpm, most_Nm, leg == 0, &w->zero, err);
}

static enum rc run_leg(struct sweeping *w, size_t leg, struct err *err)
{
	const struct sequence sequence = { seq_sweep_step, &w->sweep };
	const struct sweep_leg *l = &w->leg[leg];

	if (w->n_legs > 1)
		live_note(&w->live, "Turning %s: %zu steps.", l->way > 0 ? "forward" : "backward", l->n);
	if (!seq_sweep_begin(&w->sweep, &w->config, w->item + l->first, l->n))
		return RC_OK;
	if (w->config.drive != PLAN_HAND)
		w->live.limits.expect_direction = l->way;
	w->live.event = on_event;
	w->live.tick = on_tick;
	w->live.ctx = w;
	bar(w, leg, false);
	w->live.remaining_after_s = (double)(w->n_legs - leg) * live_zero_s(sweep_zero_rpm(&w->config));
	enum rc rc = live_run(&w->live, &sequence, err);
	if (w->sweep.why_left_out[0] && !w->left_out[0])
		snprintf(w->left_out, sizeof w->left_out, "%s", w->sweep.why_left_out);
	return rc;
}

/* A zero before each way of turning, and one at the end. */
static enum rc run_sweep(struct sweeping *w, struct err *err)
{
	enum rc rc = RC_OK;

	w->live.by_hand = w->config.drive == PLAN_HAND;
	w->live.line.steps = (int)w->s.plan.n;
	w->live.remaining_after_s = sweep_guess_s(w) + live_zero_s(sweep_zero_rpm(&w->config));
	for (size_t leg = 0; leg < w->n_legs && rc == RC_OK; leg++) {
		rc = read_zero(w, leg, err);
		if (rc == RC_OK)
			rc = run_leg(w, leg, err);
	}
	w->live.remaining_after_s = 0;
	w->live.event = NULL;
	w->live.tick = NULL;
	live_no_step(&w->live);
	return rc == RC_OK ? read_zero(w, w->n_legs, err) : rc;
}

/* A forced run goes past every doubt, but not in silence: each is shown and kept before anything moves. */
static enum rc go_past_doubts(struct sweeping *w, struct err *err)
{
	enum rc rc = note(w, "forced", w->o->forced, err);

	doubts_find(&w->s, &w->forecast, &w->gone_past);
	for (size_t i = 0; i < w->gone_past.n && rc == RC_OK; i++) {
		const struct doubt *d = &w->gone_past.list[i];
		if (!w->live.cli->json)
			doubt_print(d, d->refuses, NULL);
		rc = note(w, "doubt", d->text, err);
	}
	return rc;
}

static enum rc work(struct sweeping *w, struct err *err)
{
	enum rc rc = check_start(w, err);

	if (rc == RC_OK)
		rc = prepare(w, err);
	if (rc == RC_OK)
		rc = live_begin(&w->live, "sweep", w->resumes, err);
	if (rc != RC_OK)
		return rc;
	w->run_id = w->s.run_id;
	live_tell_calibration(&w->live);
	rc = live_arm(&w->live, false, err);
	if (rc == RC_OK && w->o->mounting)
		rc = note(w, EVENT_MOUNTING, w->o->mounting, err);
	if (rc == RC_OK && w->o->operator_name)
		rc = note(w, EVENT_OPERATOR, w->o->operator_name, err);
	if (rc == RC_OK && w->o->forced)
		rc = go_past_doubts(w, err);
	if (rc == RC_OK)
		rc = run_sweep(w, err);
	/* what was left out belongs to the curve as much as what was measured */
	struct err note_err;
	enum rc note_rc = RC_OK;
	if (w->left_out[0])
		note_rc = note(w, "left_out", w->left_out, rc == RC_OK ? err : &note_err);
	rc = rc ? rc : note_rc;
	return rc;
}

/* --- the end --- */

/* By the files that the run kept; what cannot be read here is told by bridle report. */
static void doubts_of_run(struct logbook *lb, int64_t run_id, const struct curve *curve, struct doubts *ret)
{
	char *rig_text = NULL, *actuator_text = NULL, *plan_text = NULL;
	struct rig_profile *rig = calloc(1, sizeof *rig);
	struct actuator_profile actuator;

	if (rig && logbook_run_texts(lb, run_id, &rig_text, &actuator_text, &plan_text, NULL) == RC_OK && rig_text &&
	    actuator_text && profile_parse_rig(rig_text, "rig.ini", rig, NULL, NULL) == RC_OK &&
	    profile_parse_actuator(actuator_text, "actuator", &actuator, NULL, NULL) == RC_OK)
		doubts_of_curve(curve, rig, &actuator, NULL, NULL, ret);
	free(rig_text);
	free(actuator_text);
	free(plan_text);
	free(rig);
}

static enum rc reduced(const struct cli *cli, int64_t run_id, struct curve **ret, struct doubts *ret_doubts,
		       struct err *err)
{
	char path[PROFILE_PATH * 2];
	struct logbook *lb = NULL;
	enum rc rc = cli_path(cli, "logbook", path, sizeof path, err);

	if (rc == RC_OK)
		rc = logbook_open_read(path, &lb, err);
	if (rc == RC_OK)
		rc = curve_from_run(lb, run_id, ret, err);
	if (rc == RC_OK)
		doubts_of_run(lb, run_id, *ret, ret_doubts);
	logbook_close(lb);
	return rc;
}

static void print_curve(const struct curve *curve)
{
	char note[sizeof curve->end_note];

	printf("\nstep way      torque, N\u00b7m   speed, rpm    power, W  efficiency  limit\n");
	for (size_t i = 0; i < curve->n; i++) {
		const struct curve_point *p = &curve->points[i];
		char torque[40], speed[40], efficiency[24];
		quantity_format_bracket(torque, sizeof torque, p->torque_Nm.value, unc_u(p->torque_Nm), "");
		quantity_format_bracket(speed, sizeof speed, p->speed_rpm.value, unc_u(p->speed_rpm), "");
		if (p->efficiency_valid)
			snprintf(efficiency, sizeof efficiency, "%.1f %%", 100 * p->efficiency.value);
		else
			snprintf(efficiency, sizeof efficiency, "-");
		printf("%4d %-8s %-13s %-12s %9.1f  %10s  %s%s\n", p->step + 1,
		       p->flags & POINT_REPEAT ? "again"
		       : p->direction > 0      ? "rising"
		       : p->direction < 0      ? "falling"
					       : "",
		       torque, speed, p->shaft_power_W.value, efficiency, limit_word(p->limit),
		       p->flags & POINT_CUT ? ", cut short"
		       : p->settled         ? ""
					    : ", not settled");
	}
	text_swap(note, sizeof note, curve->end_note, "rev/min", "rpm");
	if (note[0])
		live_say("%s", note);
}

/* They stand in the table, and no count of points holds them. */
static void tell_cut(const struct curve *curve, bool again, char *buf, size_t size)
{
	size_t n = 0;
	int step = 0;

	buf[0] = '\0';
	for (size_t i = 0; curve && i < curve->n; i++)
		if (curve->points[i].flags & POINT_CUT) {
			n++;
			step = curve->points[i].step + 1;
		}
	if (n == 1)
		snprintf(buf, size, " Not counted: step %d, cut short by the stop%s.", step,
			 again ? "; --resume takes it again" : "");
	else if (n > 1)
		snprintf(buf, size, " Not counted: %zu steps that stops cut short.", n);
}

static void print_summary(const struct sweeping *w, const struct curve *curve, enum rc rc, const struct err *err,
			  const char *plan)
{
	if (curve)
		print_curve(curve);
	if (curve && curve->zero.note[0])
		live_say("%s", curve->zero.note);
	if (w->left_out[0] && !(curve && curve->end_note[0]))
		live_say("Left out: %s.", w->left_out);
	for (size_t i = 0; i < w->doubts.n; i++)
		doubt_print(&w->doubts.list[i], true, NULL);
	char cut[120];
	tell_cut(curve, rc != RC_OK, cut, sizeof cut);
	if (rc == RC_OK) {
		if (w->done_before > 0)
			live_say(
				"Kept: %zu point%s in run %lld of the logbook, and %zu of the run that it continues.%s "
				"Next: bridle report",
				w->points, w->points == 1 ? "" : "s", (long long)w->run_id, w->done_before, cut);
		else
			live_say("Kept: %zu point%s in run %lld of the logbook. Next: bridle report", w->points,
				 w->points == 1 ? "" : "s", (long long)w->run_id);
		return;
	}
	fflush(stdout);
	cli_wrapped(stderr, isatty(STDERR_FILENO) ? cli_width() : INT_MAX, "bridle: stopped: ", "    ", err->what);
	live_say("%s Kept: %zu of %zu points in run %lld of the logbook.%s Next: bridle sweep %s --resume%s",
		 live_safe_now(&w->live), w->done_before + w->points, w->n_items, (long long)w->run_id, cut, plan,
		 live_asks_clear(&w->live) ? " --clear, when the cause is put right" : "");
}

static int print_document(const struct sweeping *w, const struct curve *curve, enum rc rc, const struct err *err,
			  const char *cause)
{
	json_t *doc = curve ? curve_to_json(curve) : json_pack("{s:[]}", "points");

	if (!doc)
		return 3;
	json_object_set_new(doc, "run_id", json_integer(w->run_id));
	json_object_set_new(doc, "resumes_run_id", w->resumes ? json_integer(w->resumes) : json_null());
	json_object_set_new(doc, "forced", json_boolean(w->o->forced != NULL));
	json_object_set_new(doc, "left_out", cli_text(w->left_out));
	json_t *list = json_array();
	for (size_t i = 0; i < w->doubts.n; i++)
		json_array_append_new(list, doubt_json(&w->doubts.list[i], true, NULL));
	json_object_set_new(doc, "doubts", list);
	list = json_array();
	for (size_t i = 0; i < w->gone_past.n; i++)
		json_array_append_new(list, doubt_json(&w->gone_past.list[i], w->gone_past.list[i].refuses, NULL));
	json_object_set_new(doc, "gone_past", list);
	json_object_set_new(doc, "outcome",
			    json_string(rc == RC_OK          ? "done"
					: rc == RC_INTERLOCK ? "stopped"
							     : "failed"));
	if (rc != RC_OK) {
		json_object_set_new(doc, "cause", cli_text(cause ? cause : rc == RC_DB ? "logbook" : "rig_gone"));
		json_object_set_new(doc, "message", cli_text(err->what));
		json_object_set_new(doc, "safe", json_boolean(live_is_safe(&w->live)));
		json_object_set_new(doc, "safe_now", cli_text(live_safe_now(&w->live)));
	}
	return cli_print_json(doc);
}

static int tell(const struct cli *cli, struct sweeping *w, enum rc rc, struct err *err, const struct mistakes *m)
{
	const char *cause = w->cause ? w->cause : live_cause(&w->live);
	struct curve *curve = NULL;
	struct err curve_err = { 0 };
	int status = err_exit_status(rc);

	if (w->run_id == 0)
		return cli_fail(cli, err, cause, m);
	enum rc curve_rc = reduced(cli, w->run_id, &curve, &w->doubts, &curve_err);
	/* a sweep that was stopped before its first point has no curve, and that is no second failure */
	if (curve_rc != RC_OK && rc == RC_OK)
		return cli_fail(cli, &curve_err, NULL, NULL);
	if (cli->json) {
		int printed = print_document(w, curve, rc, err, cause);
		status = printed ? printed : status;
	} else {
		print_summary(w, curve, rc, err, cli->args[0]);
	}
	curve_free(curve);
	return status;
}

static int sweep_rig(const struct cli *cli, const struct options *o)
{
	const struct session_want want = {
		.bench = cli->bench, .plan = cli->args[0], .rig_link = true, .logbook_write = true
	};
	struct err err = { 0 };
	struct mistakes m = { 0 };
	struct sweeping *w = calloc(1, sizeof *w);

	if (!w) {
		err_set(&err, RC_NOMEM, 0, "out of memory");
		return cli_fail(cli, &err, NULL, NULL);
	}
	w->o = o;
	enum rc rc = live_open(&w->live, cli, &w->s, &want, "sweep", &o->live, &m, &err);
	if (rc == RC_OK) {
		rc = work(w, &err);
		rc = live_end(&w->live, rc, w->cause, &err);
	}
	int status = tell(cli, w, rc, &err, &m);
	free(w);
	return status;
}

static enum rc check_name(const char *option, const char *name, struct err *err)
{
	if (name == NULL || (*name && strlen(name) < PROFILE_WORD))
		return RC_OK;
	return err_set(err, RC_ARG, 0, "%s: found %zu characters, expected a name of 1 to %d", option, strlen(name),
		       PROFILE_WORD - 1);
}

int cmd_sweep(int argc, char **argv)
{
	struct options o = { 0 };
	const struct cli_option options[] = {
		{ "resume", NULL, "continue the last, stopped sweep of this plan at its first unfinished step", NULL,
		  &o.resume },
		{ "forced", "REASON",
		  "run in spite of a refusal or without bridle ready; reason and doubts are kept and every point is "
		  "marked",
		  &o.forced, NULL },
		{ "mounting", "NAME",
		  "how actuator or cell are mounted, for bridle study: another name after each new mounting",
		  &o.mounting, NULL },
		{ "operator", "NAME", "who runs it, for bridle study and the page; else [rig] operator of rig.ini",
		  &o.operator_name, NULL },
		LIVE_OPTIONS(o.live),
	};
	const struct cli_spec spec = {
		.name = "sweep",
		.usage = "sweep PLAN [options]",
		.about = "Runs a plan: zero, load in steps up and down, settle, dwell, average, the first step once "
			 "more, zero again. A key (space, "
			 "q, Esc) or Ctrl-C is a controlled stop: the drive's torque off, the brake held until the "
			 "shaft stands, then released. "
			 "Everything measured stays in the logbook. Software is not the emergency stop.",
		.examples = "  bridle sweep lock-sweep\n  bridle sweep lock-sweep --resume\n  bridle sweep lock-sweep "
			    "--json > curve.json\n",
		CLI_TAKES(options),
		.min_args = 1,
		.max_args = 1,
	};
	struct cli cli;
	struct err err = { 0 };
	enum rc rc = cli_parse(&spec, argc, argv, &cli, &err);

	if (rc == RC_OK && !cli.help_shown && o.forced && !*o.forced)
		rc = err_set(&err, RC_ARG, 0, "--forced: expected the reason in a few words");
	if (rc == RC_OK && !cli.help_shown)
		rc = check_name("--mounting", o.mounting, &err);
	if (rc == RC_OK && !cli.help_shown)
		rc = check_name("--operator", o.operator_name, &err);
	if (rc == RC_OK && !cli.help_shown && o.resume && o.mounting)
		rc = err_set(
			&err, RC_ARG, 0,
			"--resume with --mounting: found both, expected one of them. A resumed sweep has the mounting "
			"of the run that it continues; after a new mounting start a new sweep.");
	if (rc != RC_OK)
		return cli_fail(&cli, &err, NULL, NULL);
	o.live.takes_up = o.resume;
	return cli.help_shown ? 0 : sweep_rig(&cli, &o);
}
