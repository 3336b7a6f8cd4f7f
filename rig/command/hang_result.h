/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A finished calibration as text and as JSON; the same for guided and hand-taken readings. */
#ifndef BRIDLE_COMMAND_HANG_RESULT_H
#define BRIDLE_COMMAND_HANG_RESULT_H

#include "calib/cell/cellcal.h"
#include "calib/cell/torquecal.h"
#include "terminal/cli.h"
#include "command/hang_gate.h"

struct hang_result {
	struct cellcal cal;
	struct torque_eval eval;          /* filled by hang_evaluate, as is the equation */
	struct cellcal_equation equation; /* degree 0: none */
	struct hang_gate gate;            /* filled by hang_gate_judge */
	size_t n;
	const struct cellcal_reading *readings; /* borrowed */
	const struct cellcal_point *points;     /* borrowed */
	const char *unit;          /* of the indication: "count", or what stands in a CSV's heading ("" = none) */
	int64_t run_id, record_id; /* 0 = not stored */
	bool dry_run;
	double ambient_degC, cell_degC; /* of the guided series; NaN unknown */
	double arm_m, gravity_m_per_s2; /* that the torques come from; 0 when a table gave torques */
};

/* "auto", "origin", "line", "quadratic", "cubic". RC_ARG for anything else. */
enum rc hang_model_parse(const char *text, enum cellcal_model *ret, struct err *err) MUST_CHECK;

/* Fit, allocate the points (*ret_points, malloc'ed). */
enum rc hang_fit(const struct cellcal_input *in, struct hang_result *ret, struct cellcal_point **ret_points,
		 struct err *err) MUST_CHECK;

/* Step by step in the shape of the guides, and the interpolation equation. RC_NOMEM. */
enum rc hang_evaluate(const struct cellcal_input *in, struct hang_result *r, struct err *err) MUST_CHECK;
json_t *hang_evaluation_json(const struct hang_result *r);

json_t *hang_points_json(const struct hang_result *r);
json_t *hang_result_json(const struct hang_result *r);
void hang_result_print(const struct hang_result *r);

#endif
