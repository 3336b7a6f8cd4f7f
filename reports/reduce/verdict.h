/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The data sheet's claims against the curve: each confirmed, refuted, undecided or not tested, at a stated confidence
 * by JCGM 106:2012. Every claim is read as "at least", at the claims' voltage. What the actuator's own curve is at the
 * claim's place, and how far it may lie from there, is claim_curve.h's business.
 *
 * Confirmed or refuted: the claim lies outside the limits that the points leave, and the probability from the nearer
 * limit, by the same distribution as the printed U (unc_probability_above), reaches the confidence. Between the limits
 * there is no probability. What the plan, the drive's own limit, the supply, the brake, the cell or heat kept from
 * being reached is a lower bound: it can confirm and never refute. */
#ifndef BRIDLE_REPORTS_REDUCE_VERDICT_H
#define BRIDLE_REPORTS_REDUCE_VERDICT_H

#include "calib/number/conformity.h"
#include "reports/reduce/curve.h"
#include "profile/plan_profile.h"
#include "profile/actuator_profile.h"

#define CLAIMS_MAX 5

struct claim_check {
	char claim[96];         /* "rated torque 20 N·m at 80 rpm" */
	const char *key;        /* "rated_torque", static */
	const char *quantity;   /* JSON key of the measured number, e.g. "torque_Nm", static */
	const char *unit;       /* "N·m", "rpm", "W", "%" for a share; static */
	double claimed, at_rpm; /* at_rpm NaN when free */
	struct unc measured; /* at the claim's place; NaN when nothing bears on it. Its parts hold the limits too, as a
				rectangle */
	bool lower_bound;    /* measured is the least that the actuator gave there: it can confirm, not refute */
	double low, high;    /* limits of the place by the points alone, before u; NaN when nothing bears on it */
	double probability;  /* that the claim is met; NaN between the limits and where nothing bears on it */
	enum verdict verdict;
	double volt,
		winding_degC; /* at the actuator's terminals, and its winding, at the point next to it; NaN unknown */
	double step_Nm;       /* an added step that would decide it, NaN when none can be named */
	char why[600];        /* some sentences */
};

struct claims_setting {
	enum plan_drive drive; /* what the plan told the drive to do */
	double volt;           /* at which the claims hold: of the actuator's file, or rig.ini's supply; 0 unknown */
	double confidence;
};

/* ret holds CLAIMS_MAX. */
size_t claims_check(const struct curve *curve, const struct actuator_profile *actuator,
		    const struct claims_setting *setting, struct claim_check *ret);

#endif
