/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calc/model_file.h"

#include "calib/number/number.h"
#include "profile/textfile.h"

#include <ctype.h>
#include <ini.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

struct reader {
	const char *path, *at;
	int line;
	struct model_file *file;
	struct err *err;
	enum rc rc;
};

static int refuse(struct reader *r, enum rc rc)
{
	if (r->rc == RC_OK) {
		r->rc = rc;
		err_prefix(r->err, "%s:%d: ", r->path, r->line);
	}
	return 0;
}

static bool good_name(const char *name)
{
	if (!isalpha((unsigned char)*name) || strlen(name) >= MODEL_NAME)
		return false;
	for (; *name; name++)
		if (!isalnum((unsigned char)*name) && *name != '_')
			return false;
	return true;
}

static int find_input(const struct model_file *f, const char *name)
{
	for (size_t i = 0; i < f->n_inputs; i++)
		if (strcmp(f->input[i].name, name) == 0)
			return (int)i;
	return -1;
}

static bool is_taken(const struct model_file *f, const char *name)
{
	for (size_t j = 0; j < f->n_steps; j++)
		if (strcmp(f->step[j].name, name) == 0)
			return true;
	return find_input(f, name) >= 0;
}

static enum rc check_name(const struct model_file *f, const char *name, struct err *err)
{
	if (!good_name(name))
		return err_set(err, RC_ARG, 0,
			       "\"%.60s\" cannot be a name; expected letters, digits and _, a letter first, "
			       "at most %d",
			       name, MODEL_NAME - 1);
	if (is_taken(f, name))
		return err_set(err, RC_ARG, 0, "the name %s is given twice", name);
	return RC_OK;
}

static enum rc take_model(struct model_file *f, const char *key, const char *value, struct err *err)
{
	struct quantity q;
	enum rc rc = RC_OK;

	if (strcmp(key, "title") == 0) {
		snprintf(f->title, sizeof f->title, "%s", value);
	} else if (strcmp(key, "coverage") == 0) {
		rc = quantity_parse(value, "1", &q, err);
		if (!rc && !(q.value > 0 && q.value < 1))
			rc = err_set(err, RC_ARG, 0, "the coverage \"%s\" must lie between 0 and 1 (0.95 or 95 %%)",
				     value);
		f->coverage = rc ? f->coverage : q.value;
	} else if (strcmp(key, "digits") == 0) {
		f->digits = atoi(value);
		if (f->digits < 1 || f->digits > 4)
			rc = err_set(err, RC_ARG, 0, "digits is \"%s\"; expected 1 to 4", value);
	} else {
		rc = err_set(err, RC_ARG, 0, "[model] %s is not known; expected title, coverage or digits", key);
	}
	return rc;
}

static enum rc take_input(struct model_file *f, const char *key, const char *value, struct err *err)
{
	enum rc rc = check_name(f, key, err);

	if (!rc && f->n_inputs == MC_MAX_INPUTS)
		rc = err_set(err, RC_ARG, 0, "more than %d inputs", MC_MAX_INPUTS);
	if (rc)
		return rc;
	struct model_input *in = &f->input[f->n_inputs];
	rc = quantity_parse_si(value, &in->q, in->unit, sizeof in->unit, err);
	if (rc) {
		err_prefix(err, "[inputs] %s: ", key);
		return rc;
	}
	snprintf(in->name, sizeof in->name, "%s", key);
	f->drawn[f->n_inputs++] = (struct mc_input){
		.value = in->q.value, .u = in->q.u, .dof = in->q.dof, .beta = in->q.beta, .dist = in->q.dist
	};
	return RC_OK;
}

static enum rc correlation_room(struct model_file *f, struct err *err)
{
	if (f->correlation)
		return RC_OK;
	f->correlation = calloc((size_t)MC_MAX_INPUTS * MC_MAX_INPUTS, sizeof *f->correlation);
	return f->correlation ? RC_OK : err_set(err, RC_NOMEM, 0, "out of memory");
}

