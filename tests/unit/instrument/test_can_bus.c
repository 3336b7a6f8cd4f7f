/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/can_bus.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <cmocka.h>

#include <string.h>

static unsigned feed(struct can_bus *b, const char *text)
{
	unsigned frames = 0;

	for (; *text; text++)
		frames += can_bus_take(b, *text);
	return frames;
}

static void frames_among_answers(void **state)
{
	struct can_bus b = { 0 };

	(void)state;
	assert_int_equal(feed(&b, "\r\r\at12"), 0);
	assert_int_equal(feed(&b, "32AA\r"), 0); /* one byte of two is missing: not a whole frame */
	assert_int_equal(feed(&b, "t1232AABB\rz\rzt1241CC\r"), 2);
	assert_int_equal(b.newest.id, 0x124);
	assert_int_equal(feed(&b, "t1232AABBt1232AABBt1232AABBt1232AABBt1232AABB\r"), 0); /* no end: too long */
	assert_int_equal(feed(&b, "t1250\r"), 1);
}

/* State lines as the kernel's driver documents them; status bits from memory. */
static void states(void **state)
{
	static const struct {
		const char *says;
		enum can_bus_state expected;
		const char *words;
	} rows[] = {
		{ "", CAN_BUS_UNKNOWN, "does not answer" },
		{ "\r", CAN_BUS_UNKNOWN, "no frame came" },
		{ "sb256256\r", CAN_BUS_OFF, "bus is off" },
		{ "sa057033\r", CAN_BUS_ACTIVE, "no frame came" },
		{ "sp128000\r", CAN_BUS_PASSIVE, "error-passive" },
		{ "sw100000\r", CAN_BUS_WARNING, "no frame came" },
		{ "sb256256\rsx000000\r", CAN_BUS_UNKNOWN, "no frame came" },
		{ "F24\r", CAN_BUS_PASSIVE, "60 ohm" },
		{ "F04\r", CAN_BUS_WARNING, "no frame came" },
		{ "F24\rF00\r", CAN_BUS_ACTIVE, "no frame came" },
		{ "F2\rFxx\rsp12\r", CAN_BUS_UNKNOWN, "no frame came" },
		{ "F00\rt1232AABB\r", CAN_BUS_ACTIVE,
		  "frame 0x281 is missing or too short, newest 0x123 with 2 bytes" },
	};
	char text[200];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct can_bus b = { 0 };

		feed(&b, rows[i].says);
		can_bus_hint(&b, 0x281, text, sizeof text);
		if (b.state != rows[i].expected || strstr(text, rows[i].words) == NULL)
			fail_msg("row %zu: state %d, \"%s\"", i, (int)b.state, text);
	}
}

static void it_is_opened_at_its_rate(void **state)
{
	char buf[CAN_BUS_LINE];

	(void)state;
	assert_true(can_bus_put_open(500000, buf) > 0);
	assert_string_equal(buf, "\rC\rS6\rO\r");
	assert_true(can_bus_put_open(1000000, buf) > 0);
	assert_string_equal(buf, "\rC\rS8\rO\r");
	assert_int_equal(can_bus_put_open(400000, buf), 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(frames_among_answers),
		cmocka_unit_test(states),
		cmocka_unit_test(it_is_opened_at_its_rate),
	};

	return cmocka_run_group_tests_name("can_bus", tests, NULL, NULL);
}
