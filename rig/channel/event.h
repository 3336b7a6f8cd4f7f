/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a sequence tells, as plain data: steps begun, points finished, notes. The logbook keeps it, reports read it. */
#ifndef BRIDLE_CHANNEL_EVENT_H
#define BRIDLE_CHANNEL_EVENT_H

#include "channel/clock.h"

enum seq_event_kind { SEQ_EVENT_NONE, SEQ_EVENT_STEP, SEQ_EVENT_POINT, SEQ_EVENT_NOTE };

#define POINT_NOT_SETTLED 0x0001u
#define POINT_FORCED 0x0002u /* plan run past a refusal */
#define POINT_REPEAT 0x0004u /* repeat of the first point */
#define POINT_TARE \
	0x0008u              /* a zero reading, not a load point. direction 0: at rest; +1 and then -1: turned slowly \
			   * both ways, the mean of the two is the zero (run/seq_zero.h) */
#define POINT_CUT 0x0010u    /* the last second of a step that a limit stopped: never settled, to be taken again */
#define POINT_SEARCH 0x0020u /* of the search for the limit: its step is no step of the plan */
#define POINT_AT_LIMIT 0x0040u /* the heaviest load that held, where the search found the limit */

/* Kinds of logbook events that tell under what a run was made: the groups of a repeatability study. */
#define EVENT_MOUNTING "mounting"
#define EVENT_OPERATOR "operator"

/* A stretch of samples that belongs together: what the logbook keeps of a finished point. The
 * numbers themselves are computed from the samples, later and again (reports/). */
struct seq_point {
	int step;                              /* 0-based, of the plan */
	int direction;                         /* +1 loading, -1 unloading, 0 neither */
	unsigned flags;                        /* POINT_... */
	double setpoint_Nm, setpoint_A;        /* wanted torque or brake current; NaN for the one not used */
	double setpoint_rpm;                   /* wanted speed or NaN */
	struct mono begin, end;                /* window */
	double settle_s;                       /* time taken to settle */
	double mean_torque_Nm, mean_speed_rpm; /* quick look for the live line */
};

struct seq_event {
	enum seq_event_kind kind;
	struct seq_point point; /* SEQ_EVENT_POINT; SEQ_EVENT_STEP fills step, direction, set-points */
	char text[200];         /* SEQ_EVENT_NOTE */
};

#endif