/* "a, b = 0.3". Kept with the widest stride until the number of inputs is known. */
static enum rc take_correlation(struct model_file *f, const char *key, const char *value, struct err *err)
{
	char a[MODEL_NAME], b[MODEL_NAME];
	double r;

	if (sscanf(key, "%39[A-Za-z0-9_] , %39[A-Za-z0-9_]", a, b) != 2)
		return err_set(err, RC_ARG, 0,
			       "[correlations] \"%.60s\" is not understood; expected two inputs as in "
			       "a, b = 0.3",
			       key);
	int i = find_input(f, a), j = find_input(f, b);
	if (i < 0 || j < 0)
		return err_set(err, RC_ARG, 0, "[correlations] %s is not an input; [inputs] must stand before",
			       i < 0 ? a : b);
	if (i == j)
		return err_set(err, RC_ARG, 0, "[correlations] %s is named twice in a line", a);
	enum rc rc = number_parse(value, &r, err);
	if (!rc && !(fabs(r) <= 1))
		rc = err_set(err, RC_ARG, 0, "a correlation of %g is not possible; expected -1 to 1", r);
	if (!rc)
		rc = correlation_room(f, err);
	if (!rc) {
		f->correlation[i * MC_MAX_INPUTS + j] = r;
		f->correlation[j * MC_MAX_INPUTS + i] = r;
	}
	return rc;
}

static enum rc output_unit(struct model_output *out, struct err *err)
{
	char si[64];

	out->factor = 1;
	out->offset = 0;
	if (!*out->unit)
		return RC_OK;
	enum rc rc = quantity_si_unit(out->unit, si, sizeof si, err);
	return rc ? rc : quantity_convert(si, out->unit, &out->factor, &out->offset, err);
}

/* muParser takes "a = b" for an assignment, which would change an input in the middle of a run. */
static bool assigns(const char *expression)
{
	for (const char *s = strchr(expression, '='); s; s = strchr(s + 1, '=')) {
		if (s[1] == '=') {
			s++;
			continue;
		}
		if (s == expression || !strchr("<>!", s[-1]))
			return true;
	}
	return false;
}

static enum rc take_expression(struct model_file *f, const char *key, const char *value, bool hidden, struct err *err)
{
	struct model_output out = { .hidden = hidden };
	enum rc rc = quantity_heading(key, out.name, sizeof out.name, out.unit, sizeof out.unit, err);

	if (!rc)
		rc = check_name(f, out.name, err);
	if (!rc && !hidden && f->n_outputs == MC_MAX_OUTPUTS)
		rc = err_set(err, RC_ARG, 0, "more than %d outputs", MC_MAX_OUTPUTS);
	if (!rc && hidden && f->n_steps - f->n_outputs == MODEL_MAX_LETS)
		rc = err_set(err, RC_ARG, 0, "more than %d steps in [let]", MODEL_MAX_LETS);
	if (!rc && hidden && *out.unit)
		rc = err_set(err, RC_ARG, 0, "[let] %s: a step is in coherent SI units and takes no unit", out.name);
	if (!rc && (!*value || strlen(value) >= sizeof out.expression))
		rc = err_set(err, RC_ARG, 0, "the expression of %s is %s", out.name, *value ? "too long" : "missing");
	if (!rc && assigns(value))
		rc = err_set(err, RC_ARG, 0, "the expression of %s has a single = in it; compare by ==", out.name);
	if (!rc)
		rc = output_unit(&out, err);
	if (rc)
		return rc;
	snprintf(out.expression, sizeof out.expression, "%s", value);
	f->step[f->n_steps++] = out;
	if (!hidden)
		f->output[f->n_outputs++] = out;
	return RC_OK;
}

static enum rc take_output(struct model_file *f, const char *key, const char *value, struct err *err)
{
	return take_expression(f, key, value, false, err);
}

