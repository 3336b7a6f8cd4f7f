/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/late_ramp.h"

#include <math.h>

static void note_command(struct late_ramp *r, double command, struct mono now)
{
	double moved = fabs(command - r->command), s = mono_diff_s(now, r->changed_at);

	if (!r->began) {
		r->first = fabs(command);
		r->began = true;
	} else if (!(moved > 0)) {
		return;
	} else if (s > 0) {
		r->slope_per_s = fmax(r->slope_per_s, moved / s);
	}
	r->command = command;
	r->changed_at = now;
}

static double limited(double value, double most)
{
	return fmax(-most, fmin(most, value));
}

double late_ramp_step(struct late_ramp *r, double command, bool released, struct mono now)
{
	double before = r->sent, dt_s = mono_diff_s(now, r->sent_at);

	note_command(r, command, now);
	if (!released)
		r->sent = 0;
	else if (!r->released)
		r->sent = limited(command, r->first);
	else
		r->sent = r->met ? command : before + limited(command - before, r->slope_per_s * fmax(dt_s, 0));
	r->met = released && !(fabs(command - r->sent) > 0);
	r->released = released;
	r->sent_at = now;
	return r->sent;
}

bool late_ramp_is_behind(const struct late_ramp *r, double command)
{
	return r->released && fabs(command - r->sent) > 0;
}
