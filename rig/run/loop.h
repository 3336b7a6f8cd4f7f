/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The tick loop: read instruments, ask the sequence, ask the guard, send what the
 * guard allows, log. One thread, absolute deadlines, no allocation and no disk in
 * a tick. The guard has the last word and nothing bypasses it. */
#ifndef BRIDLE_RUN_LOOP_H
#define BRIDLE_RUN_LOOP_H

#include "guard/guard.h"
#include "run/sequence.h"
#include "run/session.h"

#define LOOP_SHAFT \
	"shaft" /* kind of the event that tells how a stop ended; its text begins with NOT SAFE when it was not */

struct loop_hooks {
	/* Each tick, after the guard: for the live line. May be NULL. Must not block. */
	void (*tick)(void *ctx, const struct snapshot *snap, const struct seq_out *out, const struct guard_verdict *v);
	/* A step, a note, and a finished point once the logbook has it on the disk (so some ticks later, or after the
	 * last one; never where it could not be written). May be NULL. */
	void (*event)(void *ctx, const struct seq_event *event);
	bool (*stop_asked)(void *ctx); /* operator: key or Ctrl-C. May be NULL. */
	void *ctx;
};

struct loop_result {
	enum cause cause;        /* CAUSE_NONE when the sequence finished in order */
	char message[800];       /* for people, when there is a cause; begins with NOT SAFE when something is missing */
	char shaft[400];         /* how the stop ended, for people; empty without one */
	unsigned missing;        /* GUARD_...: what the stop did not see; 0 safe */
	bool energised, stopped; /* drive, brake or contactor was on; ended in order, or by a stop that is complete
				    (brake released) */
	int64_t ticks, late_max_ns;
	struct mono begin, end;
};

/* A stop that ended without everything seen (ret->missing) is RC_IO. Run a sequence to its end or to a stop that is
 * complete (shaft stands, brake released). Begins and ends nothing in the logbook but samples, points and events of
 * s->run_id (session_run_begin). The last thing sent is everything off; only when time cannot go on (RC_IO, RC_TIMEOUT)
 * the brake is held as in a stop and left to the lease. A sequence that drove the shaft and is done while it still
 * turns is stopped for that (CAUSE_SEQUENCE). RC_OK finished in order; RC_INTERLOCK stopped by a cause (see ret);
 * RC_IO/RC_TIMEOUT the bench or link is gone. ret is always written. */
enum rc loop_run(struct session *s, const struct guard_limits *limits, const struct sequence *seq,
		 const struct loop_hooks *hooks, struct loop_result *ret, struct err *err) MUST_CHECK;

#endif
