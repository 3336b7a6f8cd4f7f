/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A person is at the shaft and is asked something (weights are hung): before the question what is seen of drive and
 * contactor, and while the question waits the guard goes on looking (docs/invariants.md, I19). Sends nothing. */
#ifndef BRIDLE_LIVE_PERSON_H
#define BRIDLE_LIVE_PERSON_H

#include "run/loop.h"

struct live_person {
	struct session *s;                 /* borrowed, as limits */
	const struct guard_limits *limits; /* at_rest */
	struct guard guard;
	struct snapshot snap;
	struct guard_verdict verdict;
};

/* Asks for samples if nobody did, and looks until lines and drive are known, 2 s at most and 0.5 s at least.
 * RC_INTERLOCK or RC_IO as live_person_stop, RC_... when the link is gone. */
enum rc live_person_begin(struct live_person *p, struct session *s, const struct guard_limits *limits,
			  struct loop_result *result, struct err *err) MUST_CHECK;
/* One look. False: there is a cause, see verdict. */
bool live_person_look(struct live_person *p);
/* "Drive off, contactor open.": what is seen, nothing else. */
void live_person_words(const struct live_person *p, char *buf, size_t size);
/* After a cause: result and error as a loop that was stopped has them; RC_IO when it is not safe. The end is kept in
 * the logbook. */
enum rc live_person_stop(const struct live_person *p, struct loop_result *result, struct err *err) MUST_CHECK;

#endif
