/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Bytes by hand: the virtual end of a CAN drive is not taken at its own word. */
#include "bench/can_line.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

static const struct instrument_profile motor = {
	.kind = "can-drive",
	.baud = 1000000,
	.period_s = 0.05,
	.unit_rpm = 1,
	.unit_A = 1,
	.drive_sign = -1,
	.shaft = SHAFT_OUTPUT,
	.lease_s = 0.2,
	.send_speed = "0x201 data 01 00 00 byte 1 length 16 big signed scale 0.1",
	.send_off = "0x201 data 00 00 00",
	.can_tell = { "0x281 byte 0 length 16 signed scale 0.1", "", "", "0x281 byte 2 length 8 is 4",
		      "0x282 bit 0 length 1" },
};

static void send(struct drive_line *l, const char *text, int64_t t_us)
{
	drive_line_receive(l, text, strlen(text), t_us);
}

static const char *said(struct drive_line *l, const struct drive_line_senses *senses, int64_t t_us)
{
	static char buf[200];

	buf[drive_line_take(l, senses, t_us, buf, sizeof buf - 1)] = '\0';
	return buf;
}

/* 0x0064 = 100 tenths: 10 rpm of the output, -360 rpm of the rotor by a gear of 36 and its sign, in tenths -3600. */
static void it_obeys_once_its_adapter_is_open(void **state)
{
	const struct drive_line_senses senses = { 0 };
	struct drive_line l;

	(void)state;
	can_line_init(&l, &motor, 36);
	send(&l, "t2013010064\r", 0);
	assert_string_equal(said(&l, &senses, 0), "\a");
	assert_int_equal(l.orders.mode, BENCH_OFF);
	send(&l, "S6\rO\r", 0);
	assert_string_equal(said(&l, &senses, 0), "\r\r");
	send(&l, "t2013010064\r", 0);
	assert_int_equal(l.orders.mode, BENCH_SPEED);
	assert_true(fabs(l.orders.value + 3600) < 1e-6);
	send(&l, "t2013FF0064\rt20120100\rt2023000000\r", 0); /* of another form */
	assert_int_equal(l.orders.mode, BENCH_SPEED);
	drive_line_tick(&l, true, 200000);
	assert_int_equal(l.orders.mode, BENCH_OFF);
	send(&l, "t2013010064\rt2013000000\r", 300000);
	assert_int_equal(l.orders.mode, BENCH_OFF);
}

static void it_tells_in_frames(void **state)
{
	const struct drive_line_senses senses = { .flags = BENCH_DRIVE_ENABLED, .rotor_rpm = -360, .powered = true };
	struct drive_line l;

	(void)state;
	can_line_init(&l, &motor, 36);
	send(&l, "O\r", 0);
	assert_string_equal(said(&l, &senses, 0), "\r");
	said(&l, &senses, 1000);
	assert_string_equal(said(&l, &senses, 40000), "t2813640004\rt282100\r");
	send(&l, "F\r", 41000);
	assert_string_equal(said(&l, &senses, 41000), "F00\r");
	l.silent = true;
	send(&l, "F\rt2013010064\r", 300000);
	assert_string_equal(said(&l, &senses, 300000), "F24\rz\r");
	assert_int_equal(l.orders.mode, BENCH_OFF);
	assert_string_equal(said(&l, &senses, 500000), "");
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(it_obeys_once_its_adapter_is_open),
		cmocka_unit_test(it_tells_in_frames),
	};

	return cmocka_run_group_tests_name("can_line", tests, NULL, NULL);
}
