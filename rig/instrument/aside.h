/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What must wait for its device does so on a thread of its own, aside from the tick. One such thread owns a line and
 * polls the instruments on it, one after the other; each leaves its readings in a box and finds the newest wish in
 * another (instrument/box.h). What the session holds in place of such an instrument only looks into the boxes: its
 * poll and set never wait, whatever the device does.
 *
 * A wish is handed on once: an instrument is not commanded anew while nobody commands, so that its lease ends when
 * the tick does. Time in which the tick itself did not look is not held against the readings. */
#ifndef BRIDLE_INSTRUMENT_ASIDE_H
#define BRIDLE_INSTRUMENT_ASIDE_H

#include "instrument/instrument.h"

#define ASIDE_LOOK_S 0.005 /* between two looks at the line */

struct aside;

/* clock: of the machine, not of a bench (that one belongs to the tick's thread); must outlive it. RC_NOMEM. */
enum rc aside_new(const struct clock_src *clock, struct aside **ret, struct err *err) MUST_CHECK;

/* *instrument goes to the thread, with its link: nobody else uses them from the start on. In its place stands what
 * the session polls, ended with the aside. At most ASIDE_MOST before the start. RC_NOMEM; RC_ARG: it has a role whose
 * fields are not carried over (the table in aside.c). Then *instrument is as it was. */
#define ASIDE_MOST 7
enum rc aside_add(struct aside *aside, struct instrument *instrument, struct err *err) MUST_CHECK;

/* Nothing is allocated after it. The thread has no signals, and the priority of a thread that may be late. RC_IO. */
enum rc aside_start(struct aside *aside, struct err *err) MUST_CHECK;

/* Joins, within the longest time that poll and set of its instruments wait and one look, and closes them. NULL is
 * fine; without a start too. */
void aside_free(struct aside *aside);

#endif
