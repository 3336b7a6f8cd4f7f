/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The signs of cell, pick-up and drive at a small load, before a plan is allowed (run/seq_signs.h). */
#ifndef BRIDLE_COMMAND_READY_SIGNS_H
#define BRIDLE_COMMAND_READY_SIGNS_H

#include "live/live.h"

#include <jansson.h>

/* Turned by the drive in speed mode at about speed_rpm, or by a person. *ret: result for the record, owned by the
 * caller; NULL where nothing can turn the shaft so (told by a note): then the sweep's own watches find a wrong sign.
 * RC_INTERLOCK a sign is wrong, with its word in ret_cause, or stopped by another cause (untouched). */
enum rc ready_signs(struct live *live, double speed_rpm, json_t **ret, const char **ret_cause,
		    struct err *err) MUST_CHECK;

#endif
