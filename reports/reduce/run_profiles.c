/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/run_profiles.h"

#include <stdlib.h>

enum rc run_profiles(struct logbook *lb, int64_t run_id, struct rig_profile *ret_rig,
		     struct actuator_profile *ret_actuator, struct plan_profile *ret_plan, struct err *err)
{
	char *rig = NULL, *actuator = NULL, *plan = NULL;
	struct mistakes m = { 0 };
	enum rc rc = logbook_run_texts(lb, run_id, &rig, &actuator, &plan, err);

	if (rc == RC_OK && (rig == NULL || actuator == NULL || (plan == NULL && ret_plan)))
		rc = err_set(err, RC_ARG, 0, "run %lld keeps no rig, actuator and plan: only a sweep can be reduced",
			     (long long)run_id);
	if (rc == RC_OK)
		rc = profile_parse_rig(rig, "rig.ini of the run", ret_rig, &m, err);
	if (rc == RC_OK)
		rc = profile_parse_actuator(actuator, "actuator of the run", ret_actuator, &m, err);
	if (rc == RC_OK && ret_plan)
		rc = profile_parse_plan(plan, "plan of the run", ret_plan, &m, err);
	if (rc == RC_OK && ret_plan) {
		plan_take_speed(ret_plan, ret_actuator);
		plan_serve_claims(ret_plan, ret_actuator, ret_rig);
	}
	free(rig);
	free(actuator);
	free(plan);
	return rc;
}
