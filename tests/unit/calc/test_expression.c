/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Values by hand: the usual precedence, powers from the right, a sign in front binding looser than a power. */
#include "calc/expression.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static const char *const names[] = { "a", "b", "angle_2" };

static double at(const char *text, double a, double b, double angle)
{
	const double *columns[] = { &a, &b, &angle };
	struct expression *e = expression_new(text, names, 3);
	double y = NAN;

	if (!e)
		fail_msg("%s is not known", text);
	else
		expression_run(e, columns, &y, 1);
	expression_free(e);
	return y;
}

static void means_what_it_usually_means(void **state)
{
	static const struct {
		const char *text;
		double y;
	} rows[] = {
		{ "a", 3 },
		{ " a + b ", 8 },
		{ "a - b - 1", -3 },
		{ "a - (b - 1)", -1 },
		{ "a/b*2", 1.2 },
		{ "a/(b*2)", 0.3 },
		{ "2^3^2", 512 },
		{ "a^2", 9 },
		{ "-a^2", -9 },
		{ "(-a)^2", 9 },
		{ "2^-1", 0.5 },
		{ "a^b", 243 },
		{ "a*-b", -15 },
		{ "--a", 3 },
		{ "1.5e1 + .5", 15.5 },
		{ "sqrt(a*a)", 3 },
		{ "abs(-b)", 5 },
		{ "sin(angle_2)", 1 },
		{ "ln(exp(a))", 3 },
		{ "cos(2*pi)", 1 },
		{ "log10(10^a)", 3 },
		{ "1 - (1 - 1.2/8000)", 1.5e-4 },
		{ "((((a))))", 3 },
		{ "2*(a+b)*(a-b)", -32 },
		{ "a + b*(a - b*(a + b*(a - b)))", 3 + 5 * (3 - 5 * (3 + 5 * -2.0)) },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		double y = at(rows[i].text, 3, 5, acos(0.0));
		if (!(fabs(y - rows[i].y) <= 1e-12 * fabs(rows[i].y)))
			fail_msg("%s: %.17g, expected %.17g", rows[i].text, y, rows[i].y);
	}
}

static void leaves_the_rest_to_others(void **state)
{
	static const char *const rows[] = {
		"",          "a +",    "a b", "c",   "(a",    "a)", "a > b ? a : b", "max(a, b)", "a == b", "sin a",
		"sin(a, b)", "log(a)", "3x",  "a,b", "a $ b", "()", "1e999",         "a = 3",
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct expression *e = expression_new(rows[i], names, 3);
		if (e)
			fail_msg("\"%s\" was taken", rows[i]);
	}
	char deep[2000];
	memset(deep, '(', sizeof deep - 1);
	deep[sizeof deep - 1] = '\0';
	assert_null(expression_new(deep, names, 3));
	memset(deep, '-', sizeof deep - 1);
	assert_null(expression_new(deep, names, 3));
}

/* Whole columns against the same in C, one number at a time. */
static void works_on_columns(void **state)
{
	double a[EXPRESSION_BLOCK], b[EXPRESSION_BLOCK], c[EXPRESSION_BLOCK], y[EXPRESSION_BLOCK];
	const double *columns[] = { a, b, c };
	struct expression *e = expression_new("(a + b) * cos(angle_2) / (a - 2*b)^2 - a*b", names, 3);

	(void)state;
	assert_non_null(e);
	for (size_t i = 0; i < EXPRESSION_BLOCK; i++) {
		a[i] = 1 + 0.01 * (double)i;
		b[i] = -2 + 0.005 * (double)i;
		c[i] = 0.1 * (double)i;
	}
	for (size_t n = 1; n <= EXPRESSION_BLOCK; n += 51) {
		memset(y, 0, sizeof y);
		expression_run(e, columns, y, n);
		for (size_t i = 0; i < n; i++) {
			double d = a[i] - 2 * b[i];
			assert_true(fabs(y[i] - ((a[i] + b[i]) * cos(c[i]) / (d * d) - a[i] * b[i])) < 1e-12);
		}
		assert_true(n == EXPRESSION_BLOCK || fabs(y[n]) < 1e-300);
	}
	expression_free(e);
	expression_free(NULL);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(means_what_it_usually_means),
		cmocka_unit_test(leaves_the_rest_to_others),
		cmocka_unit_test(works_on_columns),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
