/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/seq_rehearse.h"

#include <math.h>
#include <stdio.h>

#define LOOK_S 1.0   /* watched before anything is closed */
#define LINES_S 15.0 /* longest wait for the lines to be good */
#define CONTACTOR_S 2.0
#define CLOSED_S 0.5 /* closed and steady before the person is asked */

void rehearse_begin(struct rehearse *r, enum rehearse_what what, double wait_s, unsigned lines)
{
	*r = (struct rehearse){ .what = what, .wait_s = wait_s, .lines = lines };
}

static void enter(struct rehearse *r, enum rehearse_phase phase, struct mono now)
{
	r->phase = phase;
	r->phase_at = now;
}

static void give_up(struct seq_out *ret, const char *why)
{
	ret->stop = true;
	snprintf(ret->event.text, sizeof ret->event.text, "%s", why);
}

static void look(struct rehearse *r, const struct snapshot *snap, struct seq_out *ret)
{
	double waited_s = mono_diff_s(snap->now, r->phase_at);
	bool pressed = r->lines & LINE_ESTOP && !snap->estop_ok, open = r->lines & LINE_CAGE && !snap->cage_closed;
	bool told = is_told(snap, CHANNEL_ESTOP) || is_told(snap, CHANNEL_CAGE);
	bool good = told && !pressed && !open;

	ret->phase = "look";
	if (is_told(snap, CHANNEL_CONTACTOR) && snap->contactor_closed)
		give_up(ret, "the contactor is closed without a command: it may be welded or wired past the stop");
	else if (good && waited_s >= LOOK_S && r->what == REHEARSE_RELEASED)
		ret->done = true;
	else if (good && waited_s >= LOOK_S)
		enter(r, REHEARSE_CLOSE, snap->now);
	else if (waited_s > LINES_S)
		give_up(ret, !told     ? "the node sends no state of the emergency stop and the guard"
			     : pressed ? "the emergency stop is still pressed"
				       : "the guard is open");
}

static void close_contactor(struct rehearse *r, const struct snapshot *snap, struct seq_out *ret)
{
	ret->phase = "close";
	ret->wish.power = true;
	if (snap->drive_waits)
		r->phase_at = snap->now;
	if (snap->contactor_closed) {
		if (mono_diff_s(snap->now, r->phase_at) >= CLOSED_S)
			enter(r, REHEARSE_ASK, snap->now);
	} else if (mono_diff_s(snap->now, r->phase_at) > CONTACTOR_S) {
		give_up(ret, "the contactor does not close: check its coil and the chain of stop and guard");
	}
}

static void ask(struct rehearse *r, const struct snapshot *snap, struct seq_out *ret)
{
	ret->phase = r->what == REHEARSE_ESTOP ? "press" : "open";
	ret->wish.power = true;
	ret->remaining_s = r->wait_s - mono_diff_s(snap->now, r->phase_at);
	if (!r->asked) {
		r->asked = true;
		ret->event.kind = SEQ_EVENT_NOTE;
		snprintf(ret->event.text, sizeof ret->event.text, "%s",
			 r->what == REHEARSE_ESTOP ? "Stop rehearsal 1 of 2: press the emergency stop now."
						   : "Stop rehearsal 2 of 2: open the guard now.");
	}
	if (!(ret->remaining_s > 0))
		give_up(ret, r->what == REHEARSE_ESTOP ? "the emergency stop was not seen to be pressed"
						       : "the guard was not seen to open");
}

void rehearse_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct rehearse *r = state;

	if (!r->started) {
		r->started = true;
		enter(r, REHEARSE_LOOK, snap->now);
	}
	switch (r->phase) {
	case REHEARSE_LOOK: look(r, snap, ret); break;
	case REHEARSE_CLOSE: close_contactor(r, snap, ret); break;
	case REHEARSE_ASK: ask(r, snap, ret); break;
	}
}

void rehearse_watch(struct rehearse *r, const struct snapshot *snap)
{
	bool line_good = r->what == REHEARSE_CAGE ? snap->cage_closed : snap->estop_ok;

	if (r->phase != REHEARSE_ASK)
		return;
	if (!r->line_opened && snap->contactor_closed)
		r->contactor_was_closed = true;
	if (!r->line_opened && !line_good) {
		r->line_opened = true;
		r->line_at = snap->now;
	}
	if (r->line_opened && !r->contactor_dropped && !snap->contactor_closed) {
		r->contactor_dropped = true;
		r->contactor_at = snap->now;
	}
}

bool rehearse_passed(const struct rehearse *r)
{
	bool dropped = r->contactor_was_closed && r->contactor_dropped;

	return r->line_opened && (dropped || !(r->lines & LINE_CONTACTOR));
}

double rehearse_drop_s(const struct rehearse *r)
{
	return rehearse_passed(r) && r->lines & LINE_CONTACTOR ? mono_diff_s(r->contactor_at, r->line_at) : NAN;
}
