/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "live/live_latch.h"

#include <stdio.h>
#include <string.h>
#include <time.h>

#define FAULT "fault" /* kind of the event; its text begins with "answered" once a person has */
#define CAUSE "Cause"
#define ANSWERED "answered"
#define ENERGISED "energised" /* kind of the event before a run may energise anything */
#define NOT_SAFE "NOT SAFE"
#define SAID_SAFE "a person says" /* begins the answer to it; a safe stop of a later run, which probe may be, is none */

static void time_of(struct logbook *lb, int64_t run, char *buf, size_t size)
{
	struct run_info info;
	struct tm t;
	time_t s = 0;

	buf[0] = '\0';
	if (logbook_run_info(lb, run, &info, NULL) != RC_OK)
		return;
	s = (time_t)((info.wall_ns + (info.end_mono_ns - info.mono_ns)) / 1000000000);
	if (localtime_r(&s, &t))
		strftime(buf, size, ", %Y-%m-%d %H:%M", &t);
}

static enum rc check_safe(struct logbook *lb, bool clear, bool *ret_answered, struct err *err)
{
	char text[400], when[40];
	int64_t run;
	enum rc rc = logbook_last_event(lb, LOOP_SHAFT, NOT_SAFE, SAID_SAFE, &run, text, sizeof text, err);

	if (rc != RC_OK || run == 0 || strncmp(text, NOT_SAFE, strlen(NOT_SAFE)) != 0)
		return rc;
	*ret_answered = clear;
	time_of(lb, run, when, sizeof when);
	return clear ? RC_OK
		     : err_set(err, RC_SAYS_NO, 0,
			       "not started: the last stop (run %lld%s) did not end safe. %s When you have seen "
			       "that the drive is off and the shaft stands, give --clear",
			       (long long)run, when, text);
}

static enum rc check_fault(struct logbook *lb, bool clear, bool *ret_answered, struct err *err)
{
	char text[700], when[40];
	int64_t run;
	enum rc rc = logbook_last_event(lb, FAULT, CAUSE, ANSWERED, &run, text, sizeof text, err);

	if (rc != RC_OK || run == 0 || strncmp(text, ANSWERED, strlen(ANSWERED)) == 0)
		return rc;
	*ret_answered = clear;
	time_of(lb, run, when, sizeof when);
	return clear ? RC_OK
		     : err_set(err, RC_SAYS_NO, 0,
			       "not started: a fault stopped run %lld%s. %s. When its cause is put right, give --clear",
			       (long long)run, when, text);
}

/* The newest run without an end in which something may have been energised; how: what stopped it, "" where that is not
 * known. 0: there is none. */
static enum rc last_unended(struct logbook *lb, int64_t *ret_run, char *how, size_t size, struct err *err)
{
	char text[40];
	int64_t energised;
	enum rc rc = logbook_last_unended(lb, "stop", ret_run, how, size, err);

	if (rc == RC_OK)
		rc = logbook_last_unended(lb, ENERGISED, &energised, text, sizeof text, err);
	if (rc != RC_OK || energised <= *ret_run)
		return rc;
	*ret_run = energised;
	how[0] = '\0';
	return RC_OK;
}

/* ". To continue it: ..." where that kind of run can be continued. */
static void how_to_continue(struct logbook *lb, int64_t run, char *buf, size_t size)
{
	struct run_info info;

	buf[0] = '\0';
	if (logbook_run_info(lb, run, &info, NULL) == RC_OK &&
	    (strcmp(info.kind, "sweep") == 0 || strcmp(info.kind, "endure") == 0))
		snprintf(buf, size, ". To continue that run: bridle %s %s --resume --clear", info.kind, info.plan);
}

/* Killed before its end, or with a disk that took nothing more, a run could not keep what stopped it, nor whether it
 * ended safe. */
static enum rc check_unended(struct logbook *lb, bool clear, bool *ret_answered, struct err *err)
{
	char how[300], answer[20], when[40], what[340] = "may have energised the rig", more[140];
	int64_t run, answered_in;
	enum rc rc = last_unended(lb, &run, how, sizeof how, err);

	if (rc != RC_OK || run == 0)
		return rc;
	rc = logbook_last_event(lb, FAULT, CAUSE, ANSWERED, &answered_in, answer, sizeof answer, err);
	if (rc != RC_OK || answered_in > run)
		return rc;
	*ret_answered = clear;
	time_of(lb, run, when, sizeof when);
	how_to_continue(lb, run, more, sizeof more);
	if (how[0])
		snprintf(what, sizeof what, "was stopped (%s)", how);
	return clear ? RC_OK
		     : err_set(err, RC_SAYS_NO, 0,
			       "not started: run %lld%s, %s and has no end. The program was killed, or its disk was "
			       "full. "
			       "When you have seen that the drive is off and the shaft stands, give --clear%s",
			       (long long)run, when, what, more);
}

enum rc live_latch_check(struct session *s, bool clear, bool still, struct live_latch *ret, struct err *err)
{
	*ret = (struct live_latch){ 0 };
	if (!s->logbook)
		return RC_OK;
	enum rc rc = check_safe(s->logbook, clear, &ret->stop, err);

	ret->stop |= clear && session_warden_not_safe(s);
	if (rc == RC_OK && session_warden_not_safe(s) && !clear)
		rc = err_set(err, RC_SAYS_NO, 0,
			     "not started: %.400s. When you have seen that the drive is off and the shaft stands, give "
			     "--clear",
			     s->warden_said);

	if (rc == RC_OK && !still)
		rc = check_fault(s->logbook, clear, &ret->fault, err);
	if (rc == RC_OK && !still && !ret->fault)
		rc = check_unended(s->logbook, clear, &ret->fault, err);
	return rc;
}

static enum rc keep(struct session *s, const char *kind, const char *text, struct err *err)
{
	return logbook_event(s->logbook, s->run_id, s->clock.now(s->clock.ctx).ns, kind, text, err);
}

enum rc live_latch_energises(struct session *s, struct err *err)
{
	return keep(s, ENERGISED, "something may be energised from here on", err);
}

enum rc live_latch_answer(struct session *s, const struct live_latch *latch, struct err *err)
{
	enum rc rc = RC_OK;

	if (latch->stop)
		rc = keep(s, LOOP_SHAFT, SAID_SAFE " that the rig is safe (--clear)", err);
	if (rc == RC_OK && latch->fault)
		rc = keep(s, FAULT, ANSWERED ": a person says that the cause is put right (--clear)", err);
	return rc;
}

/* What is active although nobody commanded it is energised all the same. */
static bool was_active(const struct loop_result *result)
{
	return result->energised || result->cause == CAUSE_CONTACTOR || result->cause == CAUSE_NOT_AT_REST;
}

bool live_latch_keeps(const struct loop_result *result)
{
	return cause_latches(result->cause) && was_active(result);
}

enum rc live_latch_keep(struct session *s, const struct loop_result *result, const char *message, struct err *err)
{
	char text[700];

	if (!live_latch_keeps(result))
		return RC_OK;
	snprintf(text, sizeof text, CAUSE " %s: %.650s", cause_word(result->cause), message);
	return keep(s, FAULT, text, err);
}
