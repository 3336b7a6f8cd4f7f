/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a run leaves to the commands after it, in the logbook: a stop that did not end safe, a cause that was a fault of
 * the rig, and a run that energised something and has no end. Each asks for a deliberate act (--clear) before anything
 * is energised again. */
#ifndef BRIDLE_LIVE_LATCH_H
#define BRIDLE_LIVE_LATCH_H

#include "run/loop.h"

struct live_latch {
	bool stop, fault;
}; /* what --clear answers: not safe; a fault, or a run without an end */

/* RC_SAYS_NO when an earlier run asks for --clear: with its number, cause and time; also one that energised something
 * and whose end was never kept (program killed, disk full). With clear, ret has what it answers:
 * live_latch_answer keeps that. still: a command that energises nothing is held back by a stop that was not safe
 * alone. */
enum rc live_latch_check(struct session *s, bool clear, bool still, struct live_latch *ret, struct err *err) MUST_CHECK;
/* Before the first tick of a run that may energise anything. RC_OK: the logbook has it on the disk, so a run that ends
 * without a word is known for one that was energised. */
enum rc live_latch_energises(struct session *s, struct err *err) MUST_CHECK;
/* A person's answer, kept in the run that it allows, which is open. */
enum rc live_latch_answer(struct session *s, const struct live_latch *latch, struct err *err) MUST_CHECK;
bool live_latch_keeps(const struct loop_result *result);
/* At the end of a run: a cause that latches (guard.h) is kept where something was energised, commanded or not.
 * message: as told. */
enum rc live_latch_keep(struct session *s, const struct loop_result *result, const char *message,
			struct err *err) MUST_CHECK;

#endif
