/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "run/speed_factor.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

static void a_factor_is_named(void **state)
{
	static const struct {
		double factor, ratio;
		const char *words;
	} rows[] = {
		{ 1.0 / 36, 36, "the speed of the output" },
		{ -1.02 / 36, 36, "the speed of the output" },
		{ 36, 36, "the rotor's speed" },
		{ 360.0 / 60, 36, "told degrees per second" }, /* 1 rpm is 360 degrees in 60 s */
		{ 60.0 / 360, 36, "taken for degrees per second" },
		{ 2 * M_PI / 60, 36, "radians per second" },
		{ 1.0 / 60, 36, "told turns per second" },
		{ 60, 36, "taken for turns per second" },
		{ 60, 0, "taken for turns per second" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		if (strstr(speed_factor_words(rows[i].factor, rows[i].ratio), rows[i].words) == NULL)
			fail_msg("row %zu: \"%s\"", i, speed_factor_words(rows[i].factor, rows[i].ratio));
}

static void nothing_is_said_of_any_other(void **state)
{
	static const double rows[] = { 1, 0.8, 1.3, 0, NAN, INFINITY, 6.5, 0.11 * 1.1, 36, 1.0 / 36 };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		assert_string_equal(speed_factor_words(rows[i], 0), "");
	assert_string_equal(speed_factor_words(1, 1), "");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_factor_is_named),
		cmocka_unit_test(nothing_is_said_of_any_other),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
