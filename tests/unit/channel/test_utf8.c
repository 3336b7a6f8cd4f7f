/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/utf8.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

/* Good and bad sequences by RFC 3629, section 4 (its ABNF) and section 10 (overlong forms, surrogates). */
static void tells_good_sequences_from_bad(void **state)
{
	static const struct {
		const char *bytes;
		size_t length;
	} rows[] = {
		{ "a", 1 },
		{ "~", 1 },
		{ "\xC2\xB1", 2 },
		{ "\xDF\xBF", 2 },
		{ "\xE0\xA0\x80", 3 },
		{ "\xE2\x88\x92", 3 },
		{ "\xED\x9F\xBF", 3 },
		{ "\xEF\xBF\xBF", 3 },
		{ "\xF0\x90\x80\x80", 4 },
		{ "\xF4\x8F\xBF\xBF", 4 },
		{ "\x1F", 0 },
		{ "\x7F", 0 },
		{ "\x80", 0 },
		{ "\xBF", 0 },
		{ "\xC0\xAF", 0 },
		{ "\xC1\xBF", 0 },
		{ "\xC2", 0 },
		{ "\xC2\x41", 0 },
		{ "\xC2\x85", 0 }, /* the last: a C1 control */
		{ "\xE0\x9F\xBF", 0 },
		{ "\xED\xA0\x80", 0 },
		{ "\xE2\x88", 0 },
		{ "\xF0\x8F\xBF\xBF", 0 },
		{ "\xF4\x90\x80\x80", 0 },
		{ "\xF5\x80\x80\x80", 0 },
		{ "\xFF", 0 },
		{ "\xF0\x90\x80", 0 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		if (utf8_length(rows[i].bytes) != rows[i].length)
			fail_msg("row %zu: %zu bytes", i, utf8_length(rows[i].bytes));
}

static void cleans_and_cuts_at_a_character(void **state)
{
	char buf[9];

	(void)state;
	utf8_clean("a\033\xB1z", buf, sizeof buf);
	assert_string_equal(buf, "a??z");
	utf8_clean("\xC2\xB1\xC2\xB1\xC2\xB1\xC2\xB1\xC2\xB1", buf, sizeof buf);
	assert_string_equal(buf, "\xC2\xB1\xC2\xB1\xC2\xB1\xC2\xB1"); /* eight bytes, and the end */
	utf8_clean("a\xC2\xB1\xC2\xB1\xC2\xB1\xC2\xB1", buf, sizeof buf);
	assert_string_equal(buf, "a\xC2\xB1\xC2\xB1\xC2\xB1");
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(tells_good_sequences_from_bad),
		cmocka_unit_test(cleans_and_cuts_at_a_character),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
