/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/units.h"
#include "profile/profile.h"

#include <math.h>
#include <string.h>

/* Common practice, no source, all of them. */
#define ABOVE_FRAC 0.02       /* of a claim: more than U of a good cell */
#define ABOVE_FULL_FRAC 0.004 /* of the cell's full scale, at least */
#define SAME_FRAC 0.01        /* so near a step is there already */
#define BELOW_LIMIT_FRAC 0.98
#define FLOOR_FRAC 0.1 /* of the heaviest load */

static double least(double a, double b)
{
	return b > 0 && b < a ? b : a;
}

static void add_step(struct plan_profile *plan, double claim_Nm, double most_Nm, double full_Nm)
{
	double torque = claim_Nm + fmax(ABOVE_FRAC * claim_Nm, ABOVE_FULL_FRAC * full_Nm);
	size_t at = 0;

	if (!(claim_Nm > 0) || !(torque <= most_Nm) || (plan->n + 1) * plan->n_speeds > PROFILE_STEPS)
		return;
	while (at < plan->n && plan->step[at] < torque)
		at++;
	if ((at > 0 && torque - plan->step[at - 1] < SAME_FRAC * torque) ||
	    (at < plan->n && plan->step[at] - torque < SAME_FRAC * torque))
		return;
	memmove(plan->step + at + 1, plan->step + at, (plan->n - at) * sizeof plan->step[0]);
	memmove(plan->for_claim + at + 1, plan->for_claim + at, (plan->n - at) * sizeof plan->for_claim[0]);
	plan->step[at] = torque;
	plan->for_claim[at] = true;
	plan->n++;
}

double plan_top_rpm(const struct plan_profile *plan)
{
	double top_rpm = 0;

	for (size_t i = 0; i < plan->n_speeds; i++)
		top_rpm = fmax(top_rpm, fabs(plan->speed_rpm[i]));
	return top_rpm;
}

double plan_target_floor_Nm(const struct plan_profile *plan, const struct rig_profile *rig)
{
	double most = plan->n > 0 ? plan->step[plan->n - 1] : 0;

	return FLOOR_FRAC * (plan->load == LOAD_TORQUE ? most : most / rig->brake_max_A * rig->brake_rated_Nm);
}

void plan_take_speed(struct plan_profile *plan, const struct actuator_profile *a)
{
	if (plan->drive == PLAN_SPEED && !(plan_top_rpm(plan) > 0)) {
		plan->n_speeds = 1;
		plan->speed_rpm[0] = a->speed_mode_rpm;
	}
}

void plan_serve_claims(struct plan_profile *plan, const struct actuator_profile *a, const struct rig_profile *rig)
{
	double full_Nm = rig->cell_full_scale_Nm;
	double most_Nm = BELOW_LIMIT_FRAC *
			 least(least(least(full_Nm, rig->limit_torque_Nm), rig->coupling_Nm), a->limit_torque_Nm);
	double rpm = plan_top_rpm(plan);

	if (!plan->serve_claims || plan->load != LOAD_TORQUE)
		return;
	if (a->rated_torque_Nm.given)
		add_step(plan, a->rated_torque_Nm.value, most_Nm, full_Nm);
	if (a->peak_torque_Nm.given)
		add_step(plan, a->peak_torque_Nm.value, most_Nm, full_Nm);
	if (a->rated_power_W.given && isfinite(a->rated_power_W.speed_rpm) && a->rated_power_W.speed_rpm > 0)
		rpm = a->rated_power_W.speed_rpm;
	else if (plan->drive != PLAN_SPEED)
		rpm = 0; /* the speed is the load's: not to be foreseen */
	if (a->rated_power_W.given && rpm > 0)
		add_step(plan, a->rated_power_W.value / rad_per_s_from_rpm(rpm), most_Nm, full_Nm);
}
