/* SPDX-License-Identifier: GPL-3.0-or-later */
/* How the loop of a gear against the locked brake is run at this rig: what `play` and `endure` share. */
#ifndef BRIDLE_RUN_PLAY_SETUP_H
#define BRIDLE_RUN_PLAY_SETUP_H

#include "run/seq_play.h"
#include "run/session.h"

/* A session with actuator (its ratio known), calibration and brake; loops is left 0. most_rpm: of the guard. */
struct seq_play_config play_setup(const struct session *s, double torque_Nm, double most_rpm);
#define PLAY_UP_S 25.0 /* from zero to the largest torque: slow, since the angle comes five times a second */

/* What the angle of the rotor adds at the output, arcmin: two steps of what a node tells, for torque and angle are not
 * of one moment. */
double play_setup_u_arcmin(const struct session *s);

#endif
