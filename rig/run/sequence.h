/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a sequence is: a pure step function over a snapshot. The loop knows
 * sequences only through this. Pure: no I/O, no clock, no allocation, no globals
 * in step(); a sequence's state is allocated by whoever starts it. */
#ifndef BRIDLE_RUN_SEQUENCE_H
#define BRIDLE_RUN_SEQUENCE_H

#include "guard/guard.h"
#include "channel/rigio.h"

#include <stdbool.h>
#include <stddef.h>

enum seq_event_kind { SEQ_EVENT_NONE, SEQ_EVENT_STEP, SEQ_EVENT_POINT, SEQ_EVENT_NOTE };

#define POINT_NOT_SETTLED 0x0001u
#define POINT_FORCED 0x0002u      /* plan run past a refusal */
#define POINT_REPEAT 0x0004u      /* repeat of the first point */
#define POINT_TARE 0x0008u        /* a zero reading, not a load point. direction 0: at rest; +1 and then -1: turned slowly
				       * both ways, the mean of the two is the zero (run/seq_zero.h) */
#define POINT_CUT 0x0010u         /* the last second of a step that a limit stopped: never settled, to be taken again */

/* A stretch of samples that belongs together: what the logbook keeps of a finished point. The
 * numbers themselves are computed from the samples, later and again (reports/). */
struct seq_point {
	int step;                /* 0-based, of the plan */
	int direction;           /* +1 loading, -1 unloading, 0 neither */
	unsigned flags;          /* POINT_... */
	double setpoint_Nm, setpoint_A; /* wanted torque or brake current; NaN for the one not used */
	double setpoint_rpm;     /* wanted speed or NaN */
	struct mono begin, end;  /* window */
	double settle_s;         /* time taken to settle */
	double mean_torque_Nm, mean_speed_rpm; /* quick look for the live line */
};

struct seq_event {
	enum seq_event_kind kind;
	struct seq_point point;  /* SEQ_EVENT_POINT; SEQ_EVENT_STEP fills step, direction, set-points */
	char text[120];          /* SEQ_EVENT_NOTE */
};

struct seq_out {
	struct wish wish;
	struct seq_event event;
	bool set_tare;           /* from the next tick on, tare_count is what the loop subtracts from the (signed) count */
	double tare_count;
	bool done;               /* finished in order; the wish is everything off */
	bool stop;               /* ask the guard for CAUSE_SEQUENCE; event.text says why */
	double progress_frac;    /* 0..1 */
	double remaining_s;      /* estimate; NaN: none */
	double remaining_spread; /* share by which it may be wrong; 0 = by the clock */
	const char *phase;       /* one word for the live line; static text */
};

struct sequence {
	void (*step)(void *state, const struct snapshot *snap, struct seq_out *ret);
	void *state; /* borrowed by the loop */
};

#endif
