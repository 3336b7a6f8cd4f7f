/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Inside of the identification: the fit as one call, and coherence. */
#ifndef BRIDLE_CALIB_TAME_TAME_IDENTIFY_PRIVATE_H
#define BRIDLE_CALIB_TAME_TAME_IDENTIFY_PRIVATE_H

#include "calib/tame/tame_identify.h"

/* Parameters in the order of the fit: natural logarithms of those up to TF_STIFFNESS. Damping and friction are
 * themselves: a logarithm that once went far below would have no slope to come back by. One mass has TF_ROTOR,
 * TF_VISCOUS and what follows. */
enum { TF_ROTOR, TF_ARM, TF_STIFFNESS, TF_DAMPING, TF_VISCOUS, TF_OFFSET, TF_SPEED, TF_TWIST_SPEED, TF_PARAMS };

struct tame_fit {
	const struct tame_record *record;
	double step_s;
	bool two;
	double value[TF_PARAMS]; /* those of one mass that are not fitted: what they
                              are */
	double cov[TF_PARAMS][TF_PARAMS];
	double rss;
	size_t p;
	bool ended; /* arrived: no parameter alone is farther than 1 % of its u from its least squares */
};
/* Residuals, n of them, of the model at fit->value. */
void tame_fit_residuals(const struct tame_fit *fit, double *ret);
double tame_fit_rss(const struct tame_fit *fit, double *scratch);
/* From fit->value on. RC_SINGULAR when it does not arrive. */
enum rc tame_fit_run(struct tame_fit *fit, struct err *err) MUST_CHECK;

/* Median coherence by Welch's method between two frequencies, Hann windows of
 * half overlap. NaN: too short. */
double tame_coherence(const double *x, const double *y, size_t n, double step_s, double from_Hz, double to_Hz);

#endif
