/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/hand_set.h"

#include <math.h>
#include <stdio.h>

#define STEADY_S 0.1 /* a ramp's next step comes sooner */
#define NEAR_S 1.0   /* by itself: passing by is not being there */
#define SAME_rpm 1e-6

void hand_set_begin(struct hand_set *h, const struct hand_set_config *config, const struct sequence *sequence)
{
	*h = (struct hand_set){ .config = *config, .sequence = sequence };
}

static bool same(double a_rpm, double b_rpm)
{
	return fabs(a_rpm - b_rpm) <= SAME_rpm;
}

static bool stands_for(double rpm)
{
	return same(rpm, 0);
}

static void ask(struct hand_set *h, double rpm, struct mono now)
{
	h->asking = true;
	h->asked_rpm = rpm;
	h->asked_at = now;
	h->near = h->pressed = h->off_again = false;
	h->asked_n++;
}

static double near_rpm(const struct hand_set *h)
{
	return stands_for(h->asked_rpm) ? h->config.standstill_rpm : h->config.near_frac * fabs(h->asked_rpm);
}

static void look(struct hand_set *h, const struct snapshot *snap)
{
	bool near = fabs(snap->speed_rpm - h->asked_rpm) <= near_rpm(h);

	if (near && !h->near)
		h->near_at = snap->now;
	h->near = near;
	h->turned_rpm = snap->speed_rpm;
	if (h->config.by_itself)
		h->pressed = near && mono_diff_s(snap->now, h->near_at) >= NEAR_S;
}

static void is_late(const struct hand_set *h, const struct snapshot *snap, struct seq_out *ret)
{
	if (mono_diff_s(snap->now, h->asked_at) <= h->config.wait_s)
		return;
	ret->stop = true;
	snprintf(ret->event.text, sizeof ret->event.text,
		 "nobody set the drive to %.3g rpm in %.3g s, the pick-up reads %.3g rpm; look at the drive, then run "
		 "it again",
		 h->asked_rpm, h->config.wait_s, snap->speed_rpm);
}

/* Has the person done what was asked? */
static bool is_set(struct hand_set *h, const struct snapshot *snap, struct seq_out *ret)
{
	look(h, snap);
	if (!h->pressed) {
		is_late(h, snap, ret);
		return false;
	}
	h->pressed = false;
	if (!h->near) {
		h->off_again = true;
		h->asked_n++;
		return false;
	}
	h->asking = false;
	if (ret->event.kind == SEQ_EVENT_NONE && !stands_for(h->asked_rpm)) {
		ret->event.kind = SEQ_EVENT_NOTE;
		snprintf(ret->event.text, sizeof ret->event.text,
			 "drive set by hand: %.3g rpm asked for, the pick-up reads %.1f rpm", h->asked_rpm,
			 snap->speed_rpm);
	}
	return true;
}

static double next_rpm(const struct hand_set *h)
{
	return h->set_rpm * h->want_rpm < 0 ? 0 : h->want_rpm;
}

static double larger(double a_rpm, double b_rpm)
{
	return fabs(a_rpm) > fabs(b_rpm) ? a_rpm : b_rpm;
}

static void follow(struct hand_set *h, const struct snapshot *snap, struct seq_out *ret)
{
	struct wish *w = &ret->wish;

	h->driven = true;
	if (!same(w->speed_rpm, h->want_rpm)) {
		h->want_rpm = w->speed_rpm;
		h->want_at = snap->now;
	}
	double next = next_rpm(h);
	bool steady = mono_diff_s(snap->now, h->want_at) >= STEADY_S;
	if (steady && !(h->asking ? same(h->asked_rpm, next) : same(h->set_rpm, next)))
		ask(h, next, snap->now);
	if (h->asking && is_set(h, snap, ret))
		h->set_rpm = h->asked_rpm;
	w->speed_rpm = h->asking ? larger(h->set_rpm, h->asked_rpm) : h->set_rpm;
}

static void hold_power(struct hand_set *h, struct seq_out *ret, enum hand_set_phase phase)
{
	h->phase = phase;
	h->driven = false;
	h->set_rpm = h->want_rpm = 0;
	ret->wish.power = false;
	ret->wish.mode = DRIVE_OFF;
	ret->wish.speed_rpm = 0;
}

static void ask_for_the_knob(struct hand_set *h, const struct snapshot *snap, struct seq_out *ret)
{
	if (h->phase != HAND_SET_KNOB)
		ask(h, 0, snap->now);
	hold_power(h, ret, HAND_SET_KNOB);
	if (is_set(h, snap, ret))
		h->phase = HAND_SET_ON;
}

static void stand_between(struct hand_set *h, const struct snapshot *snap, struct seq_out *ret)
{
	bool on = ret->wish.mode != DRIVE_OFF;

	if (!ret->wish.power) {
		h->asking = false;
		hold_power(h, ret, HAND_SET_OFF);
	} else if (h->phase == HAND_SET_OFF || h->phase == HAND_SET_KNOB || (h->phase == HAND_SET_OUT && on)) {
		ask_for_the_knob(h, snap, ret);
	} else if (h->phase == HAND_SET_OUT || (h->driven && !on)) {
		h->asking = false;
		hold_power(h, ret, HAND_SET_OUT);
	} else if (on) {
		follow(h, snap, ret);
	} else {
		ret->wish.speed_rpm = 0;
	}
}

static bool waits(const struct hand_set *h)
{
	bool ramps = h->phase == HAND_SET_ON && h->driven && !same(h->set_rpm, h->want_rpm);

	return h->phase == HAND_SET_KNOB || h->asking || ramps;
}

void hand_set_step(void *state, const struct snapshot *snap, struct seq_out *ret)
{
	struct hand_set *h = state;
	struct snapshot seen = *snap;

	seen.drive_waits = waits(h);
	h->sequence->step(h->sequence->state, &seen, ret);
	if (ret->done || ret->stop)
		return;
	stand_between(h, snap, ret);
	if (waits(h))
		ret->phase = "set";
}

void hand_set_words(const struct hand_set *h, char *buf, size_t size)
{
	const char *way = h->asked_rpm < 0 ? " backward" : h->asked_rpm > 0 ? " forward" : "";

	if (stands_for(h->asked_rpm) && h->phase == HAND_SET_KNOB)
		snprintf(buf, size, "set the drive to 0: its power comes next. Then press Enter");
	else if (h->off_again)
		snprintf(buf, size,
			 "the pick-up reads %.1f rpm: set the drive to %.3g rpm%s, within %.2g rpm, then press Enter",
			 h->turned_rpm, fabs(h->asked_rpm), way, near_rpm(h));
	else
		snprintf(buf, size, "set the drive to %.3g rpm%s, then press Enter", fabs(h->asked_rpm), way);
}
