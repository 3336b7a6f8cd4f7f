/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A model of a measurement as people write it, for `bridle calc budget` and `calc montecarlo`:
 *
 *   [model]                  (may be left out)
 *   title = torque of a dead weight
 *   coverage = 95 %
 *   digits = 2               significant digits of the uncertainty that matter (JCGM 101, 7.9.2)
 *   [inputs]
 *   m = 5 kg ± 250 mg        quantities as everywhere, see calib/number/quantity.h
 *   L = 250.0 mm ± 0.2 mm
 *   [correlations]
 *   m, L = 0.3
 *   [let]                    steps on the way, in SI, not shown
 *   F = m * 9.81
 *   [outputs]
 *   T (N.m) = F * L          expressions by muParser; all inputs are in coherent SI units
 *
 * A step or an output may use those that stand before it. Without a unit an output is shown as the number it is, in SI.
 */
#ifndef BRIDLE_CALC_MODEL_FILE_H
#define BRIDLE_CALC_MODEL_FILE_H

#include "calib/number/err.h"
#include "calib/number/montecarlo.h"
#include "calib/number/quantity.h"

#define MODEL_NAME 40
#define MODEL_EXPRESSION 400
#define MODEL_MAX_LETS 64

struct model_input {
	char name[MODEL_NAME];
	char unit[64]; /* coherent SI */
	struct quantity q;
};

/* An output, or a step on the way to one. */
struct model_output {
	bool hidden; /* a step */
	char name[MODEL_NAME];
	char unit[64]; /* as written, "" when none */
	char expression[MODEL_EXPRESSION];
	double factor, offset; /* from SI to unit */
};

struct model_file {
	char title[200];
	double coverage;
	int digits;
	size_t n_inputs, n_outputs, n_steps;
	struct model_input input[MC_MAX_INPUTS];
	struct model_output output[MC_MAX_OUTPUTS];                /* the shown ones */
	struct model_output step[MC_MAX_OUTPUTS + MODEL_MAX_LETS]; /* all expressions as they stand in the file */
	struct mc_input drawn[MC_MAX_INPUTS];                      /* the inputs as montecarlo.h wants them */
	double *correlation; /* n_inputs x n_inputs, NULL when all are independent */
};

/* ret is given to the caller (model_file_free), also after a failure. RC_ARG with file, line and what was expected. */
enum rc model_file_read(const char *path, struct model_file **ret, struct err *err) MUST_CHECK;
void model_file_free(struct model_file *file); /* NULL is fine */

/* The model for montecarlo.h; it borrows file. Every expression is tried once: RC_ARG when one is not understood. */
enum rc model_file_model(struct model_file *file, struct mc_model *ret, struct err *err) MUST_CHECK;

#endif
