/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "calib/cell/cell_warmth.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>

/* Two offsets of sensors are never mixed where one kind of sensor knows both moments. */
static void like_is_compared_with_like(void **state)
{
	static const struct {
		double cell_0, ambient_0, cell, ambient, expect;
	} rows[] = {
		{ 21, 20, 25, 20.5, 4 },    { NAN, 20, NAN, 20.5, 0.5 }, { NAN, 20, 25, 20.5, 0.5 },
		{ 21, 20, NAN, 20.5, 0.5 }, { NAN, 20, 25, NAN, 5 },     { 21, NAN, NAN, 20.5, -0.5 },
		{ 21, NAN, 25, NAN, 4 },    { NAN, NAN, 25, 20, NAN },   { 21, 20, NAN, NAN, NAN },
	};
	(void)state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		double found = cell_warmed_K(rows[i].cell_0, rows[i].ambient_0, rows[i].cell, rows[i].ambient);
		if (isnan(rows[i].expect) ? !isnan(found) : !(fabs(found - rows[i].expect) < 1e-12))
			fail_msg("row %zu: %g, expected %g", i, found, rows[i].expect);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = { cmocka_unit_test(like_is_compared_with_like) };

	return cmocka_run_group_tests(tests, NULL, NULL);
}
