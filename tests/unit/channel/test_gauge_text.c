/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/gauge_text.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

/* Each line by hand. */
static void lines_are_read(void **state)
{
	static const struct {
		const char *form, *line;
		bool fits;
		double reading; /* NaN: none */
		bool over, moves;
	} rows[] = {
		{ "{reading} kg", "  12.345 kg\r", true, 12.345, false, false },
		{ "{reading} kg", "12.345 lb", false, 0, false, false }, /* another unit is no reading */
		{ "{reading} kg", "", false, 0, false, false },
		{ "{stable=US|ST},{sign=+|-}{reading} kg", "ST,-  0.500 kg", true, -0.5, false, false },
		{ "{stable=US|ST},{sign=+|-}{reading} kg", "US,+  0.500 kg", true, 0.5, false, true },
		{ "{stable=US|ST},{sign=+|-}{reading} kg", "OL,+  0.500 kg", false, 0, false, false },
		{ "{reading}{over=|!} N", "99.9! N", true, 99.9, true, false },
		{ "{reading}{over=|!} N", "-99.9 N", true, -99.9, false, false },
		{ "OL", "OL", true, NAN, true, false },
		{ "{sign=+|-}OL", "-OL", true, NAN, true, false },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct text_pattern form;
		struct gauge_text told;
		char why[TEXT_PATTERN_WHY];

		assert_true(text_pattern_read(rows[i].form, &form, why));
		bool fits = gauge_text_read(&form, rows[i].line, &told);
		if (fits != rows[i].fits)
			fail_msg("row %zu: fits %d", i, fits);
		if (fits && (told.over != rows[i].over || told.moves != rows[i].moves))
			fail_msg("row %zu: over %d, moves %d", i, told.over, told.moves);
		if (fits && isnan(told.reading) != isnan(rows[i].reading))
			fail_msg("row %zu: reading %g", i, told.reading);
		if (fits && isfinite(rows[i].reading) && !(fabs(told.reading - rows[i].reading) < 1e-12))
			fail_msg("row %zu: reading %g", i, told.reading);
	}
}

static void names_go_both_ways(void **state)
{
	(void)state;
	for (int i = 0; i < GAUGE_FIELDS; i++)
		assert_int_equal(gauge_field_of(gauge_field_name((enum gauge_field)i)), i);
	assert_int_equal(gauge_field_of("weight"), -1);
}

int main(void)
{
	const struct CMUnitTest tests[] = { cmocka_unit_test(lines_are_read), cmocka_unit_test(names_go_both_ways) };

	return cmocka_run_group_tests(tests, NULL, NULL);
}
