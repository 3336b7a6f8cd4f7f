/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The expressions of a model file, evaluated by muParser: one evaluator a thread. */
#include "command/model_file.h"

#include <ctype.h>
#include <muParserDLL.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct evaluator {
	const struct model_file *file;
	muParserHandle_t parser[MC_MAX_OUTPUTS + MODEL_MAX_LETS];
	double var[MC_MAX_INPUTS + MC_MAX_OUTPUTS + MODEL_MAX_LETS]; /* inputs, then steps, all in SI */
};

static void evaluator_close(void *handle)
{
	struct evaluator *e = handle;

	for (size_t j = 0; e && j < e->file->n_steps; j++)
		if (e->parser[j])
			mupRelease(e->parser[j]);
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
		const char *name = i < f->n_inputs ? f->input[i].name : f->step[i - f->n_inputs].name;
		mupDefineVar(p, name, &e->var[i]);
		if (mupError(p))
			return err_set(err, RC_ARG, 0, "%s cannot be a name: it is a function or constant of the expressions",
				       name);
	}
	mupSetExpr(p, f->step[j].expression);
	if (!mupError(p))
		e->var[f->n_inputs + j] = mupEval(p);
	return mupError(p) ? not_understood(&f->step[j], p, err) : RC_OK;
}

static struct evaluator *evaluator_open(const struct model_file *file, enum rc *rc, struct err *err)
{
	struct evaluator *e = calloc(1, sizeof *e);

	if (!e) {
		*rc = err_set(err, RC_NOMEM, 0, "out of memory");
		return NULL;
	}
	e->file = file;
	for (size_t i = 0; i < file->n_inputs; i++)
		e->var[i] = file->input[i].q.value;
	for (size_t j = 0; j < file->n_steps && !*rc; j++)
		*rc = prepare(e, j, err);
	if (*rc) {
		evaluator_close(e);
		e = NULL;
	}
	return e;
}

static void *open_for_thread(void *ctx)
{
	enum rc rc = RC_OK;

	return evaluator_open(ctx, &rc, NULL);
}

static int evaluate(void *handle, const double *const *x, double *const *y, size_t n)
{
	struct evaluator *e = handle;
	const struct model_file *f = e->file;

	for (size_t row = 0; row < n; row++) {
		for (size_t i = 0; i < f->n_inputs; i++)
			e->var[i] = x[i][row];
		for (size_t j = 0, shown = 0; j < f->n_steps; j++) {
			double si = mupEval(e->parser[j]);
			e->var[f->n_inputs + j] = si;
			if (!f->step[j].hidden)
				y[shown++][row] = si * f->step[j].factor + f->step[j].offset;
		}
	}
	for (size_t j = 0; j < f->n_steps; j++)
		if (mupError(e->parser[j]))
			return 1;
	return 0;
}

enum rc model_file_model(struct model_file *file, struct mc_model *ret, struct err *err)
{
	enum rc rc = RC_OK;

	evaluator_close(evaluator_open(file, &rc, err));
	if (rc)
		return rc;
	*ret = (struct mc_model){
		.n_inputs = file->n_inputs, .n_outputs = file->n_outputs, .inputs = file->drawn,
		.correlation = file->correlation, .eval = evaluate, .open = open_for_thread, .close = evaluator_close,
		.ctx = file,
	};
	return RC_OK;
}
