/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The frame of a procedure at the rig (obey, play, hold, ripple): one run with a zero of the cell, one sequence and a
 * second zero, kept as one record of the logbook. A command calls the parts from top to bottom, its own work between
 * them; live_end (live/live.h) closes. */
#ifndef BRIDLE_COMMAND_LIVE_PROCEDURE_H
#define BRIDLE_COMMAND_LIVE_PROCEDURE_H

#include "live/live_checklist.h"
#include "live/live_zero.h"

/* Zeroed by whoever owns it. */
struct live_procedure {
	struct live live;
	struct session s;
	struct live_zero before, after; /* of the sequence */
	enum rc zero_rc;                /* why there is no zero after it; else RC_OK */
	struct err zero_err;            /* the same as a sentence */
	int64_t run_id;                 /* 0: none was begun */
	const char *cause;              /* of an error, a word; static text; NULL: the loop's */
};

/* live_open, with the rig's link and a logbook that is written. */
enum rc live_procedure_open(struct live_procedure *p, const struct cli *cli, const char *actuator, const char *title,
			    const struct live_options *options, struct mistakes *m, struct err *err) MUST_CHECK;

/* What is checked before anything begins. RC_SAYS_NO: the arm is on. */
enum rc live_procedure_calibrated(struct live_procedure *p, struct err *err) MUST_CHECK;
enum rc live_procedure_arm_is_off(struct live_procedure *p, bool clear, struct err *err) MUST_CHECK;

/* Begin the run, tell the calibration, ask the checklist; the arm is kept as off. answers: as for live_checklist.
 * RC_SAYS_NO: an item was not answered yes. */
enum rc live_procedure_begin(struct live_procedure *p, const char *kind, const struct live_item *hazards, size_t n,
			     const char *answers, struct err *err) MUST_CHECK;

/* The zero before the sequence; it becomes the tare. share: of the whole bar, for each of the two zeros. sequence_s:
 * how long the sequence lasts. live.line.steps is the caller's. */
enum rc live_procedure_zero_before(struct live_procedure *p, double share, double sequence_s,
				   struct err *err) MUST_CHECK;
/* Run the sequence at a locked shaft: standing is the purpose, both ways are right, and the shaft stays where it is.
 * The limits are the usual ones again afterwards. */
enum rc live_procedure_locked(struct live_procedure *p, const struct sequence *sequence, double sequence_s,
			      struct err *err) MUST_CHECK;
/* After a sequence that was good: the zero after it. What was measured is not lost with that zero: where it fails,
 * p->after is NaN, and live_procedure_store tells. */
void live_procedure_zero_after(struct live_procedure *p);

/* Keep doc (taken; NULL: out of memory) as the run's record. Where the zero after the sequence failed, it has
 * "zero_failed" with the reason, and that failure is returned once the record is kept. */
enum rc live_procedure_store(struct live_procedure *p, const char *kind, json_t *doc, struct err *err) MUST_CHECK;

/* After live_end, which gave rc: the error is told, with where the readings are, or with --json the document printed.
 * Returns true when only the text is left to print. readings: beginning of a sentence, such as "The readings so far".
 * doc: taken, may be NULL. *ret_status: the exit status. */
bool live_procedure_over(const struct live_procedure *p, const struct cli *cli, enum rc rc, const char *readings,
			 json_t *doc, struct mistakes *m, struct err *err, int *ret_status);

#endif
