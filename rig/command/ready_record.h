/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The record that a rig was found ready for a plan: for that day, that plan and those profiles, that calibration and
 * map. */
#ifndef BRIDLE_COMMAND_READY_RECORD_H
#define BRIDLE_COMMAND_READY_RECORD_H

#include "run/session.h"

#include <jansson.h>

/* Of the session's run: it is to be open. Adds run_id, plan, digest, day, calibration_id, map_id and steps_allowed (in
 * all, and at each speed of the plan) to the document. */
void ready_record_fill(json_t *doc, const struct session *s, int64_t wall_ns, size_t steps_allowed,
		       const size_t *allowed);

/* Whether the newest record covers the session's plan now, and no later bridle ready or hang was begun. RC_SAYS_NO with
 * the reason. ret_allowed: loads at each speed of the plan. */
enum rc ready_record_check(struct session *s, int64_t wall_ns, size_t ret_allowed[PROFILE_SPEEDS], int64_t *ret_id,
			   struct err *err) MUST_CHECK;

#endif
