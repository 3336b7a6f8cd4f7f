/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Frames by hand after CiA 301 (SDO: command specifiers of 7.2.4.3; predefined identifiers of 7.3.5), numbers with the
 * lowest byte first. */
#include "channel/canopen.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

static void questions_and_services(void **state)
{
	static const char *const lines[] = { "t60584018100000000000\r",
					     "t605823161001 2C017F00\r",
					     "t60582B40600006000000\r",
					     "t60582F60600003000000\r",
					     "t00028005\r",
					     "t77F105\r" };
	struct can_message m[6];
	char line[CAN_FRAME_LINE], want[CAN_FRAME_LINE + 2];

	(void)state;
	canopen_put_read(5, (struct canopen_object){ 0x1018, 0 }, &m[0]);
	canopen_put_write(5, (struct canopen_object){ 0x1016, 1 }, 4, 0x7f012c, &m[1]);
	canopen_put_write(5, (struct canopen_object){ 0x6040, 0 }, 2, 6, &m[2]);
	canopen_put_write(5, (struct canopen_object){ 0x6060, 0 }, 1, 3, &m[3]);
	canopen_put_nmt(CANOPEN_PRE_OPERATIONAL, 5, &m[4]);
	canopen_put_heartbeat(127, &m[5]);
	for (int i = 0; i < 6; i++) {
		size_t n = 0;

		for (const char *c = lines[i]; *c; c++)
			if (*c != ' ')
				want[n++] = *c;
		want[n] = '\0';
		(void)can_frame_put(&m[i], line);
		assert_string_equal(line, want);
	}
}

static void answers(void **state)
{
	static const struct {
		const char *line;
		enum canopen_answer_kind kind;
		uint32_t value;
		unsigned size;
	} rows[] = {
		{ "t585843416000"
		  "92010200",
		  CANOPEN_READ, 0x20192, 4 },
		{ "t58584B416000"
		  "37020000",
		  CANOPEN_READ, 0x237, 2 },
		{ "t58584F416000"
		  "FD000000",
		  CANOPEN_READ, 0xfd, 1 },
		{ "t585842416000"
		  "01000000",
		  CANOPEN_READ, 1, 4 }, /* without its size */
		{ "t585841416000"
		  "0C000000",
		  CANOPEN_TOO_LONG, 0, 0 },
		{ "t585860416000"
		  "00000000",
		  CANOPEN_WRITTEN, 0, 0 },
		{ "t585880416000"
		  "02000106",
		  CANOPEN_REFUSED, 0x06010002, 4 },
		{ "t5858C0416000"
		  "00000000",
		  CANOPEN_NO_ANSWER, 0, 0 }, /* a service that answers nothing that was asked */
		{ "t58684B416000"
		  "37020000",
		  CANOPEN_NO_ANSWER, 0, 0 }, /* of node 6 */
		{ "t58584B416100"
		  "37020000",
		  CANOPEN_NO_ANSWER, 0, 0 }, /* of 6141h */
		{ "t58584B416001"
		  "37020000",
		  CANOPEN_NO_ANSWER, 0, 0 }, /* of sub-index 1 */
		{ "t58544B416000", CANOPEN_NO_ANSWER, 0, 0 },
		{ "T0000058584B41600037020000", CANOPEN_NO_ANSWER, 0, 0 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct can_message m;

		assert_true(can_frame_read(rows[i].line, &m));
		const struct canopen_answer a = canopen_take_answer(5, (struct canopen_object){ 0x6041, 0 }, &m);
		if (a.kind != rows[i].kind || a.value != rows[i].value || a.size != rows[i].size)
			fail_msg("%s: kind %d, value %x, size %u", rows[i].line, a.kind, (unsigned)a.value, a.size);
	}
}

static void signs_and_boots(void **state)
{
	struct can_message m = { .id = 0x705, .n = 1 };

	(void)state;
	assert_int_equal(canopen_signed(0xfd, 1), -3);
	assert_int_equal(canopen_signed(0xfffe, 2), -2);
	assert_int_equal(canopen_signed(0xffffff, 3), -1);
	assert_int_equal(canopen_signed(0xfffffff0, 4), -16);
	assert_int_equal(canopen_signed(0x7f, 1), 127);
	assert_true(canopen_is_boot(5, &m));
	assert_false(canopen_is_boot(6, &m));
	m.is_long = true;
	assert_false(canopen_is_boot(5, &m));
	m.is_long = false;
	m.n = 2;
	assert_false(canopen_is_boot(5, &m));
	m.n = 1;
	m.byte[0] = 5;
	assert_false(canopen_is_boot(5, &m));
	assert_string_equal(canopen_abort_words(0x06010002), "the object can only be read");
	assert_string_equal(canopen_abort_words(0x12345678), "not listed in CiA 301");
}

static void objects_of_rig_ini(void **state)
{
	static const struct {
		const char *text;
		bool is_one;
		double scale;
	} rows[] = {
		{ "0x2031:1", true, 1 },
		{ "0x2031:1 scale 0.1", true, 0.1 },
		{ "8241:1 scale -2", true, -2 },
		{ "0x2031", false, 0 },
		{ "0x12031:1", false, 0 },
		{ "0x2031:256", false, 0 },
		{ "0x2031:1 scale", false, 0 },
		{ "0x2031:1 scale 0", false, 0 },
		{ "0x2031:1 scale nan", false, 0 },
		{ "0x2031:1 scale 1 x", false, 0 },
		{ "-1:1", false, 0 },
		{ ":1", false, 0 },
		{ "0x2031:x", false, 0 },
		{ "0x2031:1 scale x", false, 0 },
		{ "0x2031:1 scale inf", false, 0 },
		{ "", false, 0 },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct canopen_object o;
		double scale;
		bool is_one = canopen_read_object(rows[i].text, &o, &scale);

		if (is_one != rows[i].is_one)
			fail_msg("\"%s\"", rows[i].text);
		if (is_one) {
			assert_true(o.index == 0x2031 && o.sub == 1);
			assert_true(scale <= rows[i].scale && scale >= rows[i].scale);
		}
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(questions_and_services),
		cmocka_unit_test(answers),
		cmocka_unit_test(signs_and_boots),
		cmocka_unit_test(objects_of_rig_ini),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
