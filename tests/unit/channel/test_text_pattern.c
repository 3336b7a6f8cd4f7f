// SPDX-License-Identifier: GPL-3.0-or-later
#include "channel/text_pattern.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <string.h>
#include <cmocka.h>

static struct text_pattern read_pattern(const char *text)
{
	char why[TEXT_PATTERN_WHY] = "";
	struct text_pattern p;

	if (!text_pattern_read(text, &p, why))
		fail_msg("\"%s\": %s", text, why);
	return p;
}

static void a_line_is_read(void **state)
{
	static const struct {
		const char *pattern, *line;
		size_t n;
		double value[3];
	} rows[] = {
		{ "SPD {speed}", "SPD 12.5\r\n", 1, { 12.5 } },
		{ "SPD {speed}", "  SPD   -12  ", 1, { -12 } },
		{ "{w}kg", "+   1.250kg", 1, { 1.25 } },
		{ "{w} kg", "-.5 \t kg", 1, { -0.5 } },
		{ "{a},{b}", "1e3,-2E-2", 2, { 1000, -0.02 } },
		{ "{a}e", "5e", 1, { 5 } },
		{ "n={a} f={f:hex}", "n=7. f=00ff", 2, { 7, 255 } },
		{ "{stable=ST|US},{},{w}{unit=kg|g}", "US,GS,  12.5g", 3, { 1, 12.5, 1 } },
		{ "{m=on|on fire} {a}", "on  fire 3", 2, { 1, 3 } },
		{ "{a}{m=|?}", "3", 2, { 3, 0 } },
		{ "{a}{m=|?}", "3?", 2, { 3, 1 } },
		{ "{{\"rpm\":{a}}", "{\"rpm\": 4.5}", 1, { 4.5 } },
		{ "T{}", "T whatever comes", 0, { 0 } },
		{ "{a:hex},{b}", "0A,5", 2, { 10, 5 } },
		{ "{a}  {b}", "1 2", 2, { 1, 2 } },
		{ "{a} {b}", "1E+2 3e1", 2, { 100, 30 } },
		{ "a\\tb\\\\{x}", "a\tb\\2", 1, { 2 } },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct text_pattern p = read_pattern(rows[i].pattern);
		double value[TEXT_PATTERN_FIELDS] = { 0 };

		if (!text_pattern_match(&p, rows[i].line, value))
			fail_msg("row %zu: \"%s\" does not fit \"%s\"", i, rows[i].line, rows[i].pattern);
		assert_int_equal(p.n_fields, rows[i].n);
		for (size_t k = 0; k < rows[i].n; k++)
			assert_float_equal(value[k], rows[i].value[k], 1e-12);
	}
}

static void another_line_does_not_fit(void **state)
{
	static const struct {
		const char *pattern, *line;
	} rows[] = {
		{ "SPD {speed}", "" },
		{ "SPD {speed}", "SPD" },
		{ "SPD {speed}", "SPD " },
		{ "SPD {speed}", "SPD x" },
		{ "SPD {speed}", "spd 1" },
		{ "SPD {speed}", "SPD 1 2" },
		{ "SPD {speed}", "SPD12" },
		{ "SPD {speed}", "SPD nan" },
		{ "SPD {speed}", "SPD inf" },
		{ "SPD {speed}", "SPD 1e999" },
		{ "SPD {speed}", "SPD ." },
		{ "SPD {speed}", "SPD -" },
		{ "SPD {speed}", "SPD 0x10" },
		{ "SPD {speed}", "SPD 1,5" },
		{ "SPD {speed}", "SPD 1.2.3" },
		{ "{a}", "12345678901234567890123456789012345678901" },
		{ "{a}", "1234567890123456789012345678901234567890.5" },
		{ "{a}", "123456789012345678901234567890123456789e+10" },
		{ "{a}", "1E" },
		{ "{f:hex}", "123456789" },
		{ "{f:hex}", "g" },
		{ "{f:hex}", "-1" },
		{ "{w=a|b}", "c" },
		{ "{w=a|b}", "ab" },
		{ "{}x{a}", "y1" },
		{ "{}={a}", "a=b=1" },
		{ "{a}", "1"
			 "0000000000000000000000000000000000000000000" },
	};
	double value[TEXT_PATTERN_FIELDS];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct text_pattern p = read_pattern(rows[i].pattern);

		if (text_pattern_match(&p, rows[i].line, value))
			fail_msg("\"%s\" fits \"%s\"", rows[i].line, rows[i].pattern);
	}
}

