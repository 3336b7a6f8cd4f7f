/* SPDX-License-Identifier: GPL-3.0-or-later */
/* bridle endure PLAN: cycles of load, unattended, with rules that stop and messages to a broker. */
#include "calib/play/play.h"
#include "command/command.h"
#include "command/endure_book.h"
#include "command/endure_check.h"
#include "command/endure_say.h"
#include "command/ready_record.h"
#include "live/live_zero.h"
#include "run/play_setup.h"
#include "run/seq_endure.h"
#include "run/sweep_setup.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define PLAY_TRAVEL_deg 10.0 /* at which the guard stops the locked shaft */
#define PLAY_WAIT_S 60.0     /* it may stand for so much longer than the loop takes */

struct options {
	const char *figure;
	bool resume, cycles;
	struct live_options live;
};

struct enduring {
	struct live live;
	struct session s;
	const struct options *o;
	struct endure_config config;
	struct endure_watch watch;
	struct endure_found found;
	struct seq_endure seq;
	struct seq_play play;
	double play_Nm;          /* 0: no play is measured */
	struct endure_book book; /* of the run that is continued */
	struct endure_say say;
	struct live_zero zero;
	size_t allowed[PROFILE_SPEEDS];
	double zero_rpm;
	long number; /* cycles that are whole, those of the run that is continued too */
	int64_t resumes, ready_id, run_id;
	const char *cause;
};

static enum rc refuse(struct enduring *w, const char *cause, enum rc rc)
{
	w->cause = cause;
	return rc;
}

static enum rc is_endurance(const struct session *s, struct err *err)
{
	if (s->plan.endurance.cycles > 0)
		return RC_OK;
	return err_set(err, RC_ARG, 0,
		       "plans/%s.ini: no section [endurance]; give cycles and rules there, or run bridle sweep %s",
		       s->plan_name, s->plan_name);
}

/* As for a sweep that is not forced. */
static enum rc check_start(struct enduring *w, struct err *err)
{
	struct session *s = &w->s;
	enum rc rc = session_calibrated(s, err);

	if (rc != RC_OK)
		return refuse(w, "not_calibrated", rc);
	if (s->map_id == 0)
		return refuse(w, "not_mapped",
			      err_set(err, RC_SAYS_NO, 0,
				      "the brake is not mapped, so a torque cannot be set; run bridle map first"));
	rc = live_arm_is_off(&w->live, w->o->live.clear, err);
	if (rc != RC_OK)
		return refuse(w, rc == RC_SAYS_NO ? "arm_on" : NULL, rc);
	rc = ready_record_check(s, s->clock.wall(s->clock.ctx).ns, w->allowed, &w->ready_id, err);
	return rc == RC_SAYS_NO ? refuse(w, "not_ready", rc) : rc;
}

static void put_loads(struct enduring *w)
{
	const struct plan_profile *p = &w->s.plan;
	struct endure_config *c = &w->config;
	size_t n = p->n, most = p->down ? 2 * n - 1 : n;

	for (size_t i = 0; i < most; i++)
		c->load_Nm[i] = p->step[i < n ? i : 2 * n - 2 - i];
	for (size_t k = 0; k < p->n_speeds; k++) {
		c->rpm[k] = p->speed_rpm[k];
		c->n_loads[k] = w->allowed[k] >= n ? most : w->allowed[k];
	}
	c->n_legs = p->n_speeds;
}

static void make_config(struct enduring *w)
{
	const struct plan_profile *p = &w->s.plan;
	const struct plan_endurance *e = &p->endurance;
	const struct sweep_config sweep = sweep_config_of(&w->s, 0);
	const struct endure_limits limits = {
		.limit = { [ENDURE_CURRENT] = e->current_drift,
			   [ENDURE_DROOP] = e->speed_droop,
			   [ENDURE_RISE] = e->temperature_rise_K,
			   [ENDURE_CASE] = e->case_degC,
			   [ENDURE_PLAY] = e->play_drift_arcmin },
		.tell_frac = e->tell_at,
		.reference = e->reference,
	};

	w->config = (struct endure_config){ .no_load_s = e->no_load_s,
					    .hold_s = e->hold_s,
					    .pause_s = e->pause_s,
					    .slew_rpm_per_s = sweep.speed_slew_rpm_per_s,
					    .control = sweep.control,
					    .keep = e->keep };
	put_loads(w);
	w->zero_rpm = sweep_zero_rpm(&sweep);
	w->watch = endure_watch_begin(&limits);
}

