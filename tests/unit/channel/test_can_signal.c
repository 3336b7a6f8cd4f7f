/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Places of bytes and bits by hand: the lowest byte first (little), the highest first (big), as two's complement;
 * common practice of signal maps, no source. */
#include "channel/can_signal.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <stdio.h>
#include <string.h>

static struct can_map map(const char *text)
{
	struct can_map m;
	char why[CAN_SIGNAL_WHY];

	if (!can_map_read(text, &m, why))
		fail_msg("\"%s\": %s", text, why);
	return m;
}

static void values_are_found(void **state)
{
	static const struct {
		const char *map;
		struct can_message m;
		double value;
	} rows[] = {
		{ "0x281 byte 0 length 16", { 0x281, false, 8, { 0x34, 0x12 } }, 0x1234 },
		{ "0x281 byte 0 length 16 big", { 0x281, false, 8, { 0x12, 0x34 } }, 0x1234 },
		{ "0x281 byte 2 length 16 signed scale 0.1", { 0x281, false, 4, { 0, 0, 0xfe, 0xff } }, -0.2 },
		{ "0x281 byte 1 length 24 big signed", { 0x281, false, 4, { 0, 0xff, 0xff, 0xfd } }, -3 },
		{ "0x281 byte 5 length 8 offset -40", { 0x281, false, 6, { 0, 0, 0, 0, 0, 90 } }, 50 },
		{ "0x281 bit 12 length 4", { 0x281, false, 2, { 0, 0x5f } }, 5 },
		{ "0x281 bit 3 length 12 big", { 0x281, false, 2, { 0xfa, 0xbc } }, 0xabc },
		{ "0x281 bit 9 length 1", { 0x281, false, 2, { 0xff, 0xfd } }, 0 },
		{ "0x281 byte 0 length 8 is 7", { 0x281, false, 1, { 7 } }, 1 },
		{ "0x281 byte 0 length 8 is 7", { 0x281, false, 1, { 8 } }, 0 },
		{ "0x281 byte 0 length 64 is 9", { 0x281, false, 8, { 9 } }, 1 },
		{ "0x281 byte 0 length 64 signed",
		  { 0x281, false, 8, { 0xff, 255, 255, 255, 255, 255, 255, 255 } },
		  -1 },
		{ "0x18FF0281 byte 0 length 8", { 0x18ff0281, true, 1, { 9 } }, 9 },
		{ "0x281 long byte 0 length 8", { 0x281, true, 1, { 9 } }, 9 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct can_map m = map(rows[i].map);
		double value = NAN;

		if (!can_map_get(&m, &rows[i].m, &value) || fabs(value - rows[i].value) > 1e-9)
			fail_msg("\"%s\": %g instead of %g", rows[i].map, value, rows[i].value);
	}
}

static void of_another_frame_or_a_shorter_one_it_is_none(void **state)
{
	static const struct can_message rows[] = { { 0x282, false, 8, { 0 } },
						   { 0x281, true, 8, { 0 } },
						   { 0x281, false, 3, { 0 } },
						   { 0x281, false, 0, { 0 } } };
	struct can_map m = map("0x281 byte 2 length 16");
	double value;

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		assert_false(can_map_get(&m, &rows[i], &value));
	assert_true(can_map_get(&m, &(struct can_message){ 0x281, false, 4, { 0 } }, &value));
}

static void a_frame_is_filled(void **state)
{
	static const struct {
		const char *map;
		double value;
		uint8_t byte[8];
		uint8_t n;
	} rows[] = {
		{ "0x201 data 01 00 00 00 byte 2 length 16 signed scale 0.1", -0.2, { 1, 0, 0xfe, 0xff }, 4 },
		{ "0x201 data 00 00 00 07 byte 0 length 16 big", 0x1234, { 0x12, 0x34, 0, 7 }, 4 },
		{ "0x201 data 00 00 byte 0 length 16 signed", 1e9, { 0xff, 0x7f }, 2 },
		{ "0x201 data 00 00 byte 0 length 16 signed", -1e9, { 0x00, 0x80 }, 2 },
		{ "0x201 data 00 00 byte 0 length 16", 1e9, { 0xff, 0xff }, 2 },
		{ "0x201 data 00 00 byte 0 length 16", -3, { 0, 0 }, 2 },
		{ "0x201 data F0 bit 0 length 4", 5, { 0xf5 }, 1 },
		{ "0x201 data 06 00", NAN, { 6, 0 }, 2 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct can_map m = map(rows[i].map);
		struct can_message got;

		assert_true(can_map_put(&m, rows[i].value, &got));
		assert_int_equal(got.id, 0x201);
		assert_int_equal(got.n, rows[i].n);
		assert_memory_equal(got.byte, rows[i].byte, 8);
	}
	struct can_map m = map("0x201 data 00 00 byte 0 length 16");
	struct can_message got;
	assert_false(can_map_put(&m, NAN, &got));
	assert_false(can_map_put(&m, INFINITY, &got));
}

/* Whatever place, what was put is found again, and nothing beside it was touched. */
static void what_was_put_is_found(void **state)
{
	(void)state;
	for (unsigned length = 1; length <= 52; length += 3)
		for (unsigned first = 0; first < 64; first++)
			for (int kind = 0; kind < 4; kind++) {
				char text[100], why[CAN_SIGNAL_WHY];
				struct can_map m;
				struct can_message got;
				double range = ldexp(1, (int)length - (kind & 1) - 1), value = floor(0.7 * range), back;

				snprintf(text, sizeof text, "1 data 00 00 00 00 00 00 00 00 bit %u length %u %s %s",
					 first, length, kind & 2 ? "big" : "little", kind & 1 ? "signed" : "unsigned");
				if (!can_map_read(text, &m, why))
					continue;
				value = kind & 1 ? -value : value;
				assert_true(can_map_put(&m, value, &got));
				assert_true(can_map_get(&m, &got, &back));
				if (fabs(back - value) > 0)
					fail_msg("%s: %g came back as %g", text, value, back);
				for (unsigned bit = 0; bit < 64; bit++)
					assert_true(!(got.byte[bit / 8] >> (bit % 8) & 1) || m.signal.bits >> bit & 1);
			}
}

static void what_is_no_map_is_said(void **state)
{
	static const struct {
		const char *map, *words;
	} rows[] = {
		{ "", "ends where an identifier" },
		{ "speed", "found \"speed\", expected an identifier" },
		{ "0x20000000", "expected an identifier" },
		{ "0x281 byte 8 length 8", "found \"8\", expected a byte from 0 to 7" },
		{ "0x281 byte 0", "has no length" },
		{ "0x281 byte 5 length 8 is -1", "\"is -1\" can never be: a value of 8 bits goes from 0 to 255" },
		{ "0x281 byte 5 length 8 is 0x1FF", "\"is 511\" can never be" },
		{ "0x281 byte 5 length 8 signed is 128", "goes from -128 to 127" },
		{ "0x281 length 8", "does not say where its value begins" },
		{ "0x281 byte 0 bit 0 length 8", "has byte and bit" },
		{ "0x281 byte 6 length 32", "a value of 32 bits does not fit there: the frame has 8 bytes" },
		{ "0x281 byte 6 length 32 big", "does not fit there" },
		{ "0x201 data 00 00 byte 1 length 16", "the frame has 2 bytes" },
		{ "0x201 data 00 10 byte 0 length 16", "the data of byte 1 overlaps the value" },
		{ "0x201 data", "bytes of two hexadecimal digits" },
		{ "0x201 data 00 00 00 00 00 00 00 00 00", "at most 8 bytes" },
		{ "0x281 byte 0 length 65", "1 to 64 bits" },
		{ "0x281 byte 0 length 8 scale 0", "a scale other than 0" },
		{ "0x281 byte 0 length 8 scale", "ends where a scale" },
		{ "0x281 byte 0 length 8 scale 1x", "expected a scale" },
		{ "0x281 byte 0 length 0", "1 to 64 bits" },
		{ "0x281 byte 0 length 8 is 9223372036854775807", "a whole number after is" },
		{ "0x201 data 0g", "bytes of two hexadecimal digits" },
		{ "0x201 data g0", "bytes of two hexadecimal digits" },
		{ "0x281 byte 0 length 8 scale nan", "expected a scale" },
		{ "0x281 byte 0 length 8 middle", "found \"middle\", expected long, data" },
		/* longer than a word is kept: cut short it would be another number */
		{ "0x281 byte 0 length 8 offset 10000000000000000000000000000", "expected an offset that is a number" },
		{ "0x281 byte 0 length 8 is 00000000000000000000000000000005", "expected" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct can_map m;
		char why[CAN_SIGNAL_WHY] = "";

		if (can_map_read(rows[i].map, &m, why) || strstr(why, rows[i].words) == NULL)
			fail_msg("\"%s\": \"%s\" does not say \"%s\"", rows[i].map, why, rows[i].words);
	}
}

static void overlaps(void **state)
{
	static const struct {
		const char *a, *b;
		bool expected;
	} rows[] = {
		{ "1 byte 0 length 16", "1 byte 1 length 8", true },
		{ "1 byte 0 length 16", "1 byte 2 length 8", false },
		{ "1 byte 0 length 16", "2 byte 1 length 8", false },
		{ "1 byte 0 length 16", "1 long byte 1 length 8", false },
		{ "1 byte 0 length 8 is 1", "1 byte 0 length 8 is 2", false },
		{ "1 byte 0 length 8 is 1", "1 byte 0 length 8", true },
		{ "1 bit 3 length 12 big", "1 bit 4 length 4", false },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct can_map a = map(rows[i].a), b = map(rows[i].b);

		assert_int_equal(can_map_overlap(&a, &b), rows[i].expected);
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(values_are_found),
		cmocka_unit_test(of_another_frame_or_a_shorter_one_it_is_none),
		cmocka_unit_test(a_frame_is_filled),
		cmocka_unit_test(what_was_put_is_found),
		cmocka_unit_test(what_is_no_map_is_said),
		cmocka_unit_test(overlaps),
	};

	return cmocka_run_group_tests_name("can_signal", tests, NULL, NULL);
}
