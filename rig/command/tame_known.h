/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What earlier runs of the logbook tell of an actuator and `tame` at the rig rests on: `obey` its torque for each N.m
 * commanded, `play` its gear. The newest of each counts. */
#ifndef BRIDLE_COMMAND_TAME_KNOWN_H
#define BRIDLE_COMMAND_TAME_KNOWN_H

#include "run/session.h"

#include <jansson.h>

struct tame_known {
	int64_t obey_run, play_run; /* 0: there is none */
	double gain, u_gain, dof;   /* torque of the motor at the output for each N.m commanded; NaN: not known */
	double loss, u_loss;        /* friction of the gear for each N.m that it gives */
	/* Parts of u_gain: a response that is not straight, the gear's loss. NaN: not told apart. */
	double u_straight, u_by_loss;
	json_t *play; /* owned: numbers of that run's record; NULL: none */
};
void tame_known_clear(struct tame_known *k);
/* ret: cleared by the caller in any case. RC_DB. */
enum rc tame_known_find(struct session *s, struct tame_known *ret, struct err *err) MUST_CHECK;

#endif