/* The cycles that went before count for the rules, and the next whole one is the first. */
static enum rc take_up(struct enduring *w, struct err *err)
{
	struct session *s = &w->s;
	enum rc rc = endure_book_read(s->logbook, s->plan_name, &w->book, err);

	if (rc == RC_OK && w->book.run_id == 0)
		rc = err_set(err, RC_ARG, 0, "--resume: there is no run of plan %s to take up", s->plan_name);
	if (rc == RC_OK)
		rc = sweep_same_files(s, w->book.run_id, "run", err);
	if (rc != RC_OK)
		return rc;
	for (size_t i = 0; i < w->book.n; i++) {
		(void)endure_watch_add(&w->watch, &w->book.row[i].cycle);
		w->number = w->book.row[i].cycle.number;
	}
	for (size_t i = 0; i < w->book.n_plays; i++)
		(void)endure_watch_play(&w->watch, &w->book.play[i]);
	w->resumes = w->book.run_id;
	if (w->number < s->plan.endurance.cycles)
		return RC_OK;
	return err_set(err, RC_ARG, 0, "--resume: all %d cycles of plan %s are done", s->plan.endurance.cycles,
		       s->plan_name);
}

static void say(struct enduring *w, const char *what, const char *text)
{
	endure_say(&w->say, what, w->s.run_id, w->number, text);
}

static void tell_drift(struct enduring *w, const char *text)
{
	live_note(&w->live, "After cycle %ld: %s", w->number, text);
	if (strncmp(text, "drift", 5) == 0)
		say(w, "drift", text);
}

static void on_event(void *ctx, const struct seq_event *event)
{
	struct enduring *w = ctx;
	struct endure_cycle c;

	if (event->kind != SEQ_EVENT_NOTE)
		return;
	if (endure_cycle_parse(event->text, &c)) {
		w->number = c.number;
		return;
	}
	tell_drift(w, event->text);
}

/* A broker that is away is told once. */
static void on_tick(void *ctx, const struct snapshot *snap, const struct seq_out *out)
{
	struct enduring *w = ctx;
	const char *why = endure_say_why_once(&w->say);

	(void)snap;
	(void)out;
	if (why)
		live_note(&w->live, "No message: %s. The run goes on; it is tried again.", why);
}

static double elapsed_s(struct enduring *w, struct mono begin)
{
	return mono_diff_s(w->s.clock.now(w->s.clock.ctx), begin);
}

static void set_bar(struct enduring *w)
{
	double all = w->s.plan.endurance.cycles;

	w->live.frac_from = (double)w->number / all;
	w->live.frac_to = fmin(1, ((double)(w->config.last)) / all);
	w->live.remaining_after_s = (all - (double)w->config.last) * seq_endure_cycle_s(&w->config);
}

/* Cycles go on until a zero, a play or the end is due. */
static long block_end(const struct enduring *w)
{
	const struct plan_endurance *e = &w->s.plan.endurance;
	long last = w->number + e->zero < e->cycles ? w->number + e->zero : e->cycles;
	long play = e->play > 0 ? (w->number / e->play + 1) * e->play : last;

	return play < last ? play : last;
}

static enum rc run_block(struct enduring *w, struct mono begin, struct err *err)
{
	const struct sequence sequence = { seq_endure_step, &w->seq };
	const struct plan_endurance *e = &w->s.plan.endurance;

	w->config.first = w->number + 1;
	w->config.last = block_end(w);
	w->config.most_s = e->duration_s > 0 ? e->duration_s - elapsed_s(w, begin) : INFINITY;
	set_bar(w);
	seq_endure_begin(&w->seq, &w->config, &w->watch);
	w->live.event = on_event;
	w->live.tick = on_tick;
	w->live.ctx = w;
	enum rc rc = live_run(&w->live, &sequence, err);
	w->live.event = NULL;
	w->live.tick = NULL;
	w->watch = w->seq.watch;
	w->found = w->seq.found;
	return rc;
}

static enum rc stopped_by_rule(struct enduring *w, struct err *err)
{
	char text[200];

	endure_rule_text(&w->found, w->found.stop, text, sizeof text);
	w->cause = endure_rule_word(w->found.stop);
	return err_set(
		err, RC_SAYS_NO, 0,
		"a rule of the plan ended it in order after %ld cycles: %s. Look for the cause, then --resume or "
		"change the rule",
		w->number, text);
}

