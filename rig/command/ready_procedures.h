/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What would refuse each procedure at the rig (hold, play, obey, obey --response, ripple, tame) with its defaults:
 * the same checks as the command's own, told before. None of them is a condition of the plan. */
#ifndef BRIDLE_COMMAND_READY_PROCEDURES_H
#define BRIDLE_COMMAND_READY_PROCEDURES_H

#include "live/live.h"

#include <jansson.h>

/* With a calibrated session that has an actuator. A list of { "procedure", "possible", "message" }, given to the
 * caller; message null where it is possible. NULL: out of memory. */
json_t *ready_procedures(const struct live *live);
void ready_procedures_print(const json_t *list);

#endif
