/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The expressions of a model file, one evaluator a thread. muParser reads them and decides what they mean; where
 * calc/expression.h knows an expression too and gives the same numbers at the estimates and around them, it does the
 * work, column by column. */
#include "calc/dimension.h"
#include "calc/expression.h"
#include "calc/model_file.h"

#include "calib/number/mc_rng.h"

#include <ctype.h>
#include <math.h>
#include <muParserDLL.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#define MODEL_STEPS (MC_MAX_OUTPUTS + MODEL_MAX_LETS)
#define MODEL_NAMES (MC_MAX_INPUTS + MODEL_STEPS)
#define TRIAL_POINTS 16

struct evaluator {
	const struct model_file *file;
	muParserHandle_t parser[MODEL_STEPS];
	struct expression *fast[MODEL_STEPS]; /* NULL: muParser does it */
	const char *name[MODEL_NAMES];        /* inputs, then steps */
	double var[MODEL_NAMES];              /* muParser's variables, in SI */
	double si[MODEL_STEPS][EXPRESSION_BLOCK];
};

static void evaluator_close(void *handle)
{
	struct evaluator *e = handle;

	for (size_t j = 0; e && j < e->file->n_steps; j++) {
		if (e->parser[j])
			mupRelease(e->parser[j]);
		expression_free(e->fast[j]);
	}
	free(e);
}

/* The parser's own sentence, without its capital and point. */
static enum rc not_understood(const struct model_output *out, muParserHandle_t parser, struct err *err)
{
	char text[200];

	snprintf(text, sizeof text, "%s", mupGetErrorMsg(parser));
	text[0] = (char)tolower((unsigned char)text[0]);
	if (*text && text[strlen(text) - 1] == '.')
		text[strlen(text) - 1] = '\0';
	return err_set(err, RC_ARG, 0, "the expression of %s is not understood: %s", out->name, text);
}

static enum rc prepare(struct evaluator *e, size_t j, struct err *err)
{
	const struct model_file *f = e->file;
	muParserHandle_t p = mupCreate(muBASETYPE_FLOAT);

	e->parser[j] = p;
	if (!p)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	mupDefineConst(p, "pi", 3.14159265358979323846);
	for (size_t i = 0; i < f->n_inputs + j; i++) {
		mupDefineVar(p, e->name[i], &e->var[i]);
		if (mupError(p))
			return err_set(err, RC_ARG, 0,
				       "%s cannot be a name: it is a function or constant of the expressions",
				       e->name[i]);
	}
	mupSetExpr(p, f->step[j].expression);
	if (!mupError(p))
		e->var[f->n_inputs + j] = mupEval(p);
	return mupError(p) ? not_understood(&f->step[j], p, err) : RC_OK;
}

/* A different reading of the text would show in the first digits; rounding in the last ones. */
static bool alike(double a, double b)
{
	if (!isfinite(a) || !isfinite(b))
		return !isfinite(a) && !isfinite(b);
	return fabs(a - b) <= 1e-6 * (fabs(a) + fabs(b));
}

/* Both evaluators at one point, which is the present e->var. */
static void compare_here(struct evaluator *e)
{
	const double *column[MODEL_NAMES];
	const struct model_file *f = e->file;

	for (size_t i = 0; i < f->n_inputs + f->n_steps; i++)
		column[i] = &e->var[i];
	for (size_t j = 0; j < f->n_steps; j++) {
		double fast = NAN, judge = mupEval(e->parser[j]);
		if (e->fast[j])
			expression_run(e->fast[j], column, &fast, 1);
		if (e->fast[j] && !alike(fast, judge)) {
			expression_free(e->fast[j]);
			e->fast[j] = NULL;
		}
		e->var[f->n_inputs + j] = judge;
	}
}

/* The estimates first, then points well around them: three u, or half the value where u tells nothing. */
static void find_fast_ones(struct evaluator *e)
{
	const struct model_file *f = e->file;
	struct mc_rng rng;

	mc_rng_seed(&rng, 1, 0);
	for (size_t j = 0; j < f->n_steps; j++)
		e->fast[j] = expression_new(f->step[j].expression, e->name, f->n_inputs + j);
	for (int point = 0; point < TRIAL_POINTS; point++) {
		for (size_t i = 0; i < f->n_inputs; i++) {
			const struct quantity *q = &f->input[i].q;
			double reach = fmax(3.0 * q->u, point % 2 ? 0.5 * fabs(q->value) : 0);
			e->var[i] = q->value + (point ? reach * (2.0 * mc_uniform(&rng) - 1.0) : 0);
		}
		compare_here(e);
	}
}

