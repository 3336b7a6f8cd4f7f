/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Gains with margins, and a start that does not ring. Pure. */
#ifndef BRIDLE_CALIB_TAME_TAME_ADVISE_H
#define BRIDLE_CALIB_TAME_TAME_ADVISE_H

#include "calib/tame/tame_spread.h"

/* Usual: gain margin 2 to 5 (6 to 14 dB), phase margin 30 to 60 degrees (K. J. Astrom, R. M. Murray, Feedback Systems,
 * Princeton 2008, section 9.3, from memory). */
struct tame_target {
	double gain_dB, phase_deg;
};

/* The given gains where they reach the target, else the largest lesser ones that do: the speed gain falls by steps; the
 * integral's time becomes at least four times, the position loop at most a quarter of the speed loop's 1/omega and
 * omega (common practice, no source: so the loops of a cascade do not meet). With play the limit cycle has to be absent
 * at the gain margin's times the gain as well, and in all but 1 - TAME_SURE of the draws of what is uncertain. */
struct tame_advice {
	bool found, keep; /* keep: the given gains reach it */
	struct tame_gains gains;
	struct tame_found with; /* those gains */
};
void tame_advise(const struct tame_loop *loop, const struct tame_inputs *inputs, size_t draws,
		 struct tame_target target, struct tame_advice *ret);

/* A start that does not ring. ramp_s: a torque that rises evenly over one whole period of the free joint leaves no
 * swing behind (step with a rise time, R. W. Clough, J. Penzien, Dynamics of Structures, from memory). meet_rad_per_s:
 * flanks that meet at this speed make a tenth of the torque limit, speed times sqrt(stiffness times reduced inertia);
 * NaN where nothing limits the torque. Both NaN without an arm. */
struct tame_start {
	double ramp_s, meet_rad_per_s;
};
struct tame_start tame_start(const struct tame_loop *loop);

#endif
