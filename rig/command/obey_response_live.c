/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/obey_response_live.h"

#include "calib/number/units.h"
#include "calib/obey/obey_rise.h"
#include "command/carry_figure.h"
#include "command/live_procedure.h"
#include "command/obey_tell.h"
#include "command/offline.h"
#include "run/seq_excite.h"
#include "run/torque_room.h"

#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

/* Common practice, no source. */
#define RECORD_S 60.0
#define RECORD_MOST_S 600.0
#define STEP_TICKS 2.0
#define STEPS_SHARE 0.125  /* of the rated torque: half of peak to peak */
#define RINGS_TIMES 3.0    /* what comes may swing by so many times the steps: gear, lever and cell ring */
#define STANDING_TIMES 3.5 /* of the steps: the flanks stay together */
#define UP_S 4.0
#define LOCK_S 1.0
#define LIMIT_rpm 20.0
#define SLIP_deg 3.0
#define SEEN_SHARE 0.4 /* of the rows' rate: nearer to a half of it the cell's averages fold back */

static const struct live_item hazards[] = {
	{ "guard", "Guard closed and fixed, nobody in the plane of rotation, nobody reaches in during the run?" },
	{ "weights_removed", "Calibration weights, hanger and arm removed, tools away from the shaft?" },
	{ "wound_up", "Everybody knows: the gear is wound up against the brake, and what lets go lets go suddenly?" },
	{ "shaken", "Nothing on the rig comes loose when it is shaken at up to half of the cell's rate?" },
	{ "drive_limits", "The drive's own limits of speed and current set, its torque mode tried without load?" },
	{ "emergency_stop", "Emergency stop within reach, and it works with this computer dead?" },
};

struct responding {
	struct live_procedure p;
	const struct obey_response_request *q;
	struct excite_config config;
	struct seq_excite seq;
	size_t n;
	double *time_s, *set_Nm, *torque_Nm; /* owned as one, by time_s: even rows */
	double rate_Hz;
	struct obey_fast found;
	struct obey_step stepped; /* steps 0: the record does not tell it */
};

static enum rc check_time(const struct responding *w, struct err *err)
{
	double record_s = w->config.record_s, rate_Hz = w->p.s.rig.rate_Hz;

	if (!(record_s >= 20 && record_s <= RECORD_MOST_S))
		return err_set(err, RC_ARG, 0, "--time: found %.4g s, expected 20 to %.0f s", record_s, RECORD_MOST_S);
	if (!(record_s * rate_Hz <= EXCITE_ROWS))
		return err_set(err, RC_ARG, 0, "--time: found %.4g s, expected at most %.4g s at [tether] rate",
			       record_s, EXCITE_ROWS / rate_Hz);
	return RC_OK;
}

/* The whole of it, ringing included, within what cell, coupling, rig and brake carry, and of one sign. */
static enum rc check_torque(const struct responding *w, const struct torque_room *room, struct err *err)
{
	const struct excite_config *c = &w->config;

	if (!(c->torque_Nm >= RINGS_TIMES * c->steps_Nm))
		return err_set(
			err, RC_ARG, 0,
			"--torque: found %.4g N·m, expected at least %.4g N·m (%.0f times --swing, for what rings): "
			"the flanks of the gear have to stay together",
			c->torque_Nm, RINGS_TIMES * c->steps_Nm, RINGS_TIMES);
	return torque_room_check(room, "--torque with 3 times --swing", c->torque_Nm + RINGS_TIMES * c->steps_Nm, err);
}

static enum rc make_config(struct responding *w, struct err *err)
{
	const struct session *s = &w->p.s;
	const struct claim *rated = &s->actuator.rated_torque_Nm;
	struct torque_room room = torque_room_of(s);
	struct excite_config *c = &w->config;
	double rated_Nm = rated->given ? fmin(rated->value, room.most_Nm) : room.most_Nm;

	*c = (struct excite_config){ .record_s = RECORD_S, .slip_deg = SLIP_deg };
	c->steps_Nm = STEPS_SHARE * rated_Nm;
	const struct offline_option options[] = { { "swing", w->q->swing, "N.m", &c->steps_Nm, true },
						  { "time", w->q->time, "s", &c->record_s, true } };
	enum rc rc = offline_options(options, sizeof options / sizeof options[0], err);
	c->torque_Nm = STANDING_TIMES * c->steps_Nm;
	const struct offline_option torque = { "torque", w->q->torque, "N.m", &c->torque_Nm, true };
	if (rc == RC_OK)
		rc = offline_options(&torque, 1, err);
	if (rc == RC_OK)
		rc = check_time(w, err);
	if (rc == RC_OK)
		rc = check_torque(w, &room, err);
	c->step_s = STEP_TICKS / s->rig.rate_Hz;
	c->most_Nm = c->torque_Nm + RINGS_TIMES * c->steps_Nm;
	c->slew_Nm_per_s = c->torque_Nm / UP_S;
	c->lock_A = torque_room_lock_A(s, c->most_Nm);
	c->slew_A_per_s = c->lock_A / LOCK_S;
	c->limit_rpm = fmin(LIMIT_rpm, w->p.live.limits.speed_rpm);
	return rc;
}

