/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What an endurance run tells a broker: one line of JSON a message, with rig, plan, run, cycle, what and text. */
#ifndef BRIDLE_COMMAND_ENDURE_SAY_H
#define BRIDLE_COMMAND_ENDURE_SAY_H

#include "message/message.h"
#include "run/session.h"

struct endure_say {
	struct messenger *messenger;                        /* NULL: rig.ini names no broker */
	char rig[2 * PROFILE_WORD], plan[2 * PROFILE_WORD]; /* as they stand in JSON */
	bool away_told;
	unsigned left; /* not delivered at the end */
	char why[200]; /* the same in words */
};

enum rc endure_say_begin(struct endure_say *say, const struct session *s, struct err *err) MUST_CHECK;
/* Never waits. what: "drift", "stopped", "done". */
void endure_say(struct endure_say *say, const char *what, int64_t run_id, long cycle, const char *text);
/* The first failure since the begin, once; else NULL. Never waits. */
const char *endure_say_why_once(struct endure_say *say);
/* Waits up to 15 s for what is queued. */
void endure_say_end(struct endure_say *say);

#endif
