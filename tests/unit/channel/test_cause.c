/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/cause.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <string.h>

#include <cmocka.h>

static void every_word_is_its_own_and_is_found_again(void **state)
{
	(void)state;
	for (int c = CAUSE_NONE + 1; c < CAUSE_COUNT; c++)
		if (cause_of_word(cause_word((enum cause)c)) != (enum cause)c)
			fail_msg("\"%s\" stands twice", cause_word((enum cause)c));
}

/* A logbook may hold the word of a newer program, a run in order has none: neither is a cause of this one. */
static void a_word_that_is_none_is_not_known(void **state)
{
	static const char *const words[] = { "", "none", "unknown", "Estop", "estop ", "brake", "rig_gone" };

	(void)state;
	for (size_t i = 0; i < sizeof words / sizeof words[0]; i++)
		assert_int_equal(cause_of_word(words[i]), CAUSE_COUNT);
	assert_string_equal(cause_word(CAUSE_COUNT), "unknown");
	assert_string_equal(cause_word((enum cause) - 1), "unknown");
	assert_true(cause_latches(CAUSE_COUNT));
	assert_int_equal(cause_row(CAUSE_COUNT)->limit, LIMIT_GUARD);
	assert_false(cause_latches(CAUSE_NONE));
}

static const char *look_at(int channel)
{
	static const char *const names[CHANNEL_COUNT] = {
		[CHANNEL_CELL] = "torque cell",
		[CHANNEL_TURN] = "pick-up",
		[CHANNEL_BRAKE] = "brake",
		[CHANNEL_VOLTAGE] = "supply",
		[CHANNEL_CURRENT] = "meter",
		[CHANNEL_DRIVE] = "drive",
		[CHANNEL_STATE] = "node",
		[CHANNEL_ESTOP] = "emergency stop",
		[CHANNEL_CAGE] = "guard",
		[CHANNEL_CONTACTOR] = "contactor",
		[CHANNEL_TEMP + (int) TEMP_BRAKE] = "brake",
		[CHANNEL_TEMP + (int) TEMP_CASE] = "actuator",
		[CHANNEL_TEMP + (int) TEMP_WINDING] = "actuator",
		[CHANNEL_TEMP + (int) TEMP_AMBIENT] = "room",
		[CHANNEL_TEMP + (int) TEMP_CELL] = "torque cell",
	};

	if (channel < 0)
		return "—";
	assert_non_null(names[channel]);
	return names[channel];
}

static void docs_line(const struct cause_row *row, char *buf, size_t size)
{
	snprintf(buf, size, "| `%s` | %s | %s | %s | %s | %s |\n", row->word, row->sentence,
		 row->latches ? "yes" : "no", row->leaves_point ? "yes" : "no", row->brake_worsens ? "no" : "yes",
		 look_at(row->channel));
}

/* Both ways: each row of the page is the row of the next cause, and no cause is left over. */
static void the_page_of_causes_has_the_same_rows(void **state)
{
	FILE *page = fopen(SOURCE_ROOT "/docs/causes.md", "r");
	char line[1000], expected[1000];
	int c = CAUSE_NONE;

	(void)state;
	assert_non_null(page);
	while (fgets(line, sizeof line, page)) {
		if (strncmp(line, "| `", 3) != 0)
			continue;
		if (++c >= CAUSE_COUNT)
			fail_msg("docs/causes.md has a row too many: %s", line);
		docs_line(cause_row((enum cause)c), expected, sizeof expected);
		if (strcmp(line, expected) != 0)
			fail_msg("docs/causes.md says\n%sexpected (rig/channel/cause.h)\n%s", line, expected);
	}
	fclose(page);
	if (c != CAUSE_COUNT - 1)
		fail_msg("docs/causes.md ends before \"%s\"", cause_word((enum cause)(c + 1)));
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(every_word_is_its_own_and_is_found_again),
		cmocka_unit_test(a_word_that_is_none_is_not_known),
		cmocka_unit_test(the_page_of_causes_has_the_same_rows),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
