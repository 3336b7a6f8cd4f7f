/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The data sheet's claims against the curve: each confirmed, refuted or undecided
 * at a stated confidence by JCGM 106:2012 (calib/conformity.h). Every claim is read
 * as "at least". A claim can be refuted only where the actuator itself was the
 * limit; where supply, drive, brake, cell, heat or the plan came first, what was
 * not reached stays undecided. Points that did not settle, outliers and the impossible do not count. */
#ifndef BRIDLE_REPORTS_VERDICT_H
#define BRIDLE_REPORTS_VERDICT_H

#include "calib/conformity.h"
#include "reports/curve.h"

#define CLAIMS_MAX 5

struct claim_check {
	char claim[96];       /* "rated torque 20 N·m at 80 rev/min" */
	const char *key;      /* "rated_torque", static */
	const char *quantity; /* JSON key of the measured number, e.g. "torque_Nm", static */
	const char *unit;     /* "N·m", "rev/min", "W", "" for a share; static */
	double claimed, at_rpm; /* at_rpm NaN when free */
	struct unc measured;  /* best that was shown; NaN when nothing bears on the claim */
	double probability;   /* that the claim is met, as measured; NaN when nothing bears on it */
	enum verdict verdict;
	char why[280];        /* one or two sentences */
};

/* ret holds CLAIMS_MAX. drive: what the plan told the drive to do. */
size_t claims_check(const struct curve *curve, const struct actuator_profile *actuator, enum plan_drive drive,
		    double confidence, struct claim_check *ret);

#endif
