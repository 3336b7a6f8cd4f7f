/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/text.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>

#include <cmocka.h>

#include <math.h>
#include <stdlib.h>
#include <string.h>

/* Two significant digits of U, the value rounded to match (JCGM 100:2008, 7.2.6); by hand. */
static void value_and_uncertainty_are_rounded_together(void **state)
{
	static const struct {
		double value, U;
		const char *expect;
	} rows[] = {
		{ 20.3412, 0.1234, "20.34 N·m ± 0.12 N·m" },
		{ 20.3412, 0.0996, "20.34 N·m ± 0.10 N·m" },
		{ 20.3412, 0.995,
		  "20.3 N·m ± 1.0 N·m" }, /* 0.995 is 0.99499999... or rounds up: both 1.0 with one decimal */
		{ 1234.5, 67.8, "1234 N·m ± 68 N·m" },
		{ 123456, 789, "123460 N·m ± 790 N·m" },
		{ -0.0004, 0.12, "0.00 N·m ± 0.12 N·m" },
		{ -1.5, 0.12, "-1.50 N·m ± 0.12 N·m" },
		{ 3.14159, 0, "3.142 N·m indicated" },
		{ 3.14159, NAN, "3.142 N·m indicated" },
		{ NAN, 0.1, "–" },
	};
	char text[100];
	(void)state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		text_pm(text, sizeof text, rows[i].value, rows[i].U, "N·m");
		if (i == 3) /* 1234.5 to no decimals: either neighbour */
			assert_true(!strcmp(text, "1234 N·m ± 68 N·m") || !strcmp(text, "1235 N·m ± 68 N·m"));
		else
			assert_string_equal(text, rows[i].expect);
	}
}

static char *escaped(const char *text)
{
	char *buf = NULL;
	size_t n = 0;
	FILE *f = open_memstream(&buf, &n);

	text_html(f, text);
	fclose(f);
	return buf;
}

/* Between a number and its unit, and around the sign, stands U+00A0. */
static void a_number_keeps_its_unit(void **state)
{
	char *buf = NULL;
	size_t size = 0;
	FILE *f = open_memstream(&buf, &size);

	(void)state;
	text_html_kept(f, "at 85.00 rpm \u00b1 0.21 rpm, 48 V and 50 \u00b0C, in 3 points");
	fclose(f);
	assert_string_equal(
		buf, "at 85.00\u00a0rpm\u00a0\u00b1\u00a00.21\u00a0rpm, 48\u00a0V and 50\u00a0\u00b0C, in 3 points");
	free(buf);
}

static void html_is_safe_and_utf8(void **state)
{
	static const struct {
		const char *text, *expect;
	} rows[] = {
		{ "a < b & \"c\" > 'd'", "a &lt; b &amp; &quot;c&quot; &gt; &#39;d&#39;" },
		{ "N·m ± ∞", "N·m ± ∞" },
		{ "\xC3\x28 \xFF", "?( ?" }, /* broken sequences */
		{ "\xC0\xAF", "??" },        /* an overlong slash */
		{ "\xED\xA0\x80", "???" },   /* a surrogate */
		{ "bell\a", "bell?" },
		{ "cut \xE2\x82", "cut ??" },
	};
	(void)state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		char *found = escaped(rows[i].text);
		assert_string_equal(found, rows[i].expect);
		free(found);
	}
}

static void times_are_utc(void **state)
{
	char text[40];
	(void)state;

	text_time(text, sizeof text, 1773480360000000000); /* date -u -d @1773480360 */
	assert_string_equal(text, "2026-03-14 09:26 UTC");
	text_time(text, sizeof text, 0);
	assert_string_equal(text, "–");
}

static void words_are_swapped_and_cut_to_fit(void **state)
{
	char text[24];
	(void)state;

	text_swap(text, sizeof text, "5 rev/min of 80 rev/min", "rev/min", "rpm");
	assert_string_equal(text, "5 rpm of 80 rpm");
	text_swap(text, sizeof text, "5 rpm of 80 rpm.", " rpm", " rev/min"); /* 24 characters: one too many */
	assert_string_equal(text, "5 rev/min of 80 rev/min");
	text_swap(text, 8, "5 rpm of 80 rpm", " rpm", " rev/min");
	assert_string_equal(text, "5 rev/m");
	text_swap(text, sizeof text, "", "a", "b");
	assert_string_equal(text, "");
	text_swap(text, sizeof text, "nothing here", "rpm", "");
	assert_string_equal(text, "nothing here");
}

/* A slow shaft: a source of 66 millionths of a rpm beside 2.4 thousandths. */
static void parts_have_the_decimals_of_their_sum(void **state)
{
	static const struct {
		double u, whole;
		const char *shown;
	} rows[] = {
		{ 6.6e-5, 0.0024, "0.00007" },
		{ 0.0023, 0.0024, "0.00230" },
		{ 0.048, 0.74, "0.048" },
		{ 0.74, 0.74, "0.740" },
		{ 12, 340, "12" },
		{ 1e-9, 0.11, "0.000" },
	};
	char text[40];
	(void)state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		text_part(text, sizeof text, rows[i].u, rows[i].whole);
		assert_string_equal(text, rows[i].shown);
	}
}

static void a_sign_of_a_number_becomes_a_minus_and_a_hyphen_stays(void **state)
{
	static const struct {
		const char *text, *expect;
	} rows[] = {
		{ "-0.5 N·m", "−0.5 N·m" },
		{ "at -40 rpm, (-3), [-.5] =-1", "at −40 rpm, (−3), [−.5] =−1" },
		{ "at\xC2\xA0-9.999", "at\xC2\xA0−9.999" },
		{ "“-3 K”", "“−3 K”" },
		{ "2026-11-27, ISO 5725-2, GUM-S1, 2-4, 1e-05, x-3, a - 3, --5, -x, - 4, -", NULL },
		{ "", NULL },
	};
	(void)state;

	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		char *got = NULL;
		size_t size;
		FILE *f = open_memstream(&got, &size);
		text_signs(f, rows[i].text, strlen(rows[i].text));
		assert_int_equal(fclose(f), 0);
		assert_string_equal(got, rows[i].expect ? rows[i].expect : rows[i].text);
		free(got);
	}
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(parts_have_the_decimals_of_their_sum),
		cmocka_unit_test(value_and_uncertainty_are_rounded_together),
		cmocka_unit_test(a_number_keeps_its_unit),
		cmocka_unit_test(html_is_safe_and_utf8),
		cmocka_unit_test(times_are_utc),
		cmocka_unit_test(words_are_swapped_and_cut_to_fit),
		cmocka_unit_test(a_sign_of_a_number_becomes_a_minus_and_a_hyphen_stays),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
