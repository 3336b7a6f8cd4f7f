/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/live_procedure.h"
#include "reports/page/procedure_files.h"
#include "reports/page/report_write.h"

#include <errno.h>
#include <math.h>
#include <stdlib.h>
#include <string.h>

#define TRAVEL_deg 10.0 /* at which the guard stops a locked shaft */
#define ZERO_rpm 10.0

static enum rc calibrated(struct live_procedure *p, struct err *err)
{
	enum rc rc = session_calibrated(&p->s, err);

	if (rc != RC_OK)
		p->cause = "not_calibrated";
	return rc;
}

static enum rc arm_is_off(struct live_procedure *p, bool clear, struct err *err)
{
	enum rc rc = live_arm_is_off(&p->live, clear, err);

	if (rc == RC_SAYS_NO)
		p->cause = "arm_on";
	return rc;
}

static enum rc begin(struct live_procedure *p, const struct live_procedure_parts *parts, const char *answers,
		     struct err *err)
{
	enum rc rc = live_answers_check(&p->live, answers, err);

	if (rc == RC_OK)
		rc = live_begin(&p->live, parts->kind, 0, err);
	if (rc != RC_OK)
		return rc;
	p->run_id = p->s.run_id;
	live_tell_calibration(&p->live);
	rc = live_checklist(&p->live, parts->hazards, parts->n_hazards, answers, NULL, err);
	if (rc == RC_SAYS_NO)
		p->cause = "checklist";
	return rc == RC_OK ? live_arm(&p->live, false, err) : rc;
}

/* The zero before the sequence; it becomes the tare. */
static enum rc zero_before(struct live_procedure *p, double share, double sequence_s, struct err *err)
{
	struct live *live = &p->live;

	live->frac_to = share;
	live->remaining_after_s = live_zero_s(ZERO_rpm) + sequence_s;
	enum rc rc = live_zero(live, ZERO_rpm, NAN, true, &p->before, err);
	live->frac_from = share;
	live->frac_to = 1 - share;
	live->remaining_after_s = live_zero_s(ZERO_rpm);
	return rc;
}

/* A sequence whose ticks are counted. */
struct counted {
	struct live_procedure *p;
	const struct sequence *sequence;
};

static void count_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	const struct counted *c = state;

	if (c->p->ticks++ == 0)
		c->p->first = snap->now;
	c->p->last = snap->now;
	c->sequence->step(c->sequence->state, snap, ret);
}

enum rc live_procedure_sequence(struct live_procedure *p, const struct sequence *sequence, struct err *err)
{
	struct counted c = { p, sequence };
	const struct sequence counted = { count_step, &c };

	return live_run(&p->live, &counted, err);
}

enum rc live_procedure_locked(struct live_procedure *p, const struct sequence *sequence, double sequence_s,
			      struct err *err)
{
	struct guard_limits usual = p->live.limits;

	p->live.limits.expect_direction = 0;
	p->live.limits.travel_deg = TRAVEL_deg;
	p->live.limits.stand_s = 60 + sequence_s;
	enum rc rc = live_procedure_sequence(p, sequence, err);
	p->live.limits = usual;
	return rc;
}

/* After a sequence that was good. What was measured is not lost with this zero: where it fails, p->after is NaN. */
static void zero_after(struct live_procedure *p)
{
	struct live *live = &p->live;

	live->frac_from = live->frac_to;
	live->frac_to = 1;
	live->remaining_after_s = 0;
	live_no_step(live);
	p->zero_rc = live_zero(live, ZERO_rpm, NAN, false, &p->after, &p->zero_err);
	if (p->zero_rc != RC_OK)
		p->after = (struct live_zero){ .count = NAN, .u_count = NAN, .drag_count = NAN, .ambient_degC = NAN };
}

static enum rc run(struct live_procedure *p, const struct live_procedure_parts *parts, struct err *err)
{
	p->live.line.steps = parts->steps ? parts->steps(p) : 1;
	enum rc rc = zero_before(p, parts->zero_share, parts->sequence_s(p), err);
	if (rc == RC_OK) {
		p->live.ctx = p;
		rc = parts->measure(p, err);
		p->live.event = NULL;
		p->live.tick = NULL;
	}
	if (rc == RC_OK)
		zero_after(p);
	return rc;
}

/* Keep doc (NULL: out of memory) as the run's record; then a zero that failed is told. */
static enum rc keep(struct live_procedure *p, const char *kind, const json_t *doc, struct err *err)
{
	struct session *s = &p->s;
	char *text = doc ? json_dumps(doc, JSON_REAL_PRECISION(17)) : NULL;
	enum rc rc = text ? logbook_record(s->logbook, p->run_id, s->clock.wall(s->clock.ctx).ns, kind, text, NULL, err)
			  : err_set(err, RC_NOMEM, 0, "out of memory");

	free(text);
	if (rc != RC_OK || p->zero_rc == RC_OK)
		return rc;
	return err_set(err, p->zero_rc, p->zero_err.sys_errno,
		       "%.600s. Record kept in run %lld without the zero after it: the zero's drift is not known",
		       p->zero_err.what, (long long)p->run_id);
}

