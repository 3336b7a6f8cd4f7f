/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/locked.h"

#include <math.h>
#include <stdio.h>

double locked_toward(double value, double end, double most)
{
	return value < end ? fmin(end, value + most) : fmax(end, value - most);
}

void locked_give_up(struct seq_out *ret, const char *text)
{
	ret->stop = true;
	snprintf(ret->event.text, sizeof ret->event.text, "%s", text);
}

void locked_no_contactor(struct seq_out *ret)
{
	locked_give_up(ret,
		       "the contactor does not close: check the emergency stop, the guard switch and their wiring");
}

void locked_watch_slip(const struct snapshot *snap, double locked_deg, double slip_deg, double set_Nm,
		       const char *what_to_do, struct seq_out *ret)
{
	double turned_deg = 360 * snap->angle_rev - locked_deg;

	if (fabs(turned_deg) <= slip_deg)
		return;
	ret->stop = true;
	snprintf(ret->event.text, sizeof ret->event.text,
		 "the locked shaft turned by %.3g\u00b0 at %.3g N\u00b7m commanded, limit %.3g\u00b0: the brake slips "
		 "or a coupling does; %s",
		 turned_deg, set_Nm, slip_deg, what_to_do);
}
