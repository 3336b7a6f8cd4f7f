/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "terminal/cli.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <cmocka.h>

static void wraps_to(int most, const char *first, const char *indent, const char *text, const char *expected)
{
	char *buf = NULL;
	size_t n = 0;
	FILE *to = open_memstream(&buf, &n);

	assert_non_null(to);
	cli_wrapped(to, most, first, indent, text);
	assert_int_equal(fclose(to), 0);
	assert_string_equal(buf, expected);
	free(buf);
}

static void lines_break_at_blanks_and_go_on_indented(void **state)
{
	(void)state;
	wraps_to(10, "", "", "one two three", "one two\nthree\n");
	wraps_to(10, "1/2 ", "    ", "one two three", "1/2 one\n    two\n    three\n");
	wraps_to(7, "", "", "one two three", "one two\nthree\n"); /* just fits */
	wraps_to(6, "", "", "one two three", "one\ntwo\nthree\n");
	wraps_to(80, "- ", "  ", "", "- \n");
	wraps_to(80, "", "", "  one   two ", " one two\n"); /* several blanks are one */
}

static void a_long_word_stands_alone_and_whole(void **state)
{
	(void)state;
	wraps_to(8, "", "  ", "a serial:/dev/ttyUSB0 b", "a\n  serial:/dev/ttyUSB0\n  b\n");
	wraps_to(1, "", "", "ab cd", "ab\ncd\n");
}

/* A letter of several bytes is one column. */
static void columns_are_counted_not_bytes(void **state)
{
	(void)state;
	wraps_to(9, "", "", "12 N\u00b7m \u00b10.1", "12 N\u00b7m\n\u00b10.1\n");
	wraps_to(11, "", "", "12 N\u00b7m \u00b10.1", "12 N\u00b7m \u00b10.1\n");
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(lines_break_at_blanks_and_go_on_indented),
		cmocka_unit_test(a_long_word_stands_alone_and_whole),
		cmocka_unit_test(columns_are_counted_not_bytes),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