static enum rc configure(void *ctx, struct err *err)
{
	struct responding *w = ctx;
	enum rc rc = session_check_mode(&w->p.s, DRIVE_TORQUE, "bridle obey --response", err);

	return rc == RC_OK ? make_config(w, err) : rc;
}

static struct sequence begin(void *ctx)
{
	struct responding *w = ctx;

	seq_excite_begin(&w->seq, &w->config);
	return (struct sequence){ seq_excite_step, &w->seq };
}

/* It swings on purpose: the guard takes for an oscillation what is more than the steps and their ringing. Before it has
 * counted its cycles the sequence ends itself, at the first reading beyond config.most_Nm. */
static enum rc run_shaken(struct responding *w, const struct sequence *sequence, struct err *err)
{
	struct guard_limits *limits = &w->p.live.limits;
	double usual_Nm = limits->osc_Nm;

	limits->osc_Nm = fmax(usual_Nm, 2 * RINGS_TIMES * w->config.steps_Nm);
	enum rc rc = live_procedure_locked(&w->p, sequence, seq_excite_s(&w->config), err);
	limits->osc_Nm = usual_Nm;
	return rc;
}

static double sequence_s(const void *ctx)
{
	const struct responding *w = ctx;

	return seq_excite_s(&w->config);
}

static enum rc measure(void *ctx, struct err *err)
{
	struct responding *w = ctx;
	const struct sequence sequence = begin(w);

	return run_shaken(w, &sequence, err);
}

/* --- even rows --- */
/* Ticks with a fresh conversion, counted by the converter: it is even where the ticks are not. */
static size_t fresh_rows(const struct seq_excite *s, size_t *ret)
{
	size_t n = 0;

	for (size_t i = 1; i < s->n; i++)
		if (s->row[i].conversion != s->row[i - 1].conversion && isfinite(s->row[i].torque_Nm))
			ret[n++] = i;
	return n;
}

/* Mean of the command over a stretch that ends with a row. */
static double mean_set_Nm(const struct seq_excite *s, size_t end, double period_s)
{
	double from_s = s->row[end].node_s - period_s, sum = 0;

	for (size_t i = end; i-- > 0;) {
		double begin = fmax(from_s, s->row[i].node_s), stop = s->row[i + 1].node_s;
		sum += s->row[i].set_Nm * (stop - begin);
		if (s->row[i].node_s <= from_s)
			break;
	}
	return sum / period_s;
}

/* One row for each conversion; one that was never seen has the torque of the one before. */
static enum rc make_rows(struct responding *w, struct err *err)
{
	const struct seq_excite *s = &w->seq;
	size_t *fresh = calloc(s->n + 1, sizeof *fresh), n = fresh ? fresh_rows(s, fresh) : 0;
	const struct excite_row *first = &s->row[fresh ? fresh[0] : 0], *last = &s->row[n ? fresh[n - 1] : 0];
	size_t all = n > 1 ? last->conversion - first->conversion + 1 : 0;
	double period_s = all > 1 ? (last->node_s - first->node_s) / (double)(all - 1) : NAN;
	enum rc rc = RC_OK;

	if (!fresh)
		rc = err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", s->n);
	else if (n < 2 || all > 2 * n)
		rc = err_set(
			err, RC_ARG, 0,
			"of %zu conversions of the cell %zu were seen; raise [tether] rate to the cell's rate or above",
			all, n);
	if (rc == RC_OK && !(w->time_s = calloc(3 * all, sizeof *w->time_s)))
		rc = err_set(err, RC_NOMEM, 0, "out of memory for %zu rows", all);
	if (rc == RC_OK) {
		w->n = all;
		w->rate_Hz = 1 / period_s;
		w->set_Nm = w->time_s + all;
		w->torque_Nm = w->set_Nm + all;
	}
	for (size_t k = 0, at = 0; rc == RC_OK && k < all; k++) {
		while (at + 1 < n && s->row[fresh[at + 1]].conversion - first->conversion <= k)
			at++;
		w->time_s[k] = (double)k * period_s;
		w->torque_Nm[k] = s->row[fresh[at]].torque_Nm;
		w->set_Nm[k] = mean_set_Nm(s, fresh[at], period_s);
	}
	free(fresh);
	return rc;
}

/* --- what it tells --- */
static enum rc evaluate(void *ctx, struct err *err)
{
	struct responding *w = ctx;
	enum rc rc = make_rows(w, err);
	struct err ignored;

