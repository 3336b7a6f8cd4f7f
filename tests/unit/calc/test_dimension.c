/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Kinds by hand, from the definitions of the SI's derived units: N = kg m s-2, J = N m, W = J s-1, V = W A-1. */
#include "calc/dimension.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static const char *const names[] = { "m", "g", "L", "v", "t", "phi", "rho", "U", "I", "dT", "alpha", "odd" };
static const char *const units[] = { "kg",     "m.s-2",         "m", "m.s-1", "s",   "rad",
				     "m-3.kg", "m2.kg.s-3.A-1", "A", "K",     "K-1", "furlong" };
#define NAMES (sizeof names / sizeof names[0])

static enum rc kind(const char *text, char *buf, size_t size, struct err *err)
{
	struct dimension dims[NAMES], d;

	for (size_t i = 0; i < NAMES; i++)
		dims[i] = dimension_of_unit(units[i]);
	enum rc rc = dimension_of_expression(text, names, dims, NAMES, &d, err);
	if (!rc)
		dimension_text(d, buf, size);
	return rc;
}

static void kinds_follow_from_the_operations(void **state)
{
	static const struct {
		const char *text, *kind;
	} rows[] = {
		{ "m*g", "m·kg·s-2" },
		{ "m*g*L*cos(phi)", "m2·kg·s-2" },
		{ "U*I", "m2·kg·s-3" },
		{ "U*I*t/(m*g*L)", "a plain number" },
		{ "sqrt(2*g*L)", "m·s-1" },
		{ "v^2/2", "m2·s-2" },
		{ "(g*L)^0.5 - v", "m·s-1" },
		{ "m/rho", "m3" },
		{ "phi/t", "s-1" },
		{ "L*(1 + alpha*dT)", "m" },
		{ "-L^2", "m2" },
		{ "max(v, g*t, L/t)", "m·s-1" },
		{ "v > g*t ? L : v*t", "m" },
		{ "v > 3 && t > 2 ? L : 2*L", "m" },
		{ "exp(-alpha*dT)*m", "kg" },
		{ "2*pi*L", "m" },
		{ "0.25*L", "m" },
		{ "L/L^-1", "m2" },
		{ "rho - 1.2", "m-3·kg" },
		{ "abs(L - v*t)", "m" },
		{ "m^(1/3)", "kg0.333" },
	};
	char text[80];
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		if (kind(rows[i].text, text, sizeof text, &err))
			fail_msg("%s: %s", rows[i].text, err.what);
		if (strcmp(text, rows[i].kind) != 0)
			fail_msg("%s: %s, expected %s", rows[i].text, text, rows[i].kind);
	}
}

/* A number may carry a unit: then nothing is known, and nothing refused. */
static void numbers_and_odd_units_are_unknown(void **state)
{
	static const char *const rows[] = { "m*9.81",      "m*9.81*(1 - rho/8000)",
					    "1 - rho",     "odd*L",
					    "odd + L*odd", "3.7",
					    "ln(m)",       "m^phi",
					    "1000*L",      "L +",
					    "f(L)",        "L L",
					    "(L",          "L $ m" };
	char text[80];
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		if (kind(rows[i], text, sizeof text, &err))
			fail_msg("%s: %s", rows[i], err.what);
		if (strcmp(text, "an unknown unit") != 0)
			fail_msg("%s: %s", rows[i], text);
	}
}

static void what_is_not_alike_is_refused(void **state)
{
	static const struct {
		const char *text, *says;
	} rows[] = {
		{ "L + m", "adds a quantity in m and one in kg" },
		{ "m - 2*L", "adds a quantity in kg and one in m" },
		{ "v + g", "adds a quantity in m·s-1 and one in m·s-2" },
		{ "L*(t - phi)", "in s and one in a plain number" },
		{ "sin(L)", "of a quantity in m where it must be a plain number" },
		{ "exp(dT)", "in K where" },
		{ "2^m", "raises to a power in kg" },
		{ "max(L, t)", "compares a quantity in m with one in s" },
		{ "L > t ? 1 : 2", "compares a quantity in m with one in s" },
		{ "v > 1 ? L : t", "in m or in s" },
		{ "1 + (m + L)", "in kg and one in m" },
		{ "sqrt(L) + L", "in m0.5 and one in m" },
	};
	char text[80];
	struct err err;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		if (kind(rows[i].text, text, sizeof text, &err) != RC_ARG)
			fail_msg("%s was taken", rows[i].text);
		if (!strstr(err.what, rows[i].says))
			fail_msg("%s: %s", rows[i].text, err.what);
	}
}

static void depth_has_an_end(void **state)
{
	char text[4001], kind_text[80];
	struct err err;

	(void)state;
	memset(text, '(', sizeof text - 1);
	text[sizeof text - 1] = '\0';
	assert_int_equal(kind(text, kind_text, sizeof kind_text, &err), RC_OK);
	memset(text, '-', sizeof text - 1);
	assert_int_equal(kind(text, kind_text, sizeof kind_text, &err), RC_OK);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(kinds_follow_from_the_operations),
		cmocka_unit_test(numbers_and_odd_units_are_unknown),
		cmocka_unit_test(what_is_not_alike_is_refused),
		cmocka_unit_test(depth_has_an_end),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
