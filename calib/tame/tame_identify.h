/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inertias, stiffness and damping of a joint from a record of its torque and
 * its rotor's speed: the two masses of tame_loop.h, free to turn, are
 * fitted in time (output error: least squares of what was measured less what
 * the model does with the recorded torque). The torque is held from row to row
 * and is taken as it is: noise in it is not modelled. The shaft turns one way,
 * so that dry friction is a constant torque, and the flanks stay where they
 * are. L. Ljung, System Identification, 2nd ed., Prentice Hall 1999, chapters 7
 * and 9 (from memory): with white noise this is maximum likelihood and its
 * covariance s^2 (J'J)^-1. Where neighbouring residuals belong together, u is
 * widened by the sum of their autocorrelations. No I/O; allocates for the
 * length of a call. */
#ifndef BRIDLE_CALIB_TAME_TAME_IDENTIFY_H
#define BRIDLE_CALIB_TAME_TAME_IDENTIFY_H

#include "calib/number/err.h"

#include <stdbool.h>
#include <stddef.h>

#define TAME_ROWS 100000
#define TAME_COHERENT 0.8 /* below it the model is not the record's; common practice, no source */

/* Numbers whose uncertainties go together: one fit told them. */
enum { TAME_ROTOR, TAME_ARM, TAME_STIFFNESS, TAME_DAMPING, TAME_VISCOUS, TAME_TOGETHER };

struct tame_number {
	double value, u, dof; /* value NaN: the record does not tell */
};

struct tame_record {
	const double *time_s, *torque_Nm; /* even steps */
	const double *speed_rad_per_s;    /* of the rotor, at the output */
	size_t n;
};

struct tame_identified {
	bool two; /* a resonance is in it; else rotor_kgm2 is the whole inertia and
               arm, stiffness and damping are NaN */
	struct tame_number rotor_kgm2, arm_kgm2, stiffness_Nm_per_rad, damping_Nms, viscous_Nms;
	struct tame_number offset_Nm; /* torque without motion: dry friction of one way */
	struct tame_number resonance_Hz;
	/* A square root of the covariance of what TAME_ROTOR to TAME_VISCOUS name: root times its transpose. 0 in the
	 * row of a number that the record does not tell. */
	double root[TAME_TOGETHER][TAME_TOGETHER];
	bool ended;       /* the fit arrived; else the numbers are where it was given up */
	double scatter;   /* of the readings about the model, rad/s */
	double coherence; /* median of torque and speed from a third of the resonance
                       (or of the sampling's twentieth) to 1.5 times it; 1: the
                       one follows from the other */
};
/* The numbers are good to rest gains on: the fit ended, and the coherence is TAME_COHERENT or more. */
bool tame_rests(const struct tame_identified *id);
/* RC_ARG fewer than 200 rows or more than TAME_ROWS, uneven times, a torque
 * that does not change; RC_SINGULAR no model fits. */
enum rc tame_identify(const struct tame_record *record, struct tame_identified *ret, struct err *err) MUST_CHECK;
/* The same by one mass alone, where no second one can be seen: a record far slower than any resonance. */
enum rc tame_identify_one(const struct tame_record *record, struct tame_identified *ret, struct err *err) MUST_CHECK;

#endif
