/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/play_setup.h"

#include "run/torque_room.h"

#include <math.h>

#define LOCK_S 1.0
#define LIMIT_rpm 0.2 /* of the output: the flanks meet softly */
#define JUMP_arcmin 1.0
#define ANGLE_TURN_deg 90.0
#define ANGLE_WORDS_S 0.4
#define RESOLUTION_deg 0.02 /* of the rotor */
#define SLIP_deg 3.0

/* The rotor turns by less than half a turn between two words of its angle, one lost in between. */
static double limit_rpm(const struct session *s)
{
	return fmin(LIMIT_rpm, ANGLE_TURN_deg / (6 * ANGLE_WORDS_S * s->actuator.gear_ratio));
}

double play_setup_u_arcmin(const struct session *s)
{
	return RESOLUTION_deg * 60 / s->actuator.gear_ratio;
}

struct seq_play_config play_setup(const struct session *s, double torque_Nm, double most_rpm)
{
	double lock_A = torque_room_lock_A(s, torque_Nm);

	return (struct seq_play_config){ .torque_Nm = torque_Nm,
					 .slew_Nm_per_s = torque_Nm / PLAY_UP_S,
					 .lock_A = lock_A,
					 .slew_A_per_s = lock_A / LOCK_S,
					 .limit_rpm = fmin(limit_rpm(s), most_rpm),
					 .slip_deg = SLIP_deg,
					 .ratio = s->actuator.gear_ratio,
					 .jump_arcmin = JUMP_arcmin };
}
