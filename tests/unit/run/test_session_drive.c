/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What the warden is given to end a drive. Frames as docs/drive.md shows them, lines by hand. */
#include "instrument/can_bus.h"
#include "instrument/canopen_drive.h"
#include "instrument/text_drive.h"
#include "run/session.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdlib.h>
#include <cmocka.h>

#include <string.h>

static struct session *session;

static int begin(void **state)
{
	(void)state;
	session = calloc(1, sizeof *session);
	return session == NULL;
}

static int end(void **state)
{
	(void)state;
	free(session);
	return 0;
}

static const struct instrument_profile can = { .kind = "can-drive",
					       .link = "serial:/dev/ttyACM1",
					       .send_speed = "0x201 data 01 00 00 00 byte 2 length 16",
					       .send_off = "0x201 data 00 00 00 00" };

static void a_frame_is_read_whole_behind_half_a_line(void **state)
{
	static const char *const left[] = { "", "t", "t2014", "t20140102", "t20140102ABCD", "t20140102ABCD\r" };
	static const uint8_t zeros[4];
	char off[64];
	size_t n = session_drive_off(session, &can, off, sizeof off);

	(void)state;
	assert_true(n > 0);
	for (size_t i = 0; i < sizeof left / sizeof left[0]; i++) {
		struct can_bus adapter = { 0 };
		bool whole = false;

		for (const char *c = left[i]; *c; c++)
			can_bus_take(&adapter, *c);
		for (size_t k = 0; k < n; k++)
			whole = can_bus_take(&adapter, off[k]);
		assert_true(whole && adapter.newest.id == 0x201 && adapter.newest.n == 4);
		assert_memory_equal(adapter.newest.byte, zeros, 4);
	}
}

static void a_frame_of_the_kernel_is_nothing_but_a_frame(void **state)
{
	struct instrument_profile p = can;
	char off[64];

	(void)state;
	strcpy(p.link, "can:can0");
	assert_int_equal(session_drive_off(session, &p, off, sizeof off), 16);
	assert_int_equal(off[0], 0x01);
	assert_int_equal(off[1], 0x02);
}

/* Controlword 0 by SDO: it is taken before the drive is operational as well. */
static void a_drive_after_cia_402(void **state)
{
	struct instrument_profile p = { .kind = "canopen-drive", .link = "serial:/dev/ttyACM1", .node_id = 5 };
	static const char frame[] = "\x05\x06\0\0\x08\0\0\0\x2b\x40\x60\0\0\0\0\0";
	char off[64];
	size_t n = session_drive_off(session, &p, off, sizeof off);

	(void)state;
	assert_int_equal(n, 23);
	assert_memory_equal(off, "\rt60582B40600000000000\r", 23);
	strcpy(p.link, "can:can0");
	assert_int_equal(session_drive_off(session, &p, off, sizeof off), 16);
	assert_memory_equal(off, frame, 16);
}

static void a_line_of_text_too(void **state)
{
	const struct instrument_profile p = { .kind = "text-drive", .link = "serial:/dev/ttyACM1", .send_off = "OFF" };
	char off[64];
	size_t n = session_drive_off(session, &p, off, sizeof off);

	(void)state;
	assert_int_equal(n, 5);
	assert_memory_equal(off, "\nOFF\n", 5);
}

/* No word for off, one that cannot be read (the profile's reader lets none in), or no room for it: not a byte. */
static void what_cannot_be_said_is_nothing(void **state)
{
	static const struct instrument_profile rows[] = {
		{ .kind = "text-drive", .link = "serial:/dev/ttyACM1" },
		{ .kind = "text-drive", .link = "serial:/dev/ttyACM1", .send_off = "{" },
		{ .kind = "can-drive", .link = "serial:/dev/ttyACM1" },
		{ .kind = "can-drive", .link = "serial:/dev/ttyACM1", .send_off = "0x201 data" },
		{ .kind = "can-drive", .link = "can:can0" },
	};
	char off[64];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++)
		if (session_drive_off(session, &rows[i], off, sizeof off) != 0)
			fail_msg("row %zu says something", i);
	assert_int_equal(session_drive_off(session, &can, off, 10), 0);
}

/* Written as the register map states it: function 6, address 16, value 0 to unit 3. The CRC by an own computation after
 * the Modbus over Serial Line guide. */
static void a_supply_with_registers(void **state)
{
	static const uint8_t frame[] = { 0x03, 0x06, 0x00, 0x10, 0x00, 0x00, 0x89, 0xed };
	struct instrument_profile p = { .kind = "modbus", .address = 3 };
	char off[64];

	(void)state;
	p.modbus_set[MODBUS_SET_OUTPUT] = (struct modbus_register){ .given = true, .address = 16, .step = 1 };
	assert_int_equal(session_modbus_off(&p, off, sizeof off), sizeof frame);
	assert_memory_equal(off, frame, sizeof frame);
	assert_int_equal(session_modbus_off(&p, off, sizeof frame - 1), 0);
}

/* From the profile to the instrument: the gear of the actuator, words alone that are there, telemetry by its kind. */
static void what_the_instrument_is_told(void **state)
{
	struct instrument_profile p = { .kind = "text-drive",
					.tell = { "n {speed}", "", "i {current}" },
					.period_s = 0.05,
					.encoder_counts = 1200,
					.rated_torque_Nm = 40,
					.temperature_object = "0x2031:1 scale 0.1" };
	struct text_drive_setup text;
	struct canopen_drive_setup canopen;

	(void)state;
	session_text_drive(session, &p, &text);
	assert_int_equal(text.n_tell, 2);
	assert_true(text.drive.gear_ratio > 0.99 && text.drive.gear_ratio < 1.01);
	session->has_actuator = true;
	session->actuator.gear_ratio = 36;
	session_text_drive(session, &p, &text);
	assert_true(text.drive.gear_ratio > 35.9 && text.drive.gear_ratio < 36.1);
	session_canopen_drive(session, &p, &canopen);
	assert_true(canopen.plan.telemetry_s > 0.04 && canopen.plan.telemetry_s < 0.06);
	assert_true(canopen.drive.unit_rpm > 0.0499 && canopen.drive.unit_rpm < 0.0501); /* a count a second */
	assert_true(canopen.drive.unit_Nm > 0.0399 && canopen.drive.unit_Nm < 0.0401);   /* a thousandth of 40 N.m */
	assert_int_equal(canopen.temperature.index, 0x2031);
	p.telemetry = TELEMETRY_SDO; /* asked for one by one */
	p.temperature_object[0] = '\0';
	session_canopen_drive(session, &p, &canopen);
	assert_true(canopen.plan.telemetry_s <= 0);
	assert_int_equal(canopen.temperature.index, 0);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test_setup_teardown(a_frame_is_read_whole_behind_half_a_line, begin, end),
		cmocka_unit_test_setup_teardown(a_frame_of_the_kernel_is_nothing_but_a_frame, begin, end),
		cmocka_unit_test_setup_teardown(a_drive_after_cia_402, begin, end),
		cmocka_unit_test_setup_teardown(a_line_of_text_too, begin, end),
		cmocka_unit_test_setup_teardown(what_cannot_be_said_is_nothing, begin, end),
		cmocka_unit_test_setup_teardown(a_supply_with_registers, begin, end),
		cmocka_unit_test_setup_teardown(what_the_instrument_is_told, begin, end),
	};

	return cmocka_run_group_tests_name("session_drive", tests, NULL, NULL);
}
