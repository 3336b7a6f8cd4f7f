/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Margins and limit cycle with their uncertainty, by draws of what is uncertain (JCGM 101:2008). Pure; the same seed
 * gives the same draws. */
#ifndef BRIDLE_CALIB_TAME_TAME_SPREAD_H
#define BRIDLE_CALIB_TAME_TAME_SPREAD_H

#include "calib/number/quantity.h"
#include "calib/tame/tame_cycle.h"
#include "calib/tame/tame_identify.h"
#include "calib/tame/tame_margin.h"

#include <stddef.h>

#define TAME_SURE 0.95 /* of the draws that have to agree */

/* Deviates that several inputs of one draw have in common: those of a record's covariance, then the ratio's. */
#define TAME_RATIO TAME_TOGETHER
#define TAME_COMMON (TAME_TOGETHER + 1)
#define TAME_INPUTS 24

/* A number of struct tame_loop that is uncertain: in each draw it is off by its own deviation and by the sum of by[k]
 * times the draw's common deviate k, which has the standard deviation 1. */
struct tame_input {
	size_t at; /* its offset, of a double */
	double u;  /* of its own, k = 1 */
	enum dist dist;
	double by[TAME_COMMON];
};
struct tame_inputs {
	struct tame_input of[TAME_INPUTS];
	size_t n;
	enum dist ratio; /* how the deviate TAME_RATIO is distributed; the others are normal */
};

enum tame_verdict { TAME_NO, TAME_YES, TAME_NOT_KNOWN };

/* Values are those of the loop as stated; u (k = 1) the standard deviation of the draws that have the value at all. 0
 * without uncertain inputs; NaN: fewer than a tenth of the draws have it. */
struct tame_found {
	struct tame_margins margins;
	struct tame_cycle cycle;
	double u_gain_dB, u_phase_deg, u_arm_rad, u_torque_Nm, u_hertz;
	double probability; /* that it oscillates: the share of the draws */
	/* TAME_NOT_KNOWN too where the loop is unstable but friction is foretold to hold it. */
	enum tame_verdict oscillates;
};
void tame_find(const struct tame_loop *loop, const struct tame_inputs *inputs, size_t draws, struct tame_found *ret);

#endif
