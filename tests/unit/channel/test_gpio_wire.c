/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "channel/gpio_wire.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdio.h>
#include <string.h>

static void lines_are_read(void **state)
{
	static const struct {
		const char *text, *name;
		int offset;
		bool low;
		enum gpio_bias bias;
	} rows[] = {
		{ "17", "", 17, false, GPIO_AS_IS },
		{ "0 low", "", 0, true, GPIO_AS_IS },
		{ "ESTOP pull-up low", "ESTOP", -1, true, GPIO_PULL_UP },
		{ " GPIO17\tpull-down ", "GPIO17", -1, false, GPIO_PULL_DOWN },
		{ "17a", "17a", -1, false, GPIO_AS_IS },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct gpio_wire w;

		print_message("# %s\n", rows[i].text);
		assert_true(gpio_wire_read(rows[i].text, &w));
		assert_true(w.wired);
		assert_string_equal(w.name, rows[i].name);
		assert_int_equal(w.offset, rows[i].offset);
		assert_int_equal(w.low, rows[i].low);
		assert_int_equal(w.bias, rows[i].bias);
	}
}

static void what_is_none_is_not_wired(void **state)
{
	static const char *const rows[] = { "17 up", "17 low low", "17 pull-up pull-down",
					    "17 18", "99999",      "a-name-of-more-than-31-characters" };
	struct gpio_wire w;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		print_message("# %s\n", rows[i]);
		assert_false(gpio_wire_read(rows[i], &w));
		assert_false(w.wired);
	}
	assert_true(gpio_wire_read("", &w));
	assert_false(w.wired);
}

static void the_same_line_is_found(void **state)
{
	struct gpio_wire a, b, none;

	(void)state;
	assert_true(gpio_wire_read("17 low", &a) && gpio_wire_read("17 pull-up", &b) && gpio_wire_read("", &none));
	assert_true(gpio_wire_same(&a, &b));
	assert_false(gpio_wire_same(&none, &none));
	assert_true(gpio_wire_read("A", &a) && gpio_wire_read("B", &b));
	assert_false(gpio_wire_same(&a, &b));
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(lines_are_read),
		cmocka_unit_test(what_is_none_is_not_wired),
		cmocka_unit_test(the_same_line_is_found),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
