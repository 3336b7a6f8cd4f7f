/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A procedure's own hazards, asked one by one before anything is energised; each answer is kept in the run. */
#ifndef BRIDLE_LIVE_LIVE_CHECKLIST_H
#define BRIDLE_LIVE_LIVE_CHECKLIST_H

#include "live/live.h"

struct live_item {
	const char *word, *question; /* the word is kept with the answer */
};

struct live_answer {
	char text[24]; /* as it was typed; "" not asked */
};

/* Before a run is open: RC_ARG when answers (NULL: a person types them) are none or may not be given on this rig. */
enum rc live_answers_check(const struct live *live, const char *answers, struct err *err) MUST_CHECK;

/* The run is open (live_begin). answers "yes" or "no": of every item, on a virtual bench only; NULL: a person types
 * each in full. ret (may be NULL): n answers, zeroed by the caller. RC_SAYS_NO an item was not answered yes; RC_ARG
 * nobody can be asked. Run live_answers_check before. */
enum rc live_checklist(struct live *live, const struct live_item *items, size_t n, const char *answers,
		       struct live_answer *ret, struct err *err) MUST_CHECK;

#endif
