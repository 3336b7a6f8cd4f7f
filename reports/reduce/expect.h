/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What readings a step of a plan will give, as far as runs before it tell: for the forecast of uncertainty (foresee.h).
 *
 * From the newest sweep of the actuator, where its rising points enclose the step's torque at its speed: input power
 * and voltage by the chord between them. Else from the map of the brake: its losses by the chords between the rising
 * points around the torque at its slowest and its fastest speed, between these by the speed; where they do not enclose
 * the torque by the model of losses.h; and the shaft power added. Noise from the point nearest in torque, by the square
 * root of the lengths of the windows. Pure. */
#ifndef BRIDLE_REPORTS_REDUCE_EXPECT_H
#define BRIDLE_REPORTS_REDUCE_EXPECT_H

#include "reports/reduce/curve.h"
#include "reports/reduce/foresee.h"

/* Changes torque (of a step without load: the drag), input power, voltage and noise of a step that holds what the
 * profiles let expect. sweep, map: NULL where there is none. dwell_s of the plan. drag_Nm of the brake
 * without current, NaN unknown. */
void expect_step(const struct curve *sweep, const struct curve *map, double dwell_s, double drag_Nm,
		 struct foresee_step *step);

/* Scatter of the mean torque of such a step over 1 s, N·m (k = 1), by the point nearest in torque and the square root
 * of its window's length; NaN where no point has one. */
double expect_scatter_Nm(const struct curve *sweep, const struct curve *map, const struct foresee_step *step);

/* Noise of the zero readings, which degrees of freedom it has, and what the drag that fades leaves open in them. */
void expect_zero(const struct curve *sweep, const struct curve *map, struct foresee_input *in);

#endif
