/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What limited a point: told from the samples in the window and those that led to
 * it, never from the shape of the curve. Pure. The order in which limits are
 * looked for is the order in which they make the figure worthless for a verdict
 * on the actuator: cell, supply, heat, drive, brake, and only then the actuator. */
#ifndef BRIDLE_REPORTS_LIMITS_H
#define BRIDLE_REPORTS_LIMITS_H

#include "reports/curve.h"
#include "reports/window.h"

struct limit_rig { /* what the point is measured against; NaN or 0 for what is not known */
	double cell_full_scale_Nm, brake_max_A, brake_hot_degC;
	double supply_V, supply_limit_A, cable_ohm;
	double case_hot_degC, winding_hot_degC, drive_limit_A;
	bool drive_holds_current; /* torque mode: the plan's own current is the drive's set-point */
};
struct limit_rig limit_rig_of(const struct rig_profile *rig, const struct actuator_profile *actuator,
			      const struct plan_profile *plan);

/* Fills p->limit and p->limit_note. p holds its numbers and set-points already. */
void limit_of_point(const struct limit_rig *rig, const struct limit_facts *before, const struct limit_facts *inside,
		    struct curve_point *p);

/* What ended the run after its last point: cause is the guard's word ("" when the plan was finished), tail the facts
 * of the samples after the last point. Fills end_limit and end_note. */
void limit_of_end(const struct limit_rig *rig, const char *cause, const struct limit_facts *tail, struct curve *curve);

/* The sweep left heavier steps out and says why; then: the facts of the samples in which that happened. The flag of the
 * drive's current limit in that stretch means that the drive, not the motor, gave no more. Keeps an end that is known. */
void limit_of_left_out(const struct limit_rig *rig, const char *why, const struct limit_facts *then, struct curve *curve);

#endif
