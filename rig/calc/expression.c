/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calc/expression.h"

#include "calib/number/number.h"

#include <ctype.h>
#include <math.h>
#include <stdbool.h>
#include <stdlib.h>
#include <string.h>

#define STEPS 200
#define TEMPS 40
#define CONSTANTS 60
#define DEPTH 60

enum operation { OP_ADD, OP_SUB, OP_MUL, OP_DIV, OP_POW, OP_NEG, OP_CALL };

enum place_kind { PLACE_NAME, PLACE_TEMP, PLACE_CONSTANT };
struct place {
	enum place_kind kind;
	size_t at;
};

struct step {
	enum operation op;
	struct place a, b;
	size_t temp; /* where the result goes */
	double (*call)(double);
};

struct expression {
	struct step step[STEPS];
	size_t n_steps, n_constants;
	struct place result;
	double value[CONSTANTS];
	double constant[CONSTANTS][EXPRESSION_BLOCK];
	double temp[TEMPS][EXPRESSION_BLOCK];
};

struct compiler {
	struct expression *e;
	const char *s;
	const char *const *names;
	size_t n_names, temps, depth;
	bool failed;
};

static const struct {
	const char *name;
	double (*call)(double);
} functions[] = {
	{ "sin", sin },   { "cos", cos },     { "tan", tan },   { "asin", asin }, { "acos", acos },
	{ "atan", atan }, { "sinh", sinh },   { "cosh", cosh }, { "tanh", tanh }, { "exp", exp },
	{ "ln", log },    { "log10", log10 }, { "sqrt", sqrt }, { "abs", fabs },
};

static struct place sum(struct compiler *c);
static struct place unary(struct compiler *c);

static struct place fail(struct compiler *c)
{
	c->failed = true;
	return (struct place){ PLACE_CONSTANT, 0 };
}

static void blanks(struct compiler *c)
{
	while (*c->s == ' ' || *c->s == '\t')
		c->s++;
}

static bool take(struct compiler *c, char what)
{
	blanks(c);
	if (*c->s != what)
		return false;
	c->s++;
	return true;
}

static struct place constant(struct compiler *c, double value)
{
	struct expression *e = c->e;

	if (e->n_constants == CONSTANTS)
		return fail(c);
	e->value[e->n_constants] = value;
	for (size_t i = 0; i < EXPRESSION_BLOCK; i++)
		e->constant[e->n_constants][i] = value;
	return (struct place){ PLACE_CONSTANT, e->n_constants++ };
}

/* Temporaries are a stack: the operands' are free again once the result is there. */
static struct place emit(struct compiler *c, enum operation op, struct place a, struct place b, double (*call)(double))
{
	struct expression *e = c->e;
	size_t temp = a.kind == PLACE_TEMP ? a.at : b.kind == PLACE_TEMP ? b.at : c->temps;

	if (c->failed || e->n_steps == STEPS || temp >= TEMPS)
		return fail(c);
	c->temps = temp + 1;
	e->step[e->n_steps++] = (struct step){ op, a, b, temp, call };
	return (struct place){ PLACE_TEMP, temp };
}

static double folded(enum operation op, double a, double b)
{
	switch (op) {
	case OP_ADD: return a + b;
	case OP_SUB: return a - b;
	case OP_MUL: return a * b;
	case OP_DIV: return a / b;
	case OP_POW: return pow(a, b);
	case OP_NEG: return -a;
	case OP_CALL: return NAN;
	}
	return NAN;
}

static struct place binary(struct compiler *c, enum operation op, struct place a, struct place b)
{
	if (c->failed)
		return fail(c);
	if (a.kind == PLACE_CONSTANT && b.kind == PLACE_CONSTANT)
		return constant(c, folded(op, c->e->value[a.at], c->e->value[b.at]));
	/* A square is by far the usual power. */
	if (op == OP_POW && b.kind == PLACE_CONSTANT && fabs(c->e->value[b.at] - 2.0) <= 0)
		return emit(c, OP_MUL, a, a, NULL);
	return emit(c, op, a, b, NULL);
}

static struct place number(struct compiler *c)
{
	struct number n;

	if (number_scan(c->s, &n, NULL))
		return fail(c);
	c->s = n.end;
	return constant(c, n.value);
}

static struct place call(struct compiler *c, const char *name, size_t length)
{
	for (size_t i = 0; i < sizeof functions / sizeof functions[0]; i++) {
		if (strlen(functions[i].name) != length || memcmp(functions[i].name, name, length) != 0)
			continue;
		struct place a = sum(c);
		if (!take(c, ')'))
			return fail(c);
		if (!c->failed && a.kind == PLACE_CONSTANT)
			return constant(c, functions[i].call(c->e->value[a.at]));
		return emit(c, OP_CALL, a, a, functions[i].call);
	}
	return fail(c);
}

