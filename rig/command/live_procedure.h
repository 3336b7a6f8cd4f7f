/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The frame of a procedure at the rig (obey, play, hold, ripple): one run with a zero of the cell, one sequence and a
 * second zero, kept as one record of the logbook. A zero
 * after it that fails loses no record: "zero_failed" stands in it with the reason, and that failure is told. */
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

/* What a command does within the frame; ctx is its own. */
struct live_procedure_parts {
	const char *kind; /* "play": of run and record, and the command's word */
	const struct live_item *hazards;
	size_t n_hazards;
	enum rc (*configure)(void *ctx, struct err *err); /* before anything begins: the drive's mode, what cannot be */
	enum rc (*run)(void *ctx, struct err *err);       /* the zeros and the sequence */
	enum rc (*evaluate)(void *ctx, struct err *err);
	json_t *(*document)(const void *ctx); /* given to the frame, which adds actuator, calibration_id and run_id */
	void (*print)(const void *ctx);       /* the same as text */
};
struct live_procedure_call {
	const char *actuator, *answers; /* answers: as for live_checklist */
	const struct live_options *live;
};

/* The whole of it: open, what is checked before anything begins, the checklist, run, evaluate, keep, tell. Returns the
 * exit status. */
int live_procedure(struct live_procedure *p, const struct cli *cli, const struct live_procedure_parts *parts,
		   const struct live_procedure_call *call, void *ctx);
int live_procedure_no_memory(const struct cli *cli);

/* --- for parts->run --- */
/* The zero before the sequence; it becomes the tare. share: of the whole bar, for each of the two zeros. sequence_s:
 * how long the sequence lasts. live.line.steps is the caller's. */
enum rc live_procedure_zero_before(struct live_procedure *p, double share, double sequence_s,
				   struct err *err) MUST_CHECK;
/* Run the sequence at a locked shaft: standing is the purpose, both ways are right, and the shaft stays where it is.
 * The limits are the usual ones again afterwards. */
enum rc live_procedure_locked(struct live_procedure *p, const struct sequence *sequence, double sequence_s,
			      struct err *err) MUST_CHECK;
/* After a sequence that was good: the zero after it. What was measured is not lost with that zero: where it fails,
 * p->after is NaN. */
void live_procedure_zero_after(struct live_procedure *p);

#endif
