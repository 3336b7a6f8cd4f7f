/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Everything that a page says, gathered: the curve, where it came from, what it
 * rests on, the claims, the fits, the trace. Then the writers: figures (gnuplot),
 * one self-contained HTML page, CSV and JSON, all into one folder. */
#ifndef BRIDLE_REPORTS_REDUCE_REPORT_H
#define BRIDLE_REPORTS_REDUCE_REPORT_H

#include "calib/brake/brakemap.h"
#include "calib/cell/cellcal.h"
#include "reports/reduce/curve.h"
#include "reports/reduce/fits_dc.h"
#include "reports/reduce/trace.h"
#include "reports/reduce/verdict.h"

#define REPORT_CAL_POINTS 400

struct cal_point { double torque_Nm, residual_Nm; bool down, outlier; int series; };

struct report {
	struct curve *curve;      /* owned */
	bool by_hand;
	int budget_step;          /* 0-based step whose loading point the budget is of; -1: the main point */
	char subject[128];        /* the actuator's name, or the file of readings */
	char source[300];         /* "run 12 of the bench ..., 2026-...", or "readings.csv, taken by hand" */
	struct fits_dc fits;
	struct claim_check claims[CLAIMS_MAX];
	size_t n_claims;
	double confidence;        /* of the claims */
	double claims_V;          /* at which they hold */
	/* Of a run only (by_hand false): */
	struct rig_profile rig;
	struct actuator_profile actuator;
	struct plan_profile plan;
	struct run_info run;
	struct cellcal cal;
	int64_t cal_wall_ns;
	struct cal_point cal_points[REPORT_CAL_POINTS];
	size_t n_cal_points;
	bool has_map;
	struct brakemap map;
	int64_t map_wall_ns;
	struct trace trace;
	char ready[400];          /* what the last readiness check before the run said; "" none */
	/* Of hand-taken readings: */
	char hand_method[400];    /* how torque was obtained, with its figures */
	bool hand_unstated;       /* some readings came without an uncertainty */
	bool ac;                  /* the direct-current relations do not apply */
};
void report_free(struct report *report); /* NULL is fine */

/* Of a sweep in the logbook. *ret given to the caller. Errors as curve_from_run. */
enum rc report_of_run(struct logbook *lb, int64_t run_id, struct report **ret, struct err *err) MUST_CHECK;

/* The verdicts anew, on the claims of that actuator (another data sheet's for the same run). */
void report_judge(struct report *report, const struct actuator_profile *claims);

/* curve_to_json with claims, fits, calibration and run beside it. Given to the caller. */
json_t *report_to_json(const struct report *report);

/* The result in one line and what limited it, for page, terminal and JSON. */
void report_headline(const struct report *report, char *buf, size_t size);
void report_certainty(const struct report *report, char *buf, size_t size);
void report_limits(const struct report *report, char *buf, size_t size);

/* Which point stands for the curve: the loading point of most shaft power that means something. NULL when none. */
const struct curve_point *report_main_point(const struct curve *curve);

/* The point of the budget: that of budget_step, else the main point. */
const struct curve_point *report_budget_point(const struct report *report);

/* --- writers: dir exists --- */
#define FIGURES_MAX 10
struct figures {
	size_t n;
	struct figure { char name[32]; char title[96]; char caption[400]; } figure[FIGURES_MAX];
};

/* points.csv (and calibration.csv, brake-map.csv, trace.csv where they apply). */
enum rc files_write_tables(const struct report *report, const char *dir, struct err *err) MUST_CHECK;
enum rc files_write_json(const struct report *report, const char *dir, struct err *err) MUST_CHECK;
/* mkdir -p. */
enum rc files_make_dir(const char *dir, struct err *err) MUST_CHECK;

/* figures.gp into dir; run gnuplot there (unless draw is false): NAME.svg and NAME.png. RC_IO when gnuplot fails. */
enum rc figures_write(const struct report *report, const char *dir, bool draw, struct figures *ret,
		      struct err *err) MUST_CHECK;

/* report.html into dir; figures NULL or empty: a page without. SVG files are taken in from dir. */
enum rc page_write(const struct report *report, const char *dir, const struct figures *figures,
		   struct err *err) MUST_CHECK;

/* All of the above in order. */
enum rc report_write(const struct report *report, const char *dir, bool with_figures, struct err *err) MUST_CHECK;

#endif
