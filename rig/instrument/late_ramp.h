/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A set-point that begins late: the command has gone up its ramp while a drive came up. What is sent stays at 0 until
 * the drive is released, and then follows the command's own ramp from its first value on, no faster than the command
 * ever changed since it began. A command that begins with a step is sent as that step. Where both meet, the command
 * itself is sent from then on. Pure. */
#ifndef BRIDLE_INSTRUMENT_LATE_RAMP_H
#define BRIDLE_INSTRUMENT_LATE_RAMP_H

#include "channel/clock.h"

#include <stdbool.h>

/* Zeroed: before the first command. In the command's unit. */
struct late_ramp {
	bool began, released, met;
	double first, command, sent;
	double slope_per_s;              /* the largest that the command had */
	struct mono changed_at, sent_at; /* the command changed; something was sent */
};

/* What to send now. released: false sends 0, and a release after that begins anew. */
double late_ramp_step(struct late_ramp *ramp, double command, bool released, struct mono now);
/* Does what was sent still have to come nearer to this command, though that stays as it is? */
bool late_ramp_is_behind(const struct late_ramp *ramp, double command);

#endif
