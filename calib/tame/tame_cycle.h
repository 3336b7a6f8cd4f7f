/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Does the loop oscillate, with its play, its dry friction and its torque limit? A swing of one amplitude of the twist
 * is taken; play, friction and limit act there by their describing functions (tame_loop.h), and the least stable motion
 * grows or dies out. Where growth ends, with larger swings dying out, is the limit cycle; below a lesser amplitude
 * friction may hold the joint until something knocks it. Pure. */
#ifndef BRIDLE_CALIB_TAME_TAME_CYCLE_H
#define BRIDLE_CALIB_TAME_TAME_CYCLE_H

#include "calib/tame/tame_loop.h"

#define TAME_SLOW 1e-3 /* growth in an oscillation's angle of 1 rad; less is not told from none */

/* Amplitudes are half of peak to peak. The largest limit cycle is told. */
struct tame_cycle {
	bool oscillates, bounded; /* not bounded: beyond 100 times play and limit's twist, or a turn of the arm */
	double hertz;
	double arm_rad, rotor_rad, twist_rad; /* of the motion; NaN unless it oscillates and is bounded */
	double torque_Nm;                     /* peak in the gear's spring */
	double from_rad;                      /* arm: knocked beyond it it begins; 0: by itself */
};
struct tame_cycle tame_cycle(const struct tame_loop *loop);

#endif