static enum rc take_let(struct model_file *f, const char *key, const char *value, struct err *err)
{
	return take_expression(f, key, value, true, err);
}

static int take_pair(void *user, const char *section, const char *key, const char *value)
{
	static const struct {
		const char *section;
		enum rc (*take)(struct model_file *f, const char *key, const char *value, struct err *err);
	} sections[] = {
		{ "model", take_model }, { "inputs", take_input },   { "correlations", take_correlation },
		{ "let", take_let },     { "outputs", take_output },
	};
	struct reader *r = user;

	if (r->rc)
		return 0;
	for (size_t i = 0; i < sizeof sections / sizeof sections[0]; i++) {
		if (strcmp(section, sections[i].section) == 0) {
			enum rc rc = sections[i].take(r->file, key, value, r->err);
			return rc ? refuse(r, rc) : 1;
		}
	}
	return refuse(r, err_set(r->err, RC_ARG, 0,
				 "the section [%.40s] is not known; expected [model], [inputs], "
				 "[correlations], [let] or [outputs]",
				 section));
}

/* One line at a time, so that a mistake knows its line. */
static char *give_line(char *str, int num, void *stream)
{
	struct reader *r = stream;
	size_t n = strcspn(r->at, "\n"), skip = strspn(r->at, " \t");

	if (!*r->at || r->rc)
		return NULL;
	r->line++;
	/* A leading blank would make inih take the line for the continuation of the one before. */
	skip = skip < n ? skip : n;
	if (n - skip + 2 > (size_t)num) {
		refuse(r, err_set(r->err, RC_ARG, 0,
				  "the line is longer than %d bytes; split the expression into two outputs", num - 2));
		return NULL;
	}
	snprintf(str, (size_t)num, "%.*s\n", (int)(n - skip), r->at + skip);
	r->at += n + (r->at[n] == '\n');
	return str;
}

/* From the widest stride to that of the inputs there are. */
static void pack_correlation(struct model_file *f)
{
	for (size_t i = 0; f->correlation && i < f->n_inputs; i++)
		for (size_t j = 0; j < f->n_inputs; j++)
			f->correlation[i * f->n_inputs + j] = i == j ? 1.0 : f->correlation[i * MC_MAX_INPUTS + j];
}

static enum rc parse(struct reader *r, const char *text)
{
	r->at = strncmp(text, "\xEF\xBB\xBF", 3) == 0 ? text + 3 : text;
	int status = ini_parse_stream(give_line, r, take_pair, r);
	if (r->rc)
		return r->rc;
	if (status < 0)
		return err_set(r->err, RC_NOMEM, 0, "out of memory");
	if (status > 0)
		return err_set(r->err, RC_ARG, 0, "%s:%d: expected a line such as \"key = value\" or \"[section]\"",
			       r->path, status);
	if (r->file->n_inputs == 0)
		return err_set(r->err, RC_ARG, 0, "%s: there is no input; write them below [inputs]", r->path);
	if (r->file->n_outputs == 0)
		return err_set(r->err, RC_ARG, 0, "%s: there is no output; write expressions below [outputs]", r->path);
	pack_correlation(r->file);
	return RC_OK;
}

enum rc model_file_read(const char *path, struct model_file **ret, struct err *err)
{
	char *text = NULL;
	struct err own;
	struct model_file *file = calloc(1, sizeof *file);

	*ret = file;
	if (!file)
		return err_set(err, RC_NOMEM, 0, "out of memory");
	file->coverage = 0.95;
	file->digits = 2;
	enum rc rc = textfile_read(path, TEXTFILE_MAX, &text, err);
	struct reader r = { .path = path, .file = file, .err = err ? err : &own };
	if (!rc)
		rc = parse(&r, text);
	free(text);
	return rc;
}

void model_file_free(struct model_file *file)
{
	if (file)
		free(file->correlation);
	free(file);
}
