/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The stop rehearsal: with nothing driven and the brake off, close the contactor, ask for the emergency stop (or the
 * guard switch) and see the line open and the contactor drop by the rig's own wiring. The guard stops the loop on it,
 * as it must: the rehearsal is passed when the loop ended with exactly that cause and the contactor was seen to drop.
 * Then, after the release, nothing may restart by itself: the next rehearsal begins by watching an open contactor.
 *
 * Pure: no I/O, no clock, no allocation, no globals. */
#ifndef BRIDLE_RUN_SEQ_REHEARSE_H
#define BRIDLE_RUN_SEQ_REHEARSE_H

#include "run/sequence.h"

enum rehearse_what { REHEARSE_ESTOP, REHEARSE_CAGE, REHEARSE_RELEASED };
enum rehearse_phase { REHEARSE_LOOK, REHEARSE_CLOSE, REHEARSE_ASK };

struct rehearse {
	enum rehearse_what what; /* RELEASED: only watch that everything is back and stays off, then finish in order */
	double wait_s;           /* for the person */
	unsigned lines;          /* LINE_... that the node senses */
	enum rehearse_phase phase;
	bool started, asked;
	struct mono phase_at;
	/* seen by rehearse_watch */
	bool line_opened, contactor_dropped;
	struct mono line_at, contactor_at;
	bool contactor_was_closed;
};

void rehearse_begin(struct rehearse *r, enum rehearse_what what, double wait_s, unsigned lines);
void rehearse_step(void *state, const struct snapshot *snap, struct seq_out *ret);
/* Every tick, also while the guard stops (from the loop's tick hook): what the lines did. */
void rehearse_watch(struct rehearse *r, const struct snapshot *snap);
/* Line seen open and contactor seen to drop; where the contactor is not sensed, the line alone. */
bool rehearse_passed(const struct rehearse *r);
/* From the line to the contactor, as seen at the tick; NaN when not seen or not sensed. */
double rehearse_drop_s(const struct rehearse *r);

#endif
