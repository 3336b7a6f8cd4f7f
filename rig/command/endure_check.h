/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What endure needs beyond a sweep, asked before anything begins: by endure itself, and by ready before it. */
#ifndef BRIDLE_COMMAND_ENDURE_CHECK_H
#define BRIDLE_COMMAND_ENDURE_CHECK_H

#include "run/session.h"

/* The play between the cycles: the drive's torque mode, the ratio, the torque, refused with the number that decides.
 * *ret_Nm: its torque; 0: the plan has none. */
enum rc endure_check_play(const struct session *s, double *ret_Nm, struct err *err) MUST_CHECK;
/* The messages: library and password file. Nothing is sent. */
enum rc endure_check_messages(const struct session *s, struct err *err) MUST_CHECK;

#endif
