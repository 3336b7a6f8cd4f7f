/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Does the torque follow the brake's current with the right sign? */
#ifndef BRIDLE_GUARD_SLOPE_H
#define BRIDLE_GUARD_SLOPE_H

#include "guard/guard.h"

/* current_A as read back, along_Nm the torque in the direction of motion, rpm the speed without sign. After a second in
 * which the current only rose, by step_A and more, true when the torque fell by more than fall_Nm: the largest tenth of
 * a second of its last three is that much below the smallest of its first three. The same with a current that only fell
 * and a torque that rose. A brake's lag (coil and magnetisation, 0.1 s), its hysteresis and its fade are less.
 *
 * Not judged, since an honest brake may do the same: a shaft slower than least_rpm (it may stand, and then the actuator
 * makes the torque), one whose speed changes by more than a tenth (it drags, or the supply sags), a tick
 * longer than 0.15 s (the slowest that a profile allows is 0.1 s; tenths of a second are whole ticks then). NaN begins
 * anew. */
bool slope_step(struct guard_slope *s, double current_A, double along_Nm, double rpm, double dt_s, double step_A,
		double fall_Nm, double least_rpm);

#endif
