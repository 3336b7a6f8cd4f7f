/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What limited a point, and what ended the curve: told from the samples in the window, those that led to it and those
 * around the moment that ended a step, never from the shape of the curve. Pure. The order in which limits are looked
 * for is the order in which they make the figure worthless for a verdict on the actuator: cell, supply, heat, drive,
 * plan, brake, and only then the actuator, and only where the drive's own samples say that it had room. Without that it
 * is not known. */
#ifndef BRIDLE_REPORTS_REDUCE_LIMIT_H
#define BRIDLE_REPORTS_REDUCE_LIMIT_H

#include "reports/reduce/curve.h"
#include "reports/reduce/window.h"

struct limit_rig { /* what the point is measured against; borrowed */
	const struct rig_profile *rig;
	const struct actuator_profile *actuator;
	const struct plan_profile *plan;
};
struct limit_rig limit_rig_of(const struct rig_profile *rig, const struct actuator_profile *actuator,
			      const struct plan_profile *plan);

/* Fills limit, limit_note and free_running. p holds its numbers and set-points already. */
void limit_of_point(const struct limit_rig *rig, const struct limit_facts *before, const struct limit_facts *inside,
		    struct curve_point *p);

/* A torque step that was not reached, or that the brake's drag alone exceeds: says so in the point's note. */
void limit_note_step(const struct limit_rig *rig, struct curve_point *p);

/* What the samples around a moment say, with their figures in words (ret_words[LIMIT_WORDS]). Never LIMIT_NONE:
 * LIMIT_ACTUATOR when the drive ran, said nothing of a limit, and supply, plan and brake had room; else
 * LIMIT_NOT_KNOWN. */
#define LIMIT_WORDS 200
enum limit limit_of_moment(const struct limit_rig *rig, const struct limit_facts *moment, char *ret_words);

/* What ended the run after its last point: cause is the guard's word ("" when the plan was finished), moment the facts
 * of the samples around the stop. Fills end_limit and end_note; names the stated limit and its file. */
void limit_of_end(const struct limit_rig *rig, const char *cause, const struct limit_facts *moment,
		  struct curve *curve);

/* The sweep left heavier steps out and says why; moment: the samples around the moment in which it did, NULL when it
 * was the heaviest point that fell short. Keeps an end that is known. The points of the curve have their limits. */
void limit_of_left_out(const struct limit_rig *rig, const char *why, const struct limit_facts *moment,
		       struct curve *curve);

/* What the search for the limit came to at a speed: sentence is the logbook's. moment: the samples around the moment in
 * which the lightest load that did not hold made the speed fall; NULL when it was taken as a point. Adds to the
 * curve's limits and remarks and marks the point. */
void limit_of_place(const struct limit_rig *rig, const char *sentence, const struct limit_facts *moment,
		    struct curve *curve);

#endif
