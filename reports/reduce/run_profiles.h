/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The profiles as they stood when a run began: the logbook keeps their texts. */
#ifndef BRIDLE_REPORTS_REDUCE_RUN_PROFILES_H
#define BRIDLE_REPORTS_REDUCE_RUN_PROFILES_H

#include "logbook/logbook.h"
#include "profile/profile.h"

/* RC_ARG the run keeps no rig, actuator or plan, so it was no sweep, or a text has a mistake; RC_DB. What is returned
 * may then be half filled. */
enum rc run_profiles(struct logbook *lb, int64_t run_id, struct rig_profile *ret_rig,
		     struct actuator_profile *ret_actuator, struct plan_profile *ret_plan, struct err *err) MUST_CHECK;

#endif
