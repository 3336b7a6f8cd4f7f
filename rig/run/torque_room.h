/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How much torque may be commanded at a shaft that the brake locks: the smallest of what cell, coupling, rig, actuator,
 * drive, calibration and brake allow, each with its room, and which of them decides. Nothing turns there, so torque and
 * not power is the limit. Figures of room are common practice, no source. */
#ifndef BRIDLE_RUN_TORQUE_ROOM_H
#define BRIDLE_RUN_TORQUE_ROOM_H

#include "run/session.h"

#define TORQUE_ROOM_SHARE 0.9 /* of a limit at which the guard stops */
#define TORQUE_ROOM_GRIP 1.25 /* the brake can hold so many times the torque */

struct torque_room {
	double most_Nm;    /* 0: none at all */
	char decides[160]; /* "90 % of 45 N·m, [limits] torque of the actuator" */
};
/* A session with actuator and calibration. */
struct torque_room torque_room_of(const struct session *s);

/* RC_ARG above it, with the number that decides; option: its name for the sentence. */
enum rc torque_room_check(const struct torque_room *room, const char *option, double torque_Nm,
			  struct err *err) MUST_CHECK;

/* Current at which the brake locks against that torque, with its grip. */
double torque_room_lock_A(const struct session *s, double torque_Nm);

#endif