static void what_is_no_pattern_is_refused(void **state)
{
	static const struct {
		const char *pattern, *why;
	} rows[] = {
		{ "", "empty" },
		{ "a {speed", "without }" },
		{ "{a}{b}", "side by side" },
		{ "{a}{b:hex}", "side by side" },
		{ "{}{a}", "side by side" },
		{ "{a} {a}", "twice" },
		{ "{a:hex}{b}", "side by side" },
		{ "{a:hex}{b:hex}", "side by side" },
		{ "{:hex}", "a name" },
		{ "{a:dec}", "expected {NAME}" },
		{ "{a_value_of_a_name:that_is_no_kind_that_anybody_knows}", "expected {NAME}" },
		{ "{}a{}a{}a{}a{}a{}a{}a{}a{}a{}a{}a{}a{}", "more than 24 parts" },
		{ "{a b}", "expected {NAME}" },
		{ "{a.}", "expected {NAME}" },
		{ "{a.x}", "expected {NAME}" },
		{ "{a.12}", "expected {NAME}" },
		{ "{a:oct}", "expected {NAME}" },
		{ "{=a}", "a name" },
		{ "{a_name_that_is_far_too_long}", "a name" },
		{ "a\\", "has a \\" },
		{ "a\\x41", "has a \\" },
		{ "{a},{b},{c},{d},{e},{f},{g},{h},{i}", "more than 8 values" },
	};
	struct text_pattern p = { .n_items = 77 };
	char why[TEXT_PATTERN_WHY], long_one[TEXT_PATTERN_BYTES + 8];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		if (text_pattern_read(rows[i].pattern, &p, why))
			fail_msg("\"%s\" was read", rows[i].pattern);
		if (strstr(why, rows[i].why) == NULL)
			fail_msg("\"%s\": \"%s\" does not say \"%s\"", rows[i].pattern, why, rows[i].why);
	}
	memset(long_one, 'a', sizeof long_one);
	long_one[sizeof long_one - 1] = '\0';
	assert_false(text_pattern_read(long_one, &p, why));
	/* no room for what an escape means, nor for a word's letters */
	memcpy(long_one + TEXT_PATTERN_BYTES - 1, "{{", 3);
	assert_false(text_pattern_read(long_one, &p, why));
	memcpy(long_one, "{m=", 3);
	memcpy(long_one + sizeof long_one - 2, "}", 2);
	memset(long_one + TEXT_PATTERN_BYTES - 1, 'a', sizeof long_one - 2 - (TEXT_PATTERN_BYTES - 1));
	assert_false(text_pattern_read(long_one, &p, why));
	assert_non_null(strstr(why, "longer than"));
	assert_int_equal(p.n_items, 77);
}

static void fields_have_names(void **state)
{
	struct text_pattern p = read_pattern("{} v={speed.1} {on=off|on|err}");

	(void)state;
	assert_int_equal(text_pattern_field(&p, "speed"), 0);
	assert_int_equal(text_pattern_field(&p, "on"), 1);
	assert_int_equal(text_pattern_field(&p, "off"), -1);
	assert_int_equal(text_pattern_words(&p, 0), 0);
	assert_int_equal(text_pattern_words(&p, 1), 3);
	assert_int_equal(text_pattern_words(&p, 2), 0);
	assert_int_equal(text_pattern_words(&p, -1), 0);
}

static void a_line_is_written(void **state)
{
	static const struct {
		const char *pattern, *line;
		double value[2];
	} rows[] = {
		{ "V {speed.1}\\r\\n", "V 12.3\r\n", { 12.345 } },
		{ "V {speed}", "V -0.25", { -0.25 } },
		{ "V {speed.0} {f:hex}", "V 12 1F", { 12.2, 31 } },
		{ "{on=off|on} {a.2}", "on 1.00", { 1, 1 } },
		{ "{on=|!}x", "x", { 0 } },
		{ "{{{}x", "{x", { 0 } },
	};
	char buf[40];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct text_pattern p = read_pattern(rows[i].pattern);

		assert_int_equal(text_pattern_put(&p, rows[i].value, buf, sizeof buf), strlen(rows[i].line));
		assert_string_equal(buf, rows[i].line);
	}
}

static void what_cannot_be_written_is_not(void **state)
{
	static const struct {
		const char *pattern;
		double value;
	} rows[] = {
		{ "V {a}", NAN },
		{ "V {a.1}", INFINITY },
		{ "V {a:hex}", 1.5 },
		{ "V {a:hex}", -1 },
		{ "V {a:hex}", 1e10 },
		{ "V {a:hex}", NAN },
		{ "{a=off|on}", 2 },
		{ "{a=off|on}", -1 },
		{ "{a=off|on}", NAN },
		{ "V {a.9}", 123456789012 },
		{ "0123456789012345678901{a}", 5 },
	};
	char buf[23];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct text_pattern p = read_pattern(rows[i].pattern);

		if (text_pattern_put(&p, &rows[i].value, buf, sizeof buf) != 0)
			fail_msg("row %zu was written: %s", i, buf);
	}
}

/* What is written is read again: over numbers of all sizes. */
static void what_is_written_is_read_again(void **state)
{
	struct text_pattern p = read_pattern("A {a.3};{b}; {c:hex} {d=x|xy|z}");
	unsigned seed = 20261126;

	(void)state;
	for (int i = 0; i < 2000; i++) {
		double value[TEXT_PATTERN_FIELDS] = { 0 }, got[TEXT_PATTERN_FIELDS];
		char line[200];

		value[0] = (rand_r(&seed) % 2000001 - 1000000) / 1000.0;
		value[1] = (rand_r(&seed) - RAND_MAX / 2) * 1e-6;
		value[2] = rand_r(&seed);
		value[3] = rand_r(&seed) % 3;
		assert_true(text_pattern_put(&p, value, line, sizeof line) > 0);
		if (!text_pattern_match(&p, line, got))
			fail_msg("not read: %s", line);
		assert_float_equal(got[0], value[0], 1e-9);
		assert_float_equal(got[1], value[1], 1e-5);
		assert_float_equal(got[2], value[2], 0);
		assert_float_equal(got[3], value[3], 0);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_line_is_read),
		cmocka_unit_test(another_line_does_not_fit),
		cmocka_unit_test(what_is_no_pattern_is_refused),
		cmocka_unit_test(fields_have_names),
		cmocka_unit_test(a_line_is_written),
		cmocka_unit_test(what_cannot_be_written_is_not),
		cmocka_unit_test(what_is_written_is_read_again),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