/* --- play between the cycles --- */
static bool play_is_due(const struct enduring *w)
{
	return w->play_Nm > 0 && w->number % w->s.plan.endurance.play == 0;
}

/* Of its rows one a second is enough. */
static void step_play(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	seq_play_step(state, snap, ret);
	ret->thin_s = ENDURE_THIN_S;
}

/* The loop at the locked brake, under the guard's limits for a shaft that has to stand. */
static enum rc run_loop(struct enduring *w, struct err *err)
{
	const struct sequence sequence = { step_play, &w->play };
	const struct guard_limits usual = w->live.limits;
	struct seq_play_config config = play_setup(&w->s, w->play_Nm, usual.speed_rpm);

	config.loops = 1;
	seq_play_begin(&w->play, &config);
	w->live.limits.expect_direction = 0;
	w->live.limits.travel_deg = PLAY_TRAVEL_deg;
	w->live.limits.stand_s = PLAY_WAIT_S + seq_play_s(&config);
	w->live.frac_to = w->live.frac_from;
	enum rc rc = live_run(&w->live, &sequence, err);
	w->live.limits = usual;
	return rc;
}

/* A loop that tells nothing is a number that was not measured: its rule stops, without a rule the cycles go on. */
static struct endure_play found_play(const struct enduring *w)
{
	struct endure_play ret = { w->number, NAN, NAN, NAN, NAN };
	double u_two = sqrt(2) * play_setup_u_arcmin(&w->s);
	struct play_loop loop;
	struct err ignored;

	if (play_loop(w->play.torque_Nm, w->play.angle_arcmin, w->play.n, NAN, &loop, &ignored) != RC_OK)
		return ret;
	ret.lost_arcmin = loop.lost_motion_arcmin.value;
	ret.u_lost_arcmin = hypot(loop.lost_motion_arcmin.u, u_two);
	ret.stiffness_Nm_per_arcmin = loop.stiffness_Nm_per_arcmin.value;
	ret.u_stiffness = loop.stiffness_Nm_per_arcmin.u;
	return ret;
}

static enum rc keep_note(struct enduring *w, const char *text, struct err *err)
{
	return logbook_event(w->s.logbook, w->s.run_id, w->s.clock.now(w->s.clock.ctx).ns, "note", text, err);
}

static enum rc run_play(struct enduring *w, struct err *err)
{
	char text[200], rule[160];
	enum rc rc = run_loop(w, err);

	if (rc != RC_OK)
		return rc;
	const struct endure_play play = found_play(w);
	endure_play_text(&play, text, sizeof text);
	rc = keep_note(w, text, err);
	w->found = endure_watch_play(&w->watch, &play);
	bool stops = w->found.stop != ENDURE_NONE;
	endure_rule_text(&w->found, stops ? w->found.stop : w->found.tell, rule, sizeof rule);
	if (rc != RC_OK || !rule[0])
		return rc;
	snprintf(text, sizeof text, "%s: %s", stops ? "rule" : "drift", rule);
	tell_drift(w, text);
	return keep_note(w, text, err);
}

/* A zero before each so many cycles: the tare of those. One at the end. */
static enum rc run_cycles(struct enduring *w, struct err *err)
{
	struct mono begin = w->s.clock.now(w->s.clock.ctx);
	double most_Nm = sweep_heaviest_Nm(&w->s, w->allowed);
	int way = w->config.rpm[0] < 0 ? -1 : 1;
	bool over = false;
	enum rc rc = RC_OK;

	for (size_t k = 1; k < w->config.n_legs; k++)
		way = (w->config.rpm[k] < 0 ? -1 : 1) == way ? way : 0;
	while (rc == RC_OK && !over) {
		w->live.frac_from = w->live.frac_to;
		rc = live_zero(&w->live, w->zero_rpm, most_Nm, true, &w->zero, err);
		if (rc == RC_OK && play_is_due(w))
			rc = run_play(w, err);
		w->live.limits.expect_direction = way;
		over = w->found.stop != ENDURE_NONE || w->number >= w->s.plan.endurance.cycles;
		if (rc == RC_OK && !over)
			rc = run_block(w, begin, err);
		over = over || w->found.stop != ENDURE_NONE || w->seq.out_of_time ||
		       (w->number >= w->s.plan.endurance.cycles && !play_is_due(w));
	}
	if (rc == RC_OK && w->found.stop == ENDURE_NONE) /* what a rule stopped is not turned again */
		rc = live_zero(&w->live, w->zero_rpm, most_Nm, false, &w->zero, err);
	return rc == RC_OK && w->found.stop != ENDURE_NONE ? stopped_by_rule(w, err) : rc;
}

