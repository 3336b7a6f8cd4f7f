/* SPDX-License-Identifier: GPL-3.0-or-later */
/* A line's bad habits, in bench time; by hand. */
#include "bench/line_habit.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <string.h>

static struct line_habit l;
static char got[200];

static const char *take(int64_t t_us)
{
	size_t n = line_habit_take(&l, t_us, got, sizeof got - 1);

	got[n] = '\0';
	return got;
}

static void late_bytes_come_in_order_and_whole(void **state)
{
	(void)state;
	l = (struct line_habit){ .late_us = 500 };
	line_habit_put(&l, "abc", 3, 1000);
	assert_string_equal(take(1499), "");
	line_habit_put(&l, "def", 3, 1400);
	assert_string_equal(take(1500), "abc");
	l.late_us = 0; /* mended: what is under way is not overtaken */
	assert_true(line_habit_acts(&l));
	line_habit_put(&l, "ghi", 3, 1500);
	assert_string_equal(take(1600), "");
	assert_string_equal(take(1900), "defghi");
	assert_false(line_habit_acts(&l));
}

static void in_pieces_the_second_half_comes_later(void **state)
{
	(void)state;
	l = (struct line_habit){ .pieces = true };
	line_habit_put(&l, "abcdef", 6, 1000);
	assert_string_equal(take(1000), "abc");
	assert_string_equal(take(1999), "");
	assert_string_equal(take(2000), "def");
}

static void rubbish_is_as_much_and_other(void **state)
{
	char sent[LINE_HABIT_ROOM], came[LINE_HABIT_ROOM];
	size_t same = 0;

	(void)state;
	memset(sent, 'a', sizeof sent);
	l = (struct line_habit){ .rubbish_frac = 0.5 };
	line_habit_put(&l, sent, sizeof sent, 0);
	assert_int_equal(line_habit_take(&l, 0, came, sizeof came), sizeof sent);
	for (size_t i = 0; i < sizeof came; i++)
		same += came[i] == 'a';
	assert_in_range(same, sizeof sent / 2 - 500, sizeof sent / 2 + 500);
	line_habit_put(&l, sent, sizeof sent, 0);
	line_habit_put(&l, sent, 10, 0); /* no room: lost */
	assert_int_equal(l.n, LINE_HABIT_ROOM);
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(late_bytes_come_in_order_and_whole),
		cmocka_unit_test(in_pieces_the_second_half_comes_later),
		cmocka_unit_test(rubbish_is_as_much_and_other),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
