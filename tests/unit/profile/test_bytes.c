// SPDX-License-Identifier: GPL-3.0-or-later
#include "profile/bytes.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

static void bytes_are_read(void **state)
{
	static const struct {
		const char *text, *byte;
		size_t n;
	} rows[] = {
		{ "A0 01 01 A2", "\xa0\x01\x01\xa2", 4 },
		{ "ff", "\xff", 1 },
		{ "00 0d", "\0\r", 2 },
		{ "\"OUT 1\\r\\n\"", "OUT 1\r\n", 7 },
		{ "\"a\\\\b\\t\"", "a\\b\t", 4 },
	};
	struct profile_bytes b;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_true(bytes_read(rows[i].text, &b));
		assert_int_equal(b.n, rows[i].n);
		assert_memory_equal(b.byte, rows[i].byte, b.n);
	}
}

static void anything_else_is_refused(void **state)
{
	static const char *const rows[] = { "",     " ",      "A",    "A0 1",     "A001",    "0xA0", "G0",
					    "\"\"", "\"open", "open", "\"a\"b\"", "\"\\x\"", "\"\\", "A0,01" };
	char text[200] = "";
	struct profile_bytes b = { .n = 77 };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		assert_false(bytes_read(rows[i], &b));
		assert_int_equal(b.n, 77);
	}
	for (int i = 0; i < PROFILE_BYTES; i++)
		strcat(text, "00 ");
	text[strlen(text) - 1] = '\0';
	assert_true(bytes_read(text, &b));
	assert_int_equal(b.n, PROFILE_BYTES);
	strcat(text, " 00");
	assert_false(bytes_read(text, &b));
}

int main(void)
{
	const struct CMUnitTest tests[] = { cmocka_unit_test(bytes_are_read),
					    cmocka_unit_test(anything_else_is_refused) };

	return cmocka_run_group_tests_name("bytes", tests, NULL, NULL);
}
