/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "live/live_person.h"

#include "calib/number/units.h"

#include <math.h>
#include <stdio.h>

#define LOOK_S 0.01
#define LEAST_S 0.5 /* longer than a contactor may differ from its command, and than a slow sample takes to come */
#define MOST_S 2.0

bool live_person_look(struct live_person *p)
{
	const struct clock_src *clock = &p->s->clock;
	const struct wish nothing = { 0 };

	p->snap.now = clock->now(clock->ctx);
	session_poll(p->s, &p->snap);
	p->guard = guard_step(p->guard, p->limits, &p->snap, &nothing, &p->verdict);
	return p->verdict.cause == CAUSE_NONE;
}

enum rc live_person_begin(struct live_person *p, struct session *s, const struct guard_limits *limits,
			  struct loop_result *result, struct err *err)
{
	const struct clock_src *clock = &s->clock;
	struct mono begin = clock->now(clock->ctx);
	enum rc rc = session_begin(s, err);
	double looked_s = 0;

	*p = (struct live_person){ .s = s, .limits = limits, .snap = snapshot_blank() };
	while (rc == RC_OK && (looked_s < LEAST_S || (looked_s < MOST_S && !is_told(&p->snap, CHANNEL_STATE)))) {
		if (!live_person_look(p))
			return live_person_stop(p, result, err);
		rc = clock->sleep_until(clock->ctx, mono_add_ns(p->snap.now, ns_from_s(LOOK_S)), err);
		looked_s = mono_diff_s(clock->now(clock->ctx), begin);
	}
	return rc;
}

static bool is_young(const struct live_person *p, enum channel_id channel)
{
	const struct snapshot *snap = &p->snap;

	return is_told(snap, channel) && snap->channel[channel].age_s <= p->limits->stale_s[channel];
}

void live_person_words(const struct live_person *p, char *buf, size_t size)
{
	const struct snapshot *snap = &p->snap;
	bool senses = session_lines(p->s) & LINE_CONTACTOR, heard = is_young(p, CHANNEL_STATE);
	bool told_off = heard && is_young(p, CHANNEL_DRIVE) && session_fills(p->s, ROLE_DRIVE) &&
			!(snap->drive_flags & (DRIVE_UNHEARD | DRIVE_ENABLED));

	if (!heard)
		snprintf(buf, size,
			 "The node sends no state of drive and contactor. Look at both yourself before you touch the "
			 "shaft.");
	else if (senses && !is_young(p, CHANNEL_CONTACTOR))
		snprintf(buf, size,
			 "%sNothing tells the state of the contactor. Look at it yourself before you touch the shaft.",
			 told_off ? "Drive off. " : "");
	else if (senses && !snap->contactor_closed)
		snprintf(buf, size, "Drive off, contactor open.");
	else if (senses)
		snprintf(buf, size, "HANDS OFF. The contactor is closed.");
	else
		snprintf(buf, size, "%sThis node does not sense the contactor.", told_off ? "Drive off. " : "");
}

enum rc live_person_stop(const struct live_person *p, struct loop_result *result, struct err *err)
{
	struct session *s = p->s;
	char cause[400];

	*result = (struct loop_result){ .cause = p->verdict.cause,
					.missing = p->verdict.missing,
					.stopped = p->verdict.stopped };
	guard_message(&p->verdict, cause, sizeof cause);
	guard_end_message(&p->verdict, result->shaft, sizeof result->shaft);
	if (result->missing)
		snprintf(result->message, sizeof result->message, "%s Stopped because: %.350s", result->shaft, cause);
	else
		snprintf(result->message, sizeof result->message, "%s", cause);
	enum rc rc = logbook_event(s->logbook, s->run_id, p->snap.now.ns, LOOP_SHAFT, result->shaft, err);
	return rc != RC_OK ? rc : err_set(err, result->missing ? RC_IO : RC_INTERLOCK, 0, "%s", result->message);
}
