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

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_differs_is_told_once),
	};
	return cmocka_run_group_tests(tests, NULL, NULL);
}
