/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calc/dimension.h"

#include "calib/number/number.h"

#include <ctype.h>
#include <math.h>
#include <stdio.h>
#include <string.h>

#define DEPTH 60
#define COUNTS_UP_TO 9.0

static const char *const bases[DIMENSION_BASES] = { "m", "kg", "s", "A", "K", "mol", "cd" };
static const struct dimension plain = { .known = true };
static const struct dimension unknown = { .known = false };

/* A value under way: its kind and, of a constant, the number. */
struct term {
	struct dimension dim;
	bool constant, counts; /* counts: a constant that surely has no unit */
	double value;
};

struct reader {
	const char *s;
	const char *const *names;
	const struct dimension *dims;
	size_t n, depth;
	bool lost; /* something here is not understood */
	enum rc rc;
	struct err *err;
};

static struct term ternary(struct reader *r);
static struct term unary(struct reader *r);

struct dimension dimension_of_unit(const char *si_unit)
{
	struct dimension d = plain;

	for (const char *s = si_unit; *s;) {
		size_t letters = strspn(s, "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ"), k;
		int power = 1, used = 0;
		if (sscanf(s + letters, "%d%n", &power, &used) != 1)
			power = 1, used = 0;
		for (k = 0; k < DIMENSION_BASES; k++)
			if (strlen(bases[k]) == letters && memcmp(bases[k], s, letters) == 0)
				break;
		if (k < DIMENSION_BASES)
			d.power[k] += power;
		else if (!(letters == 0 && used) && !(letters == 3 && memcmp(s, "rad", 3) == 0) &&
			 !(letters == 2 && memcmp(s, "sr", 2) == 0))
			return unknown;
		s += letters + (size_t)used;
		if (*s == '.')
			s++;
		else if (*s)
			return unknown;
	}
	return d;
}

bool dimension_same(struct dimension a, struct dimension b)
{
	for (size_t k = 0; a.known && b.known && k < DIMENSION_BASES; k++)
		if (fabs(a.power[k] - b.power[k]) > 1e-9)
			return false;
	return true;
}

static bool is_plain(struct dimension d)
{
	return d.known && dimension_same(d, plain);
}

void dimension_text(struct dimension d, char *buf, size_t size)
{
	size_t used = 0;

	snprintf(buf, size, "%s", d.known ? "a plain number" : "an unknown unit");
	for (size_t k = 0; d.known && k < DIMENSION_BASES && used < size; k++) {
		if (!(fabs(d.power[k]) > 1e-9))
			continue;
		used += (size_t)snprintf(buf + used, size - used, "%s%s", used ? "\u00b7" : "", bases[k]);
		if (used < size && fabs(d.power[k] - 1) > 1e-9)
			used += (size_t)snprintf(buf + used, size - used, "%.3g", d.power[k]);
	}
}

/* "WHAT m AND kg" */
static struct term wrong(struct reader *r, const char *what, struct dimension a, const char *and, struct dimension b)
{
	char first[60], second[60];

	dimension_text(a, first, sizeof first);
	dimension_text(b, second, sizeof second);
	if (!r->rc)
		r->rc = err_set(r->err, RC_ARG, 0, "%s %s %s %s", what, first, and, second);
	return (struct term){ unknown, false, false, 0 };
}

static struct term lost(struct reader *r)
{
	r->lost = true;
	return (struct term){ unknown, false, false, 0 };
}

static bool going(const struct reader *r)
{
	return !r->lost && !r->rc;
}

static bool take(struct reader *r, const char *what)
{
	r->s += strspn(r->s, " \t");
	if (strncmp(r->s, what, strlen(what)) != 0)
		return false;
	r->s += strlen(what);
	return true;
}

static struct term constant(double value)
{
	bool counts = fabs(value) <= COUNTS_UP_TO && !(fabs(4 * value - round(4 * value)) > 0);

	return (struct term){ unknown, true, counts, value };
}

/* What is added or compared is of one kind. */
static struct term alike(struct reader *r, struct term a, struct term b, const char *what, const char *and)
{
	if (a.constant && b.constant)
		return (struct term){ unknown, true, a.counts && b.counts, NAN };
	if (a.constant || b.constant) {
		struct term with = a.constant ? b : a;
		if ((a.constant ? a.counts : b.counts) && !is_plain(with.dim))
			with.dim = unknown; /* 1 - rho: whoever writes it means the number */
		return with;
	}
	if (!dimension_same(a.dim, b.dim))
		return wrong(r, what, a.dim, and, b.dim);
	return a.dim.known ? a : b;
}

static struct dimension factor_of(struct term a)
{
	return a.constant && a.counts ? plain : a.dim;
}

static struct term times(struct term a, struct term b, double sign)
{
	struct dimension x = factor_of(a), y = factor_of(b);
	struct term t = { { x.known && y.known, { 0 } }, a.constant && b.constant, a.counts && b.counts, 0 };

	for (size_t k = 0; t.dim.known && k < DIMENSION_BASES; k++)
		t.dim.power[k] = x.power[k] + sign * y.power[k];
	t.value = sign > 0 ? a.value * b.value : a.value / b.value;
	return t;
}

static struct dimension powered(struct dimension d, double exponent)
{
	for (size_t k = 0; k < DIMENSION_BASES; k++)
		d.power[k] *= exponent;
	return d;
}

