/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Lines by hand after the comments of the Linux kernel's slcan driver ("t1230" has no data, "t4563112233" has three
 * bytes, "T12ABCDEF2AA55" is a 29-bit one; from memory). */
#include "channel/can_frame.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <string.h>

static void lines_and_frames(void **state)
{
	static const struct {
		const char *line;
		struct can_message m;
	} rows[] = {
		{ "t1230", { 0x123, false, 0, { 0 } } },
		{ "t4563112233", { 0x456, false, 3, { 0x11, 0x22, 0x33 } } },
		{ "T12ABCDEF2AA55", { 0x12abcdef, true, 2, { 0xaa, 0x55 } } },
		{ "t7FF8FFFFFFFFFFFFFFFF", { 0x7ff, false, 8, { 255, 255, 255, 255, 255, 255, 255, 255 } } },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct can_message m;
		char line[CAN_FRAME_LINE];

		assert_true(can_frame_read(rows[i].line, &m));
		assert_true(m.id == rows[i].m.id && m.is_long == rows[i].m.is_long && m.n == rows[i].m.n);
		assert_memory_equal(m.byte, rows[i].m.byte, 8);
		size_t n = can_frame_put(&m, line);
		assert_int_equal(n, strlen(rows[i].line) + 1);
		assert_int_equal(line[n - 1], '\r');
		assert_memory_equal(line, rows[i].line, n - 1);
	}
}

static void with_a_time_stamp_and_small_digits(void **state)
{
	struct can_message m;

	(void)state;
	assert_true(can_frame_read("t1ab1ff12F0", &m));
	assert_true(m.id == 0x1ab && m.n == 1 && m.byte[0] == 0xff);
}

/* A length that was damaged, or two lines that lost the end between them, are no frame with a stamp. */
static void another_number_of_digits_is_no_time_stamp(void **state)
{
	static const char *const rows[] = { "t1231AA1",     "t1231AA12",   "t1231AA123",
					    "t1231AA12345", "t1230AABBCC", "t1231AA1234567890" };
	struct can_message m;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		if (can_frame_read(rows[i], &m))
			fail_msg("\"%s\" was taken for a frame", rows[i]);
}

static void what_is_no_frame(void **state)
{
	static const char *const rows[] = { "",        "t",          "t12",   "t123", "t1239", "t8000",  "t12311",
					    "t1231xx", "T200000000", "r1230", "z",    "F00",   "t1230 ", "T1230" };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct can_message m;

		if (can_frame_read(rows[i], &m))
			fail_msg("\"%s\" was taken for a frame", rows[i]);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(lines_and_frames),
		cmocka_unit_test(with_a_time_stamp_and_small_digits),
		cmocka_unit_test(another_number_of_digits_is_no_time_stamp),
		cmocka_unit_test(what_is_no_frame),
	};

	return cmocka_run_group_tests_name("can_frame", tests, NULL, NULL);
}
