/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/number/conformity.h"

#include <gsl/gsl_cdf.h>
#include <math.h>

/* Beyond this t and normal agree to better than the digits of any u. */
#define MANY_DOF 1e9

static double upper_tail(double z, double dof)
{
	if (isinf(z))
		return z > 0 ? 0.0 : 1.0;
	return dof > MANY_DOF ? gsl_cdf_ugaussian_Q(z) : gsl_cdf_tdist_Q(z, dof);
}

static double one_sided_factor(double confidence, double dof)
{
	return dof > MANY_DOF ? gsl_cdf_ugaussian_Qinv(1.0 - confidence) : gsl_cdf_tdist_Qinv(1.0 - confidence, dof);
}

double conform_probability(double y, double u, double dof, struct conform_limits limits)
{
	if (!isfinite(y) || !isfinite(u) || !(u >= 0) || !(dof >= 1) || !(limits.lower <= limits.upper))
		return NAN;
	if (!(u > 0))
		return y >= limits.lower && y <= limits.upper ? 1.0 : 0.0;
	double low = (limits.lower - y) / u, high = (limits.upper - y) / u;
	/* By the tail on the far side, so that a probability near 0 keeps its digits. */
	double p =
		low > 0 ? upper_tail(low, dof) - upper_tail(high, dof) : upper_tail(-high, dof) - upper_tail(-low, dof);
	return p < 0 ? 0 : p > 1 ? 1 : p;
}

enum verdict conform_verdict(double probability, double confidence)
{
	if (probability >= confidence)
		return VERDICT_CONFIRMED;
	if (probability <= 1.0 - confidence)
		return VERDICT_REFUTED;
	return VERDICT_UNDECIDED;
}

const char *verdict_name(enum verdict verdict)
{
	switch (verdict) {
	case VERDICT_UNDECIDED: return "undecided";
	case VERDICT_CONFIRMED: return "confirmed";
	case VERDICT_REFUTED: return "refuted";
	case VERDICT_NOT_TESTED: return "not tested";
	}
	return "undecided";
}

static enum rc check(double u, double dof, double confidence, struct err *err)
{
	if (!(u >= 0 && isfinite(u)))
		return err_set(err, RC_ARG, 0, "the standard uncertainty is %g; expected a number of 0 or more", u);
	if (!(dof >= 1))
		return err_set(err, RC_ARG, 0, "the degrees of freedom are %g; expected 1 or more", dof);
	if (!(confidence > 0.5 && confidence < 1.0))
		return err_set(err, RC_ARG, 0, "the confidence is %g; expected a number above 0.5 and below 1",
			       confidence);
	return RC_OK;
}

enum rc conform_guarded(struct conform_limits limits, double u, double dof, double confidence,
			struct conform_limits *ret, struct err *err)
{
	enum rc rc = check(u, dof, confidence, err);

	if (rc)
		return rc;
	if (!(limits.lower <= limits.upper))
		return err_set(err, RC_ARG, 0, "the lower limit %g lies above the upper limit %g", limits.lower,
			       limits.upper);
	double guard = one_sided_factor(confidence, dof) * u;
	struct conform_limits inner = { limits.lower + guard, limits.upper - guard };
	if (!(inner.lower <= inner.upper))
		return err_set(err, RC_SINGULAR, 0,
			       "no reading could confirm the claim: the guard bands of %g on both "
			       "sides use up the tolerance; measure with a smaller uncertainty",
			       guard);
	*ret = inner;
	return RC_OK;
}
