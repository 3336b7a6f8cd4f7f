/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Everything that a page says, gathered: the curve, where it came from, what it
 * rests on, the claims, the fits, the trace. */
#ifndef BRIDLE_REPORTS_REDUCE_REPORT_H
#define BRIDLE_REPORTS_REDUCE_REPORT_H

#include "calib/brake/brakemap.h"
#include "calib/cell/cellcal.h"
#include "reports/reduce/curve.h"
#include "reports/reduce/fits_dc.h"
#include "reports/reduce/losses.h"
#include "reports/reduce/procedure.h"
#include "reports/reduce/related.h"
#include "reports/reduce/trace.h"
#include "reports/reduce/verdict.h"
#include "profile/plan_profile.h"
#include "profile/actuator_profile.h"
#include "profile/rig_profile.h"

#define REPORT_CAL_POINTS 400
#define REPORT_CAL_LOADS 40

struct cal_point {
	double torque_Nm, residual_Nm;
	bool down, outlier;
	int series;
};

struct report {
	struct curve *curve;        /* owned; NULL: the result of a procedure */
	struct procedure procedure; /* of a run that is no sweep; kind NULL: none, and nothing of it is set */
	bool by_hand;
	bool pdf;           /* report.pdf is to stand beside the page; false until somebody asks for it */
	int budget_step;    /* 0-based step whose loading point the budget is of; -1: the main point */
	char subject[128];  /* the actuator's name, or the file of readings */
	char report_id[40]; /* "run 4, 3f2a90c1b7d5": the run and the beginning of its digest; "" by hand */
	char digest[LOGBOOK_DIGEST_TEXT]; /* of what was measured; "" by hand, or when a row does not fit */
	char source[300];                 /* "run 12 of the bench ..., 2026-...", or "5 readings taken by hand" */
	struct fits_dc fits;
	struct losses losses;
	struct claim_check claims[CLAIMS_MAX];
	size_t n_claims;
	struct claimed_curve claimed; /* the data sheet's, as it was when the run began; drawn, not judged */
	double confidence;            /* of the claims */
	double claims_V;              /* at which they hold */
	/* Of a run only (by_hand false): */
	struct rig_profile rig; /* its operator is the one of the run, where it told one */
	struct actuator_profile actuator;
	struct plan_profile plan;
	struct run_info run;
	struct cellcal cal;
	int64_t cal_wall_ns;
	struct cal_point cal_points[REPORT_CAL_POINTS];
	size_t n_cal_points;
	struct cal_band { /* expanded uncertainty by load, as the record's evaluation gives it */
		size_t n;
		double torque_Nm[REPORT_CAL_LOADS], U_Nm[REPORT_CAL_LOADS];
	} cal_band;
	bool has_map;
	struct brakemap map;
	int64_t map_wall_ns;
	struct trace trace;
	char mounting[64]; /* how actuator or cell were mounted, as bridle sweep --mounting was told; "" not told */
	struct related related; /* filled by who publishes beside a logbook; a pack stands alone */
	char ready[400];        /* what the last readiness check before the run said; "" none */
	/* Of hand-taken readings: */
	char hand_method[400]; /* how torque was obtained, with its figures */
	bool hand_unstated;    /* some readings came without an uncertainty */
	bool ac;               /* the direct-current relations do not apply */
};
void report_free(struct report *report); /* NULL is fine */

/* Of a sweep in the logbook. *ret given to the caller. Errors as curve_from_run. */
enum rc report_of_run(struct logbook *lb, int64_t run_id, struct report **ret, struct err *err) MUST_CHECK;

/* Of a procedure (reports/reduce/procedure.h), whose result is the caller's own computation: it is taken over, also on
 * failure. Errors as report_of_run. */
enum rc report_of_procedure(struct logbook *lb, int64_t run_id, struct procedure *procedure, struct report **ret,
			    struct err *err) MUST_CHECK;

/* cal_points and cal_band by the record of a calibration; cal is set already. What does not fit in is left out. */
void report_take_cal_points(struct report *report, const json_t *record);

/* The verdicts anew, on the claims of that actuator (another data sheet's for the same run). */
void report_judge(struct report *report, const struct actuator_profile *claims);

#endif
