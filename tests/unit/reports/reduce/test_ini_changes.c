/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "reports/reduce/ini_changes.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static void note(void *ctx, const char *what)
{
	strcat(strcat(ctx, what), "\n");
}

static void what_differs_is_told_once(void **state)
{
	static const char before[] = "; a rig\n[rig]\nname = Heron\n\n[arm]\nlength = 500 mm ± 0.4 mm ; measured "
				     "twice\n[brake]\ncurrent=1.2 A\n"
				     "[cell]\nlength = 3 m\n",
			  after[] = "[brake]\n  current =  1.2 A\n[arm]\n; length = 1 mm\nlength = 498 mm ± 0.4 "
				    "mm\nlevel = 0.1 deg\n[rig]\nname = Heron"
				    "\n";
	char told[400] = "";

	(void)state;
	ini_changes(before, after, note, told);
	assert_string_equal(told, "[arm] length: 498 mm ± 0.4 mm, was 500 mm ± 0.4 mm\n[arm] level: 0.1 deg, was none\n"
				  "[cell] length: none, was 3 m\n");
	told[0] = '\0';
	ini_changes(after, after, note, told);
	ini_changes("", "", note, told);
	ini_changes("[", "[]\n=\n", note, told); /* damaged text ends all the same */
	assert_null(strchr(told, ','));
}

/* Two texts that differ in their last byte; what is told of them ends at a character, and so does a value. */
static void long_values_are_compared_whole(void **state)
{
	char before[400], after[400], value[INI_VALUE], told[INI_CHANGE] = "";
	const char *runs = "";

	(void)state;
	strcpy(before, "[rig]\nplace = ");
	for (int i = 0; i < 90; i++)
		strcat(before, "\u00b7"); /* two bytes each: 60 of them are shown, of an odd number none is halved */
	strcpy(after, before);
	strcat(before, "x\n");
	strcat(after, "y\n");
	ini_changes(before, after, note, told);
	runs = strchr(told, ':');
	assert_non_null(runs);
	assert_int_equal(strspn(runs + 2, "\u00b7"), 60);
	assert_non_null(strstr(told, "..., was "));
	assert_true(ini_value(before, "rig", "place", value));
	assert_int_equal(strspn(value, "\u00b7"), 76);
	assert_string_equal(value + 76, "...");
	told[0] = '\0';
	ini_changes("[rig]\nname = a\xff\n", "[rig]\nname = b\n", note, told);
	assert_string_equal(told, "[rig] name: b, was a?\n");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_differs_is_told_once),
		cmocka_unit_test(long_values_are_compared_whole),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