static enum rc write_table(const struct live_procedure *p, const struct live_procedure_parts *parts, const char *path,
			   struct err *err)
{
	FILE *f = files_create(path);

	if (f)
		parts->rows(p, f);
	return f && fclose(f) == 0 ? RC_OK
				   : err_set(err, RC_IO, errno, "%s cannot be written: %s", path, files_why(errno));
}

/* *ret_doc: the caller's, also on failure. */
static enum rc work(struct live_procedure *p, const struct live_procedure_parts *parts,
		    const struct live_procedure_call *call, json_t **ret_doc, struct err *err)
{
	enum rc rc = calibrated(p, err);

	if (rc == RC_OK)
		rc = parts->configure(p, err);
	if (rc == RC_OK)
		rc = arm_is_off(p, call->live->clear, err);
	if (rc == RC_OK)
		rc = begin(p, parts, call->answers, err);
	if (rc == RC_OK)
		rc = run(p, parts, err);
	if (rc == RC_OK)
		rc = parts->evaluate(p, err);
	if (rc != RC_OK)
		return rc;
	*ret_doc = live_procedure_document(p, parts, p);
	rc = keep(p, parts->kind, *ret_doc, err);
	/* Last: a file that cannot be written costs no result. */
	if (rc == RC_OK && call->out)
		rc = write_table(p, parts, call->out, err);
	if (rc == RC_OK && call->figure)
		rc = procedure_draw(&p->result, call->figure, err);
	return rc;
}

static int failed(const struct live_procedure *p, const struct cli *cli, struct mistakes *m, struct err *err)
{
	int status = cli_fail(cli, err, p->cause ? p->cause : live_cause(&p->live), m);

	if (!cli->json && p->run_id != 0)
		live_say("%s The readings so far stay in run %lld of the logbook.", live_safe_now(&p->live),
			 (long long)p->run_id);
	return status;
}

static int told(struct live_procedure *p, const struct cli *cli, const struct live_procedure_parts *parts,
		const struct live_procedure_call *call)
{
	const struct session_want want = {
		.bench = cli->bench, .actuator = call->actuator, .rig_link = true, .logbook_write = true
	};
	struct mistakes mistakes = { 0 };
	struct err err = { 0 };
	json_t *doc = NULL;
	enum rc rc = live_open(&p->live, cli, &p->s, &want, parts->kind, call->live, &mistakes, &err);

	if (rc == RC_OK) {
		rc = work(p, parts, call, &doc, &err);
		rc = live_end(&p->live, rc, p->cause, &err);
	}
	procedure_clear(&p->result);
	if (rc == RC_OK && cli->json)
		return cli_print_json(doc);
	json_decref(doc);
	if (rc != RC_OK)
		return failed(p, cli, &mistakes, &err);
	parts->print(p);
	live_say("Kept: run %lld of the logbook.", (long long)p->run_id);
	return 0;
}

int live_procedure(const struct cli *cli, const struct live_procedure_parts *parts,
		   const struct live_procedure_call *call, const void *request)
{
	struct live_procedure *p = live_procedure_new(parts, request);
	struct err err;

	if (!p) {
		err_set(&err, RC_NOMEM, 0, "out of memory");
		return cli_fail(cli, &err, NULL, NULL);
	}
	int status = told(p, cli, parts, call);
	live_procedure_end(p, parts);
	return status;
}

enum rc live_procedure_would(const struct live_procedure_parts *parts, const struct live *live, const void *request,
			     struct err *err)
{
	struct live_procedure *p = live_procedure_new(parts, request);

	if (!p)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	p->live = *live;
	p->s = *live->s;
	p->live.s = &p->s;
	enum rc rc = parts->configure(p, err);
	const char *untold = rc == RC_OK && parts->untold && live->ticks > 0 ? parts->untold(p, &live->last) : NULL;
	if (untold)
		rc = err_set(err, RC_SAYS_NO, 0, "%s", untold);
	live_procedure_end(p, parts);
	return rc;
}

struct live_procedure *live_procedure_new(const struct live_procedure_parts *parts, const void *request)
{
	struct live_procedure *p = calloc(1, parts->size);

	if (p)
		parts->init(p, request);
	return p;
}

void live_procedure_end(struct live_procedure *p, const struct live_procedure_parts *parts)
{
	if (!p)
		return;
	if (parts->end)
		parts->end(p);
	json_decref(p->budget);
	free(p);
}

void live_procedure_keep_list(json_t *rests_on, const char *name, const double *list, size_t n)
{
	json_t *array = json_array();

	for (size_t i = 0; i < n; i++)
		json_array_append_new(array, json_real(list[i]));
	json_object_set_new(rests_on, name, array);
}

size_t live_procedure_recall_list(const json_t *record, const char *name, double *ret, size_t most)
{
	const json_t *array = json_object_get(json_object_get(record, "rests_on"), name);
	size_t n = json_array_size(array) < most ? json_array_size(array) : most;

	for (size_t i = 0; i < n; i++)
		ret[i] = json_number_value(json_array_get(array, i));
	return n;
}