static struct place name(struct compiler *c)
{
	const char *start = c->s;

	while (isalnum((unsigned char)*c->s) || *c->s == '_')
		c->s++;
	size_t length = (size_t)(c->s - start);
	if (take(c, '('))
		return call(c, start, length);
	for (size_t i = 0; i < c->n_names; i++)
		if (strlen(c->names[i]) == length && memcmp(c->names[i], start, length) == 0)
			return (struct place){ PLACE_NAME, i };
	if ((length == 2 && memcmp(start, "pi", 2) == 0) || (length == 3 && memcmp(start, "_pi", 3) == 0))
		return constant(c, 3.14159265358979323846);
	return fail(c);
}

static struct place primary(struct compiler *c)
{
	if (take(c, '(')) {
		struct place inside = sum(c);
		return take(c, ')') ? inside : fail(c);
	}
	if (isdigit((unsigned char)*c->s) || *c->s == '.')
		return number(c);
	return name(c);
}

/* Binds tighter than a sign in front of it and takes a sign behind it; from the right: a^b^c = a^(b^c). */
static struct place power(struct compiler *c)
{
	struct place a = primary(c);

	if (!c->failed && take(c, '^'))
		a = binary(c, OP_POW, a, unary(c));
	return a;
}

static struct place unary(struct compiler *c)
{
	struct place a;

	if (++c->depth > DEPTH)
		return fail(c);
	if (take(c, '-')) {
		a = unary(c);
		if (!c->failed)
			a = a.kind == PLACE_CONSTANT ? constant(c, -c->e->value[a.at]) : emit(c, OP_NEG, a, a, NULL);
	} else {
		a = power(c);
	}
	c->depth--;
	return a;
}

static struct place product(struct compiler *c)
{
	struct place a = unary(c);

	while (!c->failed) {
		if (take(c, '*'))
			a = binary(c, OP_MUL, a, unary(c));
		else if (take(c, '/'))
			a = binary(c, OP_DIV, a, unary(c));
		else
			break;
	}
	return a;
}

static struct place sum(struct compiler *c)
{
	struct place a = product(c);

	while (!c->failed) {
		if (take(c, '+'))
			a = binary(c, OP_ADD, a, product(c));
		else if (take(c, '-'))
			a = binary(c, OP_SUB, a, product(c));
		else
			break;
	}
	return a;
}

struct expression *expression_new(const char *text, const char *const *names, size_t n_names)
{
	struct expression *e = calloc(1, sizeof *e);
	struct compiler c = { .e = e, .s = text, .names = names, .n_names = n_names };

	if (!e)
		return NULL;
	e->result = sum(&c);
	blanks(&c);
	if (c.failed || *c.s) {
		free(e);
		return NULL;
	}
	return e;
}

void expression_free(struct expression *e)
{
	free(e);
}

static const double *column_of(const struct expression *e, struct place p, const double *const *columns)
{
	switch (p.kind) {
	case PLACE_NAME: return columns[p.at];
	case PLACE_TEMP: return e->temp[p.at];
	case PLACE_CONSTANT: return e->constant[p.at];
	}
	return NULL;
}

static void run_step(const struct step *s, const double *a, const double *b, double *out, size_t n)
{
	switch (s->op) {
	case OP_ADD:
		for (size_t i = 0; i < n; i++)
			out[i] = a[i] + b[i];
		return;
	case OP_SUB:
		for (size_t i = 0; i < n; i++)
			out[i] = a[i] - b[i];
		return;
	case OP_MUL:
		for (size_t i = 0; i < n; i++)
			out[i] = a[i] * b[i];
		return;
	case OP_DIV:
		for (size_t i = 0; i < n; i++)
			out[i] = a[i] / b[i];
		return;
	case OP_POW:
		for (size_t i = 0; i < n; i++)
			out[i] = pow(a[i], b[i]);
		return;
	case OP_NEG:
		for (size_t i = 0; i < n; i++)
			out[i] = -a[i];
		return;
	case OP_CALL:
		for (size_t i = 0; i < n; i++)
			out[i] = s->call(a[i]);
		return;
	}
}

void expression_run(struct expression *e, const double *const *columns, double *ret, size_t n)
{
	for (size_t k = 0; k < e->n_steps; k++) {
		const struct step *s = &e->step[k];
		run_step(s, column_of(e, s->a, columns), column_of(e, s->b, columns), e->temp[s->temp], n);
	}
	memcpy(ret, column_of(e, e->result, columns), n * sizeof *ret);
}
