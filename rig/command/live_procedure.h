/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The frame of a procedure at the rig (obey, play, hold, ripple, tame): one run with a zero of the cell, one sequence
 * and a second zero, kept as one record of the logbook. A zero after it that fails loses no record: "zero_failed"
 * stands in it with the reason, and that failure is told.
 *
 * The command's own state is allocated and freed by the frame; struct live_procedure is its first member.
 *
 * The result can be had again: the record tells what it rests on ("rests_on": first and last tick of the sequence, the
 * zeros, the numbers that the sequence and the calculation were given), and live_procedure_again runs the same pure
 * sequence over the samples of the logbook, then the same calculation. */
#ifndef BRIDLE_COMMAND_LIVE_PROCEDURE_H
#define BRIDLE_COMMAND_LIVE_PROCEDURE_H

#include "live/live_checklist.h"
#include "live/live_zero.h"
#include "reports/reduce/procedure.h"

#include <stdio.h>

struct live_procedure {
	struct live live;
	struct session s;
	struct live_zero before, after; /* of the sequence */
	enum rc zero_rc;                /* why there is no zero after it; else RC_OK */
	struct err zero_err;            /* the same as a sentence */
	int64_t run_id;                 /* 0: none was begun */
	const char *cause;              /* of an error, a word; static text; NULL: the loop's */
	struct mono first, last;        /* ticks of the sequence */
	unsigned ticks;                 /* so many; 0: it has not begun */
	struct procedure result;        /* owned; evaluate sets what the figure needs */
	json_t *budget;                 /* owned; parts of the numbers' uncertainties, by their keys; NULL: none */
};

/* A number of the command's state (double) that goes into the record and comes back. */
struct live_procedure_key {
	const char *name;
	size_t at; /* offset in ctx */
};

/* Of a state that begins with its struct live_procedure p; any other does not compile. */
#define LIVE_PROCEDURE_SIZE(type) (sizeof(type) + 0 * sizeof(char[offsetof(type, p) == 0 ? 1 : -1]))

/* What a command does within the frame; ctx is its own state. */
struct live_procedure_parts {
	const char *kind;                             /* "play": of run and record, and the command's word */
	size_t size;                                  /* LIVE_PROCEDURE_SIZE of the state; zeroed, then init */
	void (*init)(void *ctx, const void *request); /* request NULL: the result is found again */
	void (*end)(void *ctx);                       /* frees what the state owns; NULL: nothing */
	const struct live_item *hazards;
	size_t n_hazards;
	enum rc (*configure)(void *ctx, struct err *err); /* before anything begins: the drive's mode, what cannot be */
	const char *(*untold)(const void *ctx,
			      const struct snapshot *snap); /* what nobody tells; NULL: it needs nothing */
	double zero_share;                                  /* of the whole bar, for each of the two zeros */
	int (*steps)(const void *ctx);                      /* of the live line; NULL: one */
	double (*sequence_s)(const void *ctx);              /* how long the sequence lasts */
	enum rc (*measure)(void *ctx, struct err *err);     /* between the zeros: the sequence */
	struct sequence (*begin)(void *ctx); /* the sequence, begun anew by the state that the keys are of */
	const struct live_procedure_key *key;
	size_t n_keys;
	/* What no sample and no key holds, into "rests_on" and back, and into the snapshot of a tick; NULL: nothing. */
	void (*keep)(const void *ctx, json_t *rests_on);
	enum rc (*recall)(void *ctx, const json_t *record, struct err *err);
	void (*feed)(void *ctx, struct snapshot *snap);
	enum rc (*evaluate)(void *ctx, struct err *err); /* also sets p->result but for its doc */
	void (*rows)(const void *ctx, FILE *f);          /* the table that --out asks for; NULL: none */
	json_t *(*document)(const void *ctx); /* given to the frame, which adds actuator, calibration_id and run_id */
	void (*print)(const void *ctx);       /* the same as text */
};
struct live_procedure_call {
	const char *actuator, *answers; /* answers: as for live_checklist */
	const char *figure;             /* folder of the figure; NULL: none */
	const char *out;                /* file of the table; NULL: none */
	const struct live_options *live;
};

/* The whole of it: open, what is checked before anything begins, the checklist, zero, measure, zero, evaluate, keep,
 * table and figure, tell. Returns the exit status. */
int live_procedure(const struct cli *cli, const struct live_procedure_parts *parts,
		   const struct live_procedure_call *call, const void *request);

/* What would refuse it, before anything begins: configure on the session of live, which stays as it is, and what the
 * newest snapshot does not tell, where there is one. */
enum rc live_procedure_would(const struct live_procedure_parts *parts, const struct live *live, const void *request,
			     struct err *err) MUST_CHECK;

/* --- for parts->measure --- */
/* Run the sequence, whose first and last tick are kept. */
enum rc live_procedure_sequence(struct live_procedure *p, const struct sequence *sequence, struct err *err) MUST_CHECK;
/* The same at a locked shaft: standing is the purpose, both ways are right, and the shaft stays where it is. The limits
 * are the usual ones again afterwards. */
enum rc live_procedure_locked(struct live_procedure *p, const struct sequence *sequence, double sequence_s,
			      struct err *err) MUST_CHECK;
/* --- for parts->evaluate (live_budget.c) --- */
/* A part of the uncertainty of a number of the document; it goes into the record as the number's "budget". key:
 * "stiffness_Nm_per_arcmin", or within a list "orders.3.amplitude_Nm", from 0. A u that is 0 or not finite is none. */
void live_procedure_part(struct live_procedure *p, const char *key, const char *source, double u);
/* What the calibration of the cell is uncertain by at a torque, source by source; factor: of the number for each N.m.
 * Returns the u of them together. */
double live_procedure_cell(struct live_procedure *p, const char *key, double torque_Nm, double factor);
/* What a weight indicator's own filter may make a torque late by, at most; 0 where the node reads the cell. */
double live_procedure_filter_s(const struct live_procedure *p);
/* The parts into the numbers of the document. */
void live_procedure_put_budget(const struct live_procedure *p, json_t *doc);

/* --- the result again (live_again.c) --- */
/* *ret: given to the caller; document and figure. RC_SAYS_NO the run has no result: it was cut short, or its
 * samples do not give the whole of it; RC_ARG it tells not what its result rests on; RC_DB. */
enum rc live_procedure_again(const struct live_procedure_parts *parts, struct logbook *lb, int64_t run_id,
			     struct procedure *ret, struct err *err) MUST_CHECK;
/* The record's document with what it rests on; NULL: out of memory. Given to the caller. */
json_t *live_procedure_document(const struct live_procedure *p, const struct live_procedure_parts *parts,
				const void *ctx);

/* --- between the two files --- */
/* The state, zeroed and begun; NULL: out of memory. Freed by live_procedure_end (NULL is fine). */
struct live_procedure *live_procedure_new(const struct live_procedure_parts *parts, const void *request);
void live_procedure_end(struct live_procedure *p, const struct live_procedure_parts *parts);

/* A list of numbers into "rests_on" of a record and back from it, at most so many. */
void live_procedure_keep_list(json_t *rests_on, const char *name, const double *list, size_t n);
size_t live_procedure_recall_list(const json_t *record, const char *name, double *ret, size_t most);

#endif
