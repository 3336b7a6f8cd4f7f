/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The loss of a hold at the rig as rig.ini states its meter: gains, the voltmeter's offset and the cable are taken into
 * account, and what they are off by, all rows together, comes out by source. The ammeter's offset falls out, since
 * what was drawn before the hold is taken off. The supply's set voltage stands for the one that was read. */
#ifndef BRIDLE_COMMAND_HOLD_METER_H
#define BRIDLE_COMMAND_HOLD_METER_H

#include "profile/rig_profile.h"

#include <stddef.h>

#define HOLD_METER_PARTS 5
struct hold_meter {
	double loss_W, torque_Nm; /* means of the rows under load */
	size_t n;
	struct {
		const char *source; /* as a sweep names it; static text */
		double u_W;         /* of the loss, signed, k = 1 */
	} part[HOLD_METER_PARTS];
};

/* loss_W: n rows, as the sequence has them, corrected in place where torque_Nm is not 0. product: the node told what
 * its averages leave out. */
struct hold_meter hold_meter(const struct rig_profile *rig, double speed_rpm, double idle_W, bool product,
			     const double *torque_Nm, double *loss_W, size_t n);

#endif
