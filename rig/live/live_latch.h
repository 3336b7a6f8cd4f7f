/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a stop leaves to the commands after it, in the logbook: a stop that did not end safe, and a cause that was a
 * fault of the rig. Both ask for a deliberate act (--clear) before anything is energised again. */
#ifndef BRIDLE_LIVE_LATCH_H
#define BRIDLE_LIVE_LATCH_H

#include "run/loop.h"

struct live_latch {
	bool stop, fault;
}; /* what --clear answers: not safe; a fault */

/* RC_SAYS_NO when an earlier stop asks for --clear: with its run, cause and time; also one whose end was never kept,
 * since the program was killed. With clear, ret has what it answers:
 * live_latch_answer keeps that. still: a command that energises nothing is held back by a stop that was not safe
 * alone. */
enum rc live_latch_check(struct session *s, bool clear, bool still, struct live_latch *ret, struct err *err) MUST_CHECK;
/* A person's answer, kept in the run that it allows, which is open. */
enum rc live_latch_answer(struct session *s, const struct live_latch *latch, struct err *err) MUST_CHECK;
bool live_latch_keeps(const struct loop_result *result);
/* At the end of a run: a cause that latches (guard.h) is kept where something was energised, commanded or not.
 * message: as told. */
enum rc live_latch_keep(struct session *s, const struct loop_result *result, const char *message,
			struct err *err) MUST_CHECK;

#endif
