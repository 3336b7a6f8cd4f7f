/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "command/live_procedure.h"

#include <math.h>
#include <stdlib.h>

#define TRAVEL_deg 10.0 /* at which the guard stops a locked shaft */
#define ZERO_rpm 10.0

enum rc live_procedure_open(struct live_procedure *p, const struct cli *cli, const char *actuator, const char *title,
			    const struct live_options *options, struct mistakes *m, struct err *err)
{
	const struct session_want want = {
		.bench = cli->bench, .actuator = actuator, .rig_link = true, .logbook_write = true
	};

	return live_open(&p->live, cli, &p->s, &want, title, options, m, err);
}

enum rc live_procedure_calibrated(struct live_procedure *p, struct err *err)
{
	enum rc rc = session_calibrated(&p->s, err);

	if (rc != RC_OK)
		p->cause = "not_calibrated";
	return rc;
}

enum rc live_procedure_arm_is_off(struct live_procedure *p, bool clear, struct err *err)
{
	enum rc rc = live_arm_is_off(&p->live, clear, err);

	if (rc == RC_SAYS_NO)
		p->cause = "arm_on";
	return rc;
}

enum rc live_procedure_begin(struct live_procedure *p, const char *kind, const struct live_item *hazards, size_t n,
			     const char *answers, struct err *err)
{
	enum rc rc = live_answers_check(&p->live, answers, err);

	if (rc == RC_OK)
		rc = live_begin(&p->live, kind, 0, err);
	if (rc != RC_OK)
		return rc;
	p->run_id = p->s.run_id;
	live_tell_calibration(&p->live);
	rc = live_checklist(&p->live, hazards, n, answers, NULL, err);
	if (rc == RC_SAYS_NO)
		p->cause = "checklist";
	return rc == RC_OK ? live_arm(&p->live, false, err) : rc;
}

enum rc live_procedure_zero_before(struct live_procedure *p, double share, double sequence_s, struct err *err)
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

enum rc live_procedure_locked(struct live_procedure *p, const struct sequence *sequence, double sequence_s,
			      struct err *err)
{
	struct guard_limits usual = p->live.limits;

	p->live.limits.expect_direction = 0;
	p->live.limits.travel_deg = TRAVEL_deg;
	p->live.limits.stand_s = 60 + sequence_s;
	enum rc rc = live_run(&p->live, sequence, err);
	p->live.limits = usual;
	return rc;
}

void live_procedure_zero_after(struct live_procedure *p)
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

enum rc live_procedure_store(struct live_procedure *p, const char *kind, json_t *doc, struct err *err)
{
	struct session *s = &p->s;

	if (doc && p->zero_rc != RC_OK)
		json_object_set_new(doc, "zero_failed", json_string(p->zero_err.what));
	char *text = doc ? json_dumps(doc, JSON_REAL_PRECISION(17)) : NULL;
	enum rc rc = text ? logbook_record(s->logbook, p->run_id, s->clock.wall(s->clock.ctx).ns, kind, text, NULL, err)
			  : err_set(err, RC_NOMEM, 0, "out of memory");

	free(text);
	json_decref(doc);
	if (rc != RC_OK || p->zero_rc == RC_OK)
		return rc;
	return err_set(err, p->zero_rc, p->zero_err.sys_errno,
		       "%.260s. Record kept in run %lld without the zero after it: the zero's drift is not known",
		       p->zero_err.what, (long long)p->run_id);
}

static int failed(const struct live_procedure *p, const struct cli *cli, const char *readings, struct mistakes *m,
		  struct err *err)
{
	int status = cli_fail(cli, err, p->cause ? p->cause : live_cause(&p->live), m);

	if (!cli->json && p->run_id != 0)
		live_say("%s %s stay in run %lld of the logbook.", live_safe_now(&p->live), readings,
			 (long long)p->run_id);
	return status;
}

bool live_procedure_over(const struct live_procedure *p, const struct cli *cli, enum rc rc, const char *readings,
			 json_t *doc, struct mistakes *m, struct err *err, int *ret_status)
{
	*ret_status = 0;
	if (rc == RC_OK && cli->json) {
		*ret_status = cli_print_json(doc);
		return false;
	}
	json_decref(doc);
	if (rc != RC_OK)
		*ret_status = failed(p, cli, readings, m, err);
	return rc == RC_OK;
}