static enum rc work(struct enduring *w, struct err *err)
{
	enum rc rc = is_endurance(&w->s, err);

	if (rc == RC_OK)
		rc = check_start(w, err);
	if (rc == RC_OK)
		rc = endure_check_play(&w->s, &w->play_Nm, err);
	if (rc == RC_OK)
		make_config(w);
	if (rc == RC_OK && w->o->resume)
		rc = take_up(w, err);
	if (rc == RC_OK)
		rc = endure_say_begin(&w->say, &w->s, err);
	if (rc == RC_OK)
		rc = live_begin(&w->live, "endure", w->resumes, err);
	if (rc != RC_OK)
		return rc;
	w->run_id = w->s.run_id;
	live_tell_calibration(&w->live);
	rc = live_arm(&w->live, false, err);
	if (rc == RC_OK)
		rc = run_cycles(w, err);
	say(w, rc == RC_OK ? "done" : "stopped", rc == RC_OK ? "all cycles are done, or the time is over" : err->what);
	return rc;
}

/* --- the end, and what the logbook has --- */

static json_t *document(const struct enduring *w, const struct endure_book *book, enum rc rc, const struct err *err)
{
	json_t *doc = json_pack("{s:I, s:o, s:I, s:s, s:o, s:I}", "run_id", (json_int_t)w->run_id, "resumes_run_id",
				w->resumes ? json_integer(w->resumes) : json_null(), "cycles_done",
				(json_int_t)w->number, "outcome", rc == RC_OK ? "done" : "stopped", "cycles",
				endure_book_json(book), "messages_not_delivered", (json_int_t)w->say.left);

	json_object_set_new(doc, "plays", endure_book_plays_json(book));
	if (doc && rc != RC_OK) {
		const char *cause = w->cause ? w->cause : live_cause(&w->live);
		json_object_set_new(doc, "cause", cli_text(cause ? cause : "rig_gone"));
		json_object_set_new(doc, "message", cli_text(err->what));
		json_object_set_new(doc, "safe", json_boolean(live_is_safe(&w->live)));
		json_object_set_new(doc, "safe_now", cli_text(live_safe_now(&w->live)));
	}
	return doc;
}

static enum rc read_book(const struct cli *cli, struct endure_book *book, struct err *err)
{
	char path[PROFILE_PATH * 2];
	struct logbook *lb = NULL;
	enum rc rc = cli_path(cli, "logbook", path, sizeof path, err);

	if (rc == RC_OK)
		rc = logbook_open_read(path, &lb, err);
	if (rc == RC_OK)
		rc = endure_book_read(lb, cli->args[0], book, err);
	if (rc == RC_OK && book->run_id == 0)
		rc = err_set(err, RC_ARG, 0, "the logbook has no endurance run of plan %s", cli->args[0]);
	logbook_close(lb);
	return rc;
}

static void print_end(const struct enduring *w, const struct endure_book *book, enum rc rc, const struct err *err)
{
	endure_book_print(book);
	if (w->say.left > 0)
		live_say("%u message%s not delivered: %s.", w->say.left, w->say.left == 1 ? "" : "s", w->say.why);
	if (rc == RC_OK) {
		live_say("Kept: %ld cycles, the newest in run %lld of the logbook.", w->number, (long long)w->run_id);
		return;
	}
	fflush(stdout);
	cli_wrapped(stderr, cli_width(), "bridle: stopped: ", "    ", err->what);
	live_say("%s Kept: %ld cycles, the newest in run %lld of the logbook.", live_safe_now(&w->live), w->number,
		 (long long)w->run_id);
}

