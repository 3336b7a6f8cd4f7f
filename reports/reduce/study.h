/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A repeatability study: the same plan again and again by groups (mountings of the actuator or the cell, operators),
 * at each torque that all runs measured. Analysis by calib/fit/precision.h; a value at a torque is that of the chord
 * between the neighbouring points, as runs are compared (compare.h). Pure but for study_read.
 *
 * By pair each operator ran the plan in each mounting: the groups are the pairs, and what operators, mountings and both
 * together do is told apart (calib/fit/crossed.h).
 *
 * A study that is kept as a record may serve as a source: rig.ini names it ([rig] study), and what the groups' means
 * differ by is part of each later point's speed, input power and efficiency (study_apply). */
#ifndef BRIDLE_REPORTS_REDUCE_STUDY_H
#define BRIDLE_REPORTS_REDUCE_STUDY_H

#include "calib/fit/crossed.h"
#include "calib/fit/precision.h"
#include "reports/reduce/compare.h"

#define STUDY_RUNS 24
#define STUDY_LEVELS 400
#define STUDY_NAME 64
#define STUDY_RECORD "study" /* kind of the record */

struct study_run {
	const struct report *report; /* borrowed */
	size_t group;
	size_t who, mounting; /* by pair: numbers of operator_name and mounting_name */
};

struct study_level {
	enum compare_quantity quantity;
	int direction; /* +1 loading, -1 unloading */
	double commanded_rpm, torque_Nm;
	double y[STUDY_RUNS]; /* by run */
	struct precision precision;
	struct crossed crossed; /* a operators, b mountings; a 0: not by pair */
};

struct study {
	char by[12]; /* "mounting", "operator", "pair" */
	size_t n_runs, n_groups, n_levels;
	struct study_run run[STUDY_RUNS];
	char group[PRECISION_CELLS][STUDY_NAME];
	size_t n_operators, n_mountings; /* 0: not by pair */
	char operator_name[STUDY_RUNS][STUDY_NAME], mounting_name[STUDY_RUNS][STUDY_NAME];
	double confidence;
	bool cut; /* there were more levels */
	struct study_level level[STUDY_LEVELS];
};

/* by, runs, groups (by pair operators and mountings too) and confidence are set; fills the levels. The torques are
 * those of the first run; an outermost one is moved inside what all runs measured, by a quarter of a step at most, else
 * it is left out.
 * RC_ARG: runs of several actuators or rigs, of virtual and real ones, of which two hold the same points (a resumed
 * sweep has those of the run that it continues), no torque in common, too few runs of a group for an analysis, or, by
 * pair, other than as many runs of each pair, two at least. */
enum rc study_of(struct study *s, struct err *err) MUST_CHECK;

/* Words of a mark: "", "straggler", "outlier". */
const char *study_mark(enum precision_mark mark);

/* The record, and the document of the command. {"actuator", "plan", "by", "confidence", "runs", "levels"}. Given to
 * the caller. */
json_t *study_to_json(const struct study *s);

/* --- as a source of later points --- */
struct study_source {
	int64_t record_id;
	char actuator[PROFILE_WORD], serial[PROFILE_WORD], rig[PROFILE_WORD], by[12];
	bool on_bench;
	size_t groups, n;
	double dof; /* the least of the levels */
	struct study_spread {
		enum compare_quantity quantity;
		int direction;
		double commanded_rpm, torque_Nm;
		double frac; /* standard deviation of a later group's mean, over the mean */
	} spread[STUDY_LEVELS];
};

/* The one that rig.ini names. RC_ARG: no such record, it is none of a study, or one of another actuator (name or serial
 * number), another rig, or a virtual bench for a real run or the other way round; RC_DB. ret: written whole on success.
 */
enum rc study_read(struct logbook *lb, const struct rig_profile *rig, const struct actuator_profile *actuator,
		   bool on_bench, struct study_source *ret, struct err *err) MUST_CHECK;

/* What a study gives to the points of one context: one source for speed, one for input power and one for efficiency,
 * common to all points. */
#define STUDY_SOURCES 3
struct study_sources {
	const struct study_source *study; /* borrowed */
	uint32_t source[STUDY_SOURCES];
};
struct study_sources study_register(const struct study_source *study, struct unc_ctx *ctx);
/* To speed, input power and efficiency of a point, where the study has its way of turning and speed: by the line
 * between the neighbouring torques, beyond them as at the outermost. What the calibration's mounting of the cell
 * already gives is not counted twice where the study is one of mountings: only the rest is added. Returns how many
 * quantities got something. */
int study_apply(const struct study_sources *s, struct unc_ctx *ctx, struct curve_point *p);

#endif
