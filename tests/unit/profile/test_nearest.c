/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "profile/nearest.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

static const char
	*const words[] = { "torque",     "speed",
			   "full_scale", NULL,
			   "sign",       "zero_drift",
			   "gain_drift", "0123456789012345678901234567890123456789y" /* longer than any key */ };

static void finds_what_was_meant(void **state)
{
	static const struct {
		const char *written, *meant;
	} rows[] = {
		{ "torque", "torque" },
		{ "Torque", "torque" },
		{ "torqe", "torque" },
		{ "trouqe", "torque" },
		{ "ttorque", "torque" },
		{ "sing", "sign" }, /* neighbours swapped: one slip, not two */
		{ "fullscale", "full_scale" },
		{ "zero-drift", "zero_drift" },
		{ "zebra", NULL },
		{ "", NULL },
		{ "sp", NULL },
		{ "torque_of_the_whole_thing", NULL },
		{ "0123456789012345678901234567890123456789x", NULL }, /* longer than any key */
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		const char *found = nearest_word(rows[i].written, words, sizeof words / sizeof words[0]);
		if ((found == NULL) != (rows[i].meant == NULL) || (found && strcmp(found, rows[i].meant) != 0))
			fail_msg("%s: found %s", rows[i].written, found ? found : "nothing");
	}
}

static void the_nearest_of_several_wins(void **state)
{
	(void)state;
	assert_string_equal(nearest_word("ain_drift", words, sizeof words / sizeof words[0]), "gain_drift");
	assert_null(nearest_word("torque", NULL, 0));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(finds_what_was_meant),
		cmocka_unit_test(the_nearest_of_several_wins),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