static int tell(const struct cli *cli, struct enduring *w, enum rc rc, const struct err *err, const struct mistakes *m)
{
	struct endure_book book = { 0 };
	struct err book_err = { 0 };
	int status = err_exit_status(rc);

	if (w->run_id == 0)
		return cli_fail(cli, err, w->cause ? w->cause : live_cause(&w->live), m);
	enum rc book_rc = read_book(cli, &book, &book_err);
	if (book_rc == RC_OK && w->o->figure)
		book_rc = endure_book_figure(&book, &w->watch.limits, w->o->figure, &book_err);
	if (book_rc != RC_OK && rc == RC_OK)
		status = cli_fail(cli, &book_err, NULL, NULL);
	else if (!cli->json)
		print_end(w, &book, rc, err);
	else if (cli_print_json(document(w, &book, rc, err)) != 0)
		status = 3;
	endure_book_free(&book);
	return status;
}

static int endure_rig(const struct cli *cli, const struct options *o, struct enduring *w)
{
	const struct session_want want = {
		.bench = cli->bench, .plan = cli->args[0], .rig_link = true, .logbook_write = true
	};
	struct err err = { 0 };
	struct mistakes m = { 0 };

	w->o = o;
	enum rc rc = live_open(&w->live, cli, &w->s, &want, "endure", &o->live, &m, &err);
	if (rc == RC_OK) {
		rc = work(w, &err);
		rc = live_end(&w->live, rc, w->cause, &err);
		endure_say_end(&w->say);
	}
	endure_book_free(&w->book);
	return tell(cli, w, rc, &err, &m);
}

/* No rig: the plan and the logbook alone. */
static int show_cycles(const struct cli *cli, const struct options *o, struct enduring *w)
{
	const struct session_want want = { .bench = cli->bench, .plan = cli->args[0] };
	struct endure_book book = { 0 };
	struct mistakes m = { 0 };
	struct err err = { 0 };
	enum rc rc = session_open(&want, &w->s, &m, &err);

	if (rc == RC_OK) {
		rc = is_endurance(&w->s, &err);
		make_config(w);
		session_close(&w->s);
	}
	if (rc == RC_OK)
		rc = read_book(cli, &book, &err);
	if (rc == RC_OK && o->figure)
		rc = endure_book_figure(&book, &w->watch.limits, o->figure, &err);
	int status = rc == RC_OK ? 0 : cli_fail(cli, &err, NULL, &m);
	if (rc == RC_OK && cli->json)
		status = cli_print_json(json_pack("{s:I, s:s, s:o, s:o}", "run_id", (json_int_t)book.run_id, "outcome",
						  book.ended ? book.outcome : "open", "cycles", endure_book_json(&book),
						  "plays", endure_book_plays_json(&book)));
	else if (rc == RC_OK)
		endure_book_print(&book);
	endure_book_free(&book);
	return status;
}

static int endure(const struct cli *cli, void *wanted)
{
	struct options *o = wanted;
	struct enduring *w = calloc(1, sizeof *w);
	struct err err = { 0 };

	if (!w) {
		err_set(&err, RC_NOMEM, 0, "out of memory");
		return cli_fail(cli, &err, NULL, NULL);
	}
	o->live.takes_up = o->resume;
	int status = o->cycles ? show_cycles(cli, o, w) : endure_rig(cli, o, w);
	free(w);
	return status;
}

int cmd_endure(int argc, char **argv)
{
	struct options o = { 0 };
	const struct cli_option options[] = {
		{ "resume", NULL, "continue the last, stopped run of this plan at its next whole cycle", NULL,
		  &o.resume },
		{ "cycles", NULL, "show the cycles that the logbook has of this plan, and end: no rig is needed", NULL,
		  &o.cycles },
		{ "figure", "DIR", "draw the drift over the cycles there (endure.svg)", &o.figure, NULL },
		LIVE_OPTIONS(o.live),
	};
	const struct cli_spec spec = {
		.name = "endure",
		.usage = "endure PLAN [options]",
		.about = "Runs the cycles of a plan with a section [endurance], unattended: loads held at each speed, "
			 "a pause, "
			 "then the next. Rules of the plan stop it in order: drift of the current without load, droop "
			 "of the speed, rise and temperature of the case; what the guard watches stops it at once. A "
			 "broker named in rig.ini ([message]) is told of drift, stop and end. bridle ready PLAN asks "
			 "for what unattended work needs. Software is not the emergency stop.",
		.examples =
			"  bridle endure week\n  bridle endure week --resume\n  bridle endure week --cycles --figure "
			"drift\n",
		CLI_TAKES(options),
		.min_args = 1,
		.max_args = 1,
	};

	return cli_run(&spec, argc, argv, endure, &o);
}