static struct evaluator *evaluator_open(const struct model_file *file, enum rc *rc, struct err *err)
{
	struct evaluator *e = calloc(1, sizeof *e);

	if (!e) {
		*rc = err_set(err, RC_NOMEM, 0, "out of memory");
		return NULL;
	}
	e->file = file;
	for (size_t i = 0; i < file->n_inputs; i++) {
		e->name[i] = file->input[i].name;
		e->var[i] = file->input[i].q.value;
	}
	for (size_t j = 0; j < file->n_steps; j++)
		e->name[file->n_inputs + j] = file->step[j].name;
	for (size_t j = 0; j < file->n_steps && !*rc; j++)
		*rc = prepare(e, j, err);
	if (*rc) {
		evaluator_close(e);
		return NULL;
	}
	find_fast_ones(e);
	return e;
}

static void *open_for_thread(void *ctx)
{
	enum rc rc = RC_OK;

	return evaluator_open(ctx, &rc, NULL);
}

static void run_parser(struct evaluator *e, size_t j, const double *const *column, size_t n)
{
	size_t names = e->file->n_inputs + j;

	for (size_t row = 0; row < n; row++) {
		for (size_t i = 0; i < names; i++)
			e->var[i] = column[i][row];
		e->si[j][row] = mupEval(e->parser[j]);
	}
}

static void run_block(struct evaluator *e, const double *const *x, double *const *y, size_t at, size_t n)
{
	const struct model_file *f = e->file;
	const double *column[MODEL_NAMES];

	for (size_t i = 0; i < f->n_inputs; i++)
		column[i] = x[i] + at;
	for (size_t j = 0, shown = 0; j < f->n_steps; j++) {
		const struct model_output *step = &f->step[j];
		if (e->fast[j])
			expression_run(e->fast[j], column, e->si[j], n);
		else
			run_parser(e, j, column, n);
		column[f->n_inputs + j] = e->si[j];
		if (step->hidden)
			continue;
		double *out = y[shown++] + at;
		for (size_t row = 0; row < n; row++)
			out[row] = e->si[j][row] * step->factor + step->offset;
	}
}

static int evaluate(void *handle, const double *const *x, double *const *y, size_t n)
{
	struct evaluator *e = handle;

	for (size_t at = 0; at < n; at += EXPRESSION_BLOCK)
		run_block(e, x, y, at, n - at < EXPRESSION_BLOCK ? n - at : EXPRESSION_BLOCK);
	for (size_t j = 0; j < e->file->n_steps; j++)
		if (mupError(e->parser[j]))
			return 1;
	return 0;
}

/* muParser adds metres to kilograms without a word. */
static enum rc check_kinds(const struct model_file *f, struct err *err)
{
	const char *name[MODEL_NAMES];
	struct dimension dim[MODEL_NAMES];
	char si[64], is[60], wanted[60];

	for (size_t i = 0; i < f->n_inputs; i++) {
		name[i] = f->input[i].name;
		dim[i] = dimension_of_unit(f->input[i].unit);
	}
	for (size_t j = 0; j < f->n_steps; j++) {
		const struct model_output *step = &f->step[j];
		size_t at = f->n_inputs + j;
		name[at] = step->name;
		enum rc rc = dimension_of_expression(step->expression, name, dim, at, &dim[at], err);
		if (rc) {
			err_prefix(err, "the expression of %s ", step->name);
			return rc;
		}
		if (!*step->unit || quantity_si_unit(step->unit, si, sizeof si, NULL))
			continue;
		struct dimension want = dimension_of_unit(si);
		dimension_text(dim[at], is, sizeof is);
		dimension_text(want, wanted, sizeof wanted);
		if (!dimension_same(dim[at], want))
			return err_set(
				err, RC_ARG, 0,
				"the expression of %s is in %s, expected %s for %s; a number with a unit belongs among "
				"the inputs",
				step->name, is, wanted, step->unit);
	}
	return RC_OK;
}

enum rc model_file_model(struct model_file *file, struct mc_model *ret, struct err *err)
{
	enum rc rc = RC_OK;

	evaluator_close(evaluator_open(file, &rc, err));
	if (!rc)
		rc = check_kinds(file, err);
	if (rc)
		return rc;
	*ret = (struct mc_model){
		.n_inputs = file->n_inputs,
		.n_outputs = file->n_outputs,
		.inputs = file->drawn,
		.correlation = file->correlation,
		.eval = evaluate,
		.open = open_for_thread,
		.close = evaluator_close,
		.ctx = file,
	};
	return RC_OK;
}
