// SPDX-License-Identifier: GPL-3.0-or-later
#include "bench/drive_line.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

static const struct instrument_profile motor = {
	.kind = "text-drive",
	.baud = 9600,
	.period_s = 0.05,
	.unit_rpm = 1.0 / 6, /* degrees per second */
	.unit_A = 1e-3,
	.drive_sign = -1,
	.shaft = SHAFT_OUTPUT,
	.lease_s = 0.2,
	.send_speed = "V {speed}",
	.send_current = "I {current}",
	.send_off = "OFF",
	.unit_Nm = 1e-3,
	.unit_deg = 0.1,
	.send_torque = "M {torque} {limit}",
	.send_position = "P {limit} {angle}",
	.tell = { "S {speed.1} {current.0}", "E {enabled=no|yes} {fault} {undervoltage}" },
};

static void send(struct drive_line *l, const char *text, int64_t t_us)
{
	drive_line_receive(l, text, strlen(text), t_us);
}

/* 60 deg/s of the output backwards: -10 rpm, by a gear of 36 -360 rpm of the rotor, times the sign. */
static void it_obeys_in_its_own_units(void **state)
{
	struct drive_line l;

	(void)state;
	drive_line_init(&l, &motor, 36);
	send(&l, "V 6", 1000);
	assert_int_equal(l.orders.mode, BENCH_OFF);
	send(&l, "0\r\n", 1000);
	assert_int_equal(l.orders.mode, BENCH_SPEED);
	assert_true(fabs(l.orders.value + 3600) < 1e-6);
	send(&l, "rubbish\nI 500\n", 1000);
	assert_int_equal(l.orders.mode, BENCH_CURRENT);
	assert_true(fabs(l.orders.value + 500) < 1e-6);
	send(&l, "OFF\n", 1000);
	assert_int_equal(l.orders.mode, BENCH_OFF);
}

/* 2000 mN.m at the output; 60 deg/s are 3600 tenths of rpm of the rotor; 90 degrees of the output backwards are 32400
 * tenths of the rotor's. An angle of 90 degrees of the rotor is 2.5 of the output, backwards. */
static void torque_position_and_angle(void **state)
{
	const struct drive_line_senses senses = { .rotor_deg = 90, .powered = true };
	struct instrument_profile profile = motor;
	struct drive_line l;
	char buf[100];

	(void)state;
	strcpy(profile.tell[0], "A {angle.1}");
	drive_line_init(&l, &profile, 36);
	send(&l, "M -2000 60\n", 1000);
	assert_int_equal(l.orders.mode, BENCH_TORQUE);
	assert_true(fabs(l.orders.value - 2000) < 1e-6 && fabs(l.orders.limit - 3600) < 1e-6);
	send(&l, "P 6 900\n", 1000);
	assert_int_equal(l.orders.mode, BENCH_POSITION);
	assert_true(fabs(l.orders.value + 32400) < 1e-6 && fabs(l.orders.limit - 360) < 1e-6);
	(void)drive_line_take(&l, &senses, 1000, buf, sizeof buf);
	size_t n = drive_line_take(&l, &senses, 100000, buf, sizeof buf);
	assert_true(n > 9);
	assert_memory_equal(buf, "A -25.0\r\n", 9);
}

static void its_lease_ends(void **state)
{
	struct drive_line l;

	(void)state;
	drive_line_init(&l, &motor, 36);
	send(&l, "V 60\n", 0);
	drive_line_tick(&l, true, 199000);
	assert_int_equal(l.orders.mode, BENCH_SPEED);
	drive_line_tick(&l, true, 200000);
	assert_int_equal(l.orders.mode, BENCH_OFF);
}

static void it_tells_in_its_own_units_at_its_own_time(void **state)
{
	static const char expected[] = "S 60.0 -1500\r\nE yes 1 0\r\n";
	const struct drive_line_senses senses = {
		.flags = BENCH_DRIVE_ENABLED | BENCH_DRIVE_FAULT, .rotor_rpm = -360, .current_A = 1.5, .powered = true
	};
	struct drive_line l;
	char buf[100];

	(void)state;
	drive_line_init(&l, &motor, 36);
	assert_int_equal(drive_line_take(&l, &senses, 0, buf, sizeof buf), 0); /* it takes its time on the wire */
	assert_int_equal(drive_line_take(&l, &senses, 25000, buf, sizeof buf), 0);
	assert_int_equal(drive_line_take(&l, &senses, 27000, buf, sizeof buf), strlen(expected));
	assert_memory_equal(buf, expected, strlen(expected));
	drive_line_take(&l, &senses, 49000, buf, sizeof buf);
	assert_int_equal(l.out_n, 0);
	drive_line_take(&l, &senses, 50000, buf, sizeof buf);
	assert_int_equal(l.out_n, strlen(expected));
	l.silent = true;
	l.out_n = 0;
	assert_int_equal(drive_line_take(&l, &senses, 200000, buf, sizeof buf), 0);
	send(&l, "V 60\n", 200000);
	assert_int_equal(l.orders.mode, BENCH_OFF);
}

static void one_that_is_asked_waits_for_it(void **state)
{
	const struct drive_line_senses senses = { .powered = true };
	struct instrument_profile p = motor;
	struct drive_line l;
	char buf[100];

	(void)state;
	strcpy(p.ask, "?");
	drive_line_init(&l, &p, 36);
	assert_int_equal(drive_line_take(&l, &senses, 500000, buf, sizeof buf) + l.out_n, 0);
	send(&l, "?\n", 500000);
	drive_line_take(&l, &senses, 500000, buf, sizeof buf);
	assert_true(drive_line_take(&l, &senses, 600000, buf, sizeof buf) > 5);
	assert_int_equal(drive_line_take(&l, &senses, 700000, buf, sizeof buf) + l.out_n, 0);
}

static void without_power_it_says_nothing(void **state)
{
	const struct drive_line_senses senses = { 0 };
	struct instrument_profile p = motor;
	struct drive_line l;
	char buf[100];

	(void)state;
	p.boot_s = 1;
	drive_line_init(&l, &p, 36);
	drive_line_tick(&l, false, 0);
	drive_line_take(&l, &senses, 0, buf, sizeof buf);
	assert_int_equal(l.out_n, 0);
	drive_line_tick(&l, true, 1000);
	drive_line_take(&l, &senses, 600000, buf, sizeof buf);
	assert_int_equal(l.out_n, 0);
	drive_line_take(&l, &senses, 1001000, buf, sizeof buf);
	assert_true(l.out_n > 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(it_obeys_in_its_own_units),
		cmocka_unit_test(torque_position_and_angle),
		cmocka_unit_test(its_lease_ends),
		cmocka_unit_test(it_tells_in_its_own_units_at_its_own_time),
		cmocka_unit_test(one_that_is_asked_waits_for_it),
		cmocka_unit_test(without_power_it_says_nothing),
	};

	return cmocka_run_group_tests_name("drive_line", tests, NULL, NULL);
}