	if (rc != RC_OK)
		return rc;
	rc = obey_fast(w->time_s, w->set_Nm, w->torque_Nm, w->n, &w->found, err);
	if (rc == RC_ARG)
		rc = err_set(err, RC_SAYS_NO, 0,
			     "the torque does not answer steps of ±%.3g N·m: friction of the gear takes them. Command "
			     "larger ones (--swing)",
			     w->config.steps_Nm);
	if (rc != RC_OK)
		return rc;
	if (obey_rise(1 / w->rate_Hz, 1 / w->p.s.rig.rate_Hz, w->set_Nm, w->torque_Nm, w->n, &w->stepped, &ignored) !=
	    RC_OK)
		w->stepped = (struct obey_step){ 0 };
	live_procedure_part(&w->p, "bandwidth_Hz", "scatter of the response", w->found.bandwidth_Hz.u);
	return carry_figure_response(w->time_s, w->set_Nm, w->torque_Nm, w->n, &w->p.result, err);
}

static json_t *document(const void *ctx)
{
	const struct responding *w = ctx;
	const struct obey_slow none = obey_slow_none();
	json_t *doc = obey_json(&none, &w->found);

	obey_put_step(doc, &w->stepped);
	json_object_set_new(doc, "low_gain", cli_real(w->found.gain));
	json_object_set_new(doc, "torque_Nm", cli_real(w->config.torque_Nm));
	json_object_set_new(doc, "swing_Nm", cli_real(w->config.steps_Nm));
	json_object_set_new(doc, "rows", json_integer((json_int_t)w->n));
	json_object_set_new(doc, "rate_Hz", cli_real(w->rate_Hz));
	json_object_set_new(doc, "seen_to_Hz", cli_real(SEEN_SHARE * w->rate_Hz));
	json_object_set_new(doc, "windows", json_integer((json_int_t)w->found.windows));
	return doc;
}

static void print(const void *ctx)
{
	const struct responding *w = ctx;

	printf("Torque commanded in steps of ±%.3g N·m about %.4g N·m at a locked shaft, %zu readings of the cell:\n",
	       w->config.steps_Nm, w->config.torque_Nm, w->n);
	obey_print_fast(&w->found);
	if (w->stepped.steps > 0) {
		obey_print_step(&w->stepped);
		live_say("A reading is a mean over %.3g ms: a rise faster than that looks as long.", 1000 / w->rate_Hz);
	} else {
		live_say("Delay and rise are not told: the torque does not settle within %d readings, or does not "
			 "answer.",
			 OBEY_RISE_LAGS);
	}
	live_say("The cell gives %.3g readings a second: nothing above %.3g Hz is seen by it.", w->rate_Hz,
		 SEEN_SHARE * w->rate_Hz);
	live_say("Gear, lever and cell are in the response, and dry friction takes off small steps: with other steps "
		 "it is "
		 "another.");
}

static void rows(const void *ctx, FILE *f)
{
	const struct responding *w = ctx;

	fprintf(f, "time (s),commanded (N.m),measured (N.m)\n");
	for (size_t i = 0; i < w->n; i++)
		fprintf(f, "%.17g,%.17g,%.17g\n", w->time_s[i], w->set_Nm[i], w->torque_Nm[i]);
}

#define AT(member) offsetof(struct responding, member)
static const struct live_procedure_key keys[] = {
	{ "limit_rpm", AT(config.limit_rpm) }, { "torque_Nm", AT(config.torque_Nm) },
	{ "steps_Nm", AT(config.steps_Nm) },   { "step_s", AT(config.step_s) },
	{ "record_s", AT(config.record_s) },   { "slew_Nm_per_s", AT(config.slew_Nm_per_s) },
	{ "lock_A", AT(config.lock_A) },       { "slew_A_per_s", AT(config.slew_A_per_s) },
	{ "slip_deg", AT(config.slip_deg) },   { "most_Nm", AT(config.most_Nm) },
};

static void init(void *ctx, const void *request)
{
	struct responding *w = ctx;

	w->q = request;
	w->found = obey_fast_none();
}

static void end(void *ctx)
{
	struct responding *w = ctx;

	free(w->time_s);
}

static const struct live_procedure_parts parts = { .kind = "response",
						   .size = LIVE_PROCEDURE_SIZE(struct responding),
						   .init = init,
						   .end = end,
						   .hazards = hazards,
						   .n_hazards = sizeof hazards / sizeof hazards[0],
						   .configure = configure,
						   .zero_share = 0.2,
						   .sequence_s = sequence_s,
						   .measure = measure,
						   .begin = begin,
						   .key = keys,
						   .n_keys = sizeof keys / sizeof keys[0],
						   .evaluate = evaluate,
						   .rows = rows,
						   .document = document,
						   .print = print };

enum rc obey_response_would(const struct live *live, struct err *err)
{
	static const struct obey_response_request plain = { 0 };

	return live_procedure_would(&parts, live, &plain, err);
}

enum rc obey_response_again(struct logbook *lb, int64_t run_id, struct procedure *ret, struct err *err)
{
	return live_procedure_again(&parts, lb, run_id, ret, err);
}

int obey_response_live(const struct cli *cli, const struct obey_response_request *q)
{
	const struct live_procedure_call call = { q->actuator, q->answers, q->figure, q->out, &q->live };

	return live_procedure(cli, &parts, &call, q);
}