static struct term raise(struct reader *r, struct term a, struct term b)
{
	if (!b.constant && !dimension_same(b.dim, plain))
		return wrong(r, "raises to a power in", b.dim, "where it must be", plain);
	if (a.constant)
		return (struct term){ b.constant ? unknown : plain, b.constant, a.counts && b.constant && b.counts,
				      pow(a.value, b.value) };
	if (is_plain(a.dim))
		return (struct term){ plain, false, false, 0 };
	if (b.constant && isfinite(b.value))
		return (struct term){ powered(a.dim, b.value), false, false, 0 };
	return (struct term){ unknown, false, false, 0 };
}

static struct term function(struct reader *r, const char *name, size_t length)
{
	static const char *const of_number[] = { "sin",  "cos",  "tan",  "asin", "acos",
						 "atan", "sinh", "cosh", "tanh", "exp" };
	struct term a = ternary(r);

	while (going(r) && take(r, ","))
		a = alike(r, a, ternary(r), "compares a quantity in", "with one in");
	if (!going(r) || !take(r, ")"))
		return lost(r);
	for (size_t i = 0; i < sizeof of_number / sizeof of_number[0]; i++) {
		if (strlen(of_number[i]) != length || memcmp(of_number[i], name, length) != 0)
			continue;
		if (!a.constant && !dimension_same(a.dim, plain))
			return wrong(r, "takes a sine, an exponential or the like of a quantity in", a.dim,
				     "where it must be", plain);
		return (struct term){ plain, false, false, 0 };
	}
	if (length == 4 && memcmp(name, "sqrt", 4) == 0)
		return a.constant ? constant(sqrt(a.value)) : (struct term){ powered(a.dim, 0.5), false, false, 0 };
	if (length == 3 && (memcmp(name, "abs", 3) == 0 || memcmp(name, "min", 3) == 0 || memcmp(name, "max", 3) == 0))
		return a;
	return (struct term){ unknown, false, false, 0 };
}

static struct term name_or_call(struct reader *r)
{
	const char *start = r->s;

	while (isalnum((unsigned char)*r->s) || *r->s == '_')
		r->s++;
	size_t length = (size_t)(r->s - start);
	if (length == 0)
		return lost(r);
	if (take(r, "("))
		return function(r, start, length);
	for (size_t i = 0; i < r->n; i++)
		if (strlen(r->names[i]) == length && memcmp(r->names[i], start, length) == 0)
			return (struct term){ r->dims[i], false, false, 0 };
	if ((length == 2 && memcmp(start, "pi", 2) == 0) || (length == 3 && memcmp(start, "_pi", 3) == 0))
		return (struct term){ unknown, true, true, acos(-1.0) };
	return lost(r);
}

static struct term primary(struct reader *r)
{
	struct number n;

	if (take(r, "(")) {
		struct term inside = ternary(r);
		return going(r) && take(r, ")") ? inside : lost(r);
	}
	if (!isdigit((unsigned char)*r->s) && *r->s != '.')
		return name_or_call(r);
	if (number_scan(r->s, &n, NULL))
		return lost(r);
	r->s = n.end;
	return constant(n.value);
}

static struct term unary(struct reader *r)
{
	struct term a;

	if (++r->depth > DEPTH)
		return lost(r);
	if (take(r, "-")) {
		a = unary(r);
		a.value = -a.value;
	} else {
		a = primary(r);
		if (going(r) && take(r, "^"))
			a = raise(r, a, unary(r));
	}
	r->depth--;
	return a;
}

static struct term product(struct reader *r)
{
	struct term a = unary(r);

	while (going(r)) {
		if (take(r, "*"))
			a = times(a, unary(r), 1);
		else if (take(r, "/"))
			a = times(a, unary(r), -1);
		else
			break;
	}
	return a;
}

static struct term sum(struct reader *r)
{
	struct term a = product(r);

	while (going(r) && (take(r, "+") || take(r, "-")))
		a = alike(r, a, product(r), "adds a quantity in", "and one in");
	return a;
}

static struct term comparison(struct reader *r)
{
	static const char *const signs[] = { "<=", ">=", "==", "!=", "<", ">" };
	struct term a = sum(r);

	for (size_t i = 0; going(r) && i < sizeof signs / sizeof signs[0]; i++)
		if (take(r, signs[i])) {
			(void)alike(r, a, sum(r), "compares a quantity in", "with one in");
			return (struct term){ plain, false, false, 0 };
		}
	return a;
}

static struct term ternary(struct reader *r)
{
	if (++r->depth > DEPTH)
		return lost(r);
	struct term a = comparison(r);
	while (going(r) && (take(r, "&&") || take(r, "||"))) {
		(void)comparison(r);
		a = (struct term){ plain, false, false, 0 };
	}
	if (going(r) && take(r, "?")) {
		a = ternary(r);
		if (!going(r) || !take(r, ":"))
			return lost(r);
		a = alike(r, a, ternary(r), "is, by its condition, in", "or in");
	}
	r->depth--;
	return a;
}

enum rc dimension_of_expression(const char *text, const char *const *names, const struct dimension *dims, size_t n,
				struct dimension *ret, struct err *err)
{
	struct reader r = { .s = text, .names = names, .dims = dims, .n = n, .err = err };
	struct term t = ternary(&r);

	r.s += strspn(r.s, " \t");
	if (r.rc)
		return r.rc;
	*ret = r.lost || *r.s || t.constant ? unknown : t.dim;
	return RC_OK;
}
