/* SPDX-License-Identifier: GPL-3.0-or-later */
/* The keys of each kind of instrument: a section that is right, and what is told when one of its lines is not. */
#include "profile/profile.h"
#include "channel/channel.h"
#include "channel/drive_word.h"

#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>

#include <cmocka.h>

#include <math.h>
#include <stdio.h>
#include <stdlib.h>

#include "profile_scene.h"

#define COUNT(list) (sizeof(list) / sizeof(list)[0])

/* A line of the section, what stands there instead, and what is told of it. */
struct change {
	const char *from, *to, *words;
};

static const char *head = rig_text;

static enum rc read_section(const char *section, struct rig_profile *ret, struct mistakes *m)
{
	char *text = malloc(strlen(head) + strlen(section) + 1);
	enum rc rc;

	assert_non_null(text);
	strcpy(text, head);
	strcat(text, section);
	rc = profile_parse_rig(text, "rig.ini", ret, m, NULL);
	free(text);
	return rc;
}

static struct instrument_profile read_right(const char *section)
{
	struct rig_profile rig = { 0 };
	struct mistakes m = { 0 };

	if (read_section(section, &rig, &m) != RC_OK)
		fail_msg("%zu mistakes, first: %s", m.n, m.n ? m.line[0] : "none");
	assert_int_equal(rig.n_instruments, 1);
	return rig.instrument[0];
}

static void refuse_each(const char *section, const struct change *list, size_t n)
{
	for (size_t i = 0; i < n; i++) {
		struct rig_profile rig = { .n_instruments = 77 };
		struct mistakes m = { 0 };
		char *text = replaced(section, list[i].from, list[i].to);

		if (read_section(text, &rig, &m) != RC_ARG || !stands(&m, list[i].words))
			fail_msg("not told: %s (%zu mistakes, first %s)", list[i].words, m.n, m.n ? m.line[0] : "none");
		assert_int_equal(rig.n_instruments, 77);
		free(text);
	}
}

static const char can_drive[] =
	"\n[instrument m]\nkind = can-drive\nlink = can:can0\nroles = drive\nperiod = 0.05 s\nlease = 0.3 s\n"
	"send_speed = 0x201 data 01 00 00 00 00 00 00 00 byte 4 length 32 signed\n"
	"send_current = 0x201 data 02 00 00 00 00 00 00 00 byte 4 length 32 signed\n"
	"send_off = 0x201 data 00 00 00 00 00 00 00 00\n"
	"ask = 0x202 data 01\n"
	"tell_speed = 0x281 byte 0 length 24 big signed scale 0.01\n"
	"tell_enabled = 0x281 byte 7 length 8 is 4\n"
	"tell_fault = 0x281 byte 7 length 8 is 5\n";

static void a_can_drive(void **state)
{
	static const struct change list[] = {
		{ "send_off = 0x201 data 00 00 00 00 00 00 00 00", "", "send_off: is missing; a can-drive needs" },
		{ "send_off = 0x201 data 00", "send_off = 0x201 data zz", "send_off: \"0x201 data zz" },
		{ "send_off = 0x201 data 00 00 00 00 00 00 00 00", "send_off = 0x201 byte 0 length 8",
		  "send_off: has no data" },
		{ "ask = 0x202 data 01", "ask = 0x202 data 00 byte 0 length 8", "ask: has a value" },
		{ "byte 4 length 32 signed\nsend_c", "\nsend_c", "send_speed: does not say where its value goes" },
		{ "byte 4 length 32 signed\nsend_off", "byte 4 length 32 is 3\nsend_off",
		  "send_current: does not say where its value goes" },
		{ "tell_speed = 0x281 byte", "tell_speed = 0x281 data 00 00 00 byte", "tell_speed: has data" },
		{ "tell_speed = 0x281 byte 0 length 24 big signed scale 0.01", "tell_speed = 0x281",
		  "tell_speed: does not say where its value is" },
		{ "big signed scale 0.01", "is 3", "tell_speed: has is, which goes with a yes or no" },
		{ "tell_fault = 0x281 byte 7 length 8 is 5", "tell_fault = 0x281 bit", "tell_fault: \"0x281 bit\"" },
		{ "ask = 0x202 data 01", "tell_temperature = 0x282 byte 0 length 8 is 3", "tell_temperature: has is" },
		{ "tell_enabled = 0x281 byte 7 length 8 is 4", "", "tell_enabled: is missing; the guard has to see" },
		{ "tell_enabled = 0x281 byte 7", "tell_enabled = 0x281 byte 1",
		  "tell_enabled: overlaps tell_speed in frame 0x281" },
		{ "tell_speed = 0x281", "tell_speed = 0x202",
		  "tell_speed: has the identifier 0x202, which ask sends to the drive" },
		{ "send_off = 0x201 data 00", "send_off = 0x201 data 01",
		  "send_off: is the frame of send_speed with a value of 0" },
		{ "send_off = 0x201 data 00", "send_off = 0x201 data 02",
		  "send_off: is the frame of send_current with a value of 0" },
		{ "lease = 0.3 s\n", "lease = 0.3 s\nbit_rate = 123456\n", "bit_rate: found 123456" },
		{ "period = 0.05 s", "period = 0.25 s", "period: found 0.25 s, expected at most 0.2 s for a drive" },
		{ "lease = 0.3 s", "lease = 0.02 s", "lease: found 0.02 s, expected at least six ticks" },
		{ "ask = 0x202 data 01", "tell_angle = 0x282 byte 0 length 8 is 3", "tell_angle: has is" },
		{ "kind = can-drive", "kind = text-drive",
		  "link: found \"can:can0\", but a text-drive is not on a CAN bus" },
	};
	char *no_sender = replaced(can_drive, "send_speed = 0x201 data 01", "# ");
	static const struct change none[] = { { "send_current =", "#", "send_speed: is missing; a can-drive needs" } };
	struct instrument_profile p = read_right(can_drive);

	(void)state;
	assert_int_equal(p.roles, ROLE_DRIVE);
	assert_string_equal(p.can_tell[DRIVE_WORD_ENABLED], "0x281 byte 7 length 8 is 4");
	refuse_each(can_drive, list, COUNT(list));
	refuse_each(no_sender, none, COUNT(none));
	assert_int_equal(read_right(no_sender).roles, ROLE_DRIVE); /* by its current alone */
	char *shorter = replaced(can_drive, "data 00 00 00 00 00 00 00 00", "data 01");
	assert_int_equal(read_right(shorter).roles, ROLE_DRIVE); /* one byte is another frame */
	free(shorter);
	free(no_sender);
}

static const char text_drive[] =
	"\n[instrument m]\nkind = text-drive\nlink = serial:/dev/ttyUSB0\nroles = drive\nperiod = 0.05 s\n"
	"lease = 0.3 s\nsend_speed = V {speed.3}\nsend_current = I {current.3}\nsend_torque = T {torque.3} {limit.1}\n"
	"send_position = P {angle.1} {limit.1}\nsend_off = OFF\nask = ?\n"
	"tell = S {speed.2} A {angle}\ntell_example = S -12.50 A 31.5\n"
	"tell_2 = E {enabled=off|on}\ntell_2_example = E on\n";

static void a_text_drive(void **state)
{
	static const struct change list[] = {
		{ "send_off = OFF", "", "send_off: is missing; a text-drive needs it" },
		{ "send_off = OFF", "send_off = V {speed}", "send_off: found {speed}, expected a line without values" },
		{ "send_off = OFF", "send_off = V {speed", "send_off: \"V {speed\"" },
		{ "send_off = OFF", "send_off = OFF OFF OFF OFF OFF OFF OFF OFF OFF OFF OFF OFF!",
		  "send_off: found 48 characters, expected at most 47" },
		{ "V {speed.3}", "V {speed", "send_speed: \"V {speed\"" },
		{ "V {speed.3}", "V", "send_speed: found \"V\", expected a line with the one value {speed}" },
		{ "V {speed.3}", "V {speed=a|b}", "send_speed: found" },
		{ "T {torque.3} {limit.1}", "T {torque.3}",
		  "send_torque: found \"T {torque.3}\", expected a line with the values {torque} and {limit}" },
		{ "T {torque.3} {limit.1}", "T {torque.3} {speed}", "send_torque: found" },
		{ "P {angle.1} {limit.1}", "P {turn.1} {limit.1}", "send_position: found" },
		{ "I {current.3}", "I {speed}", "send_current: found" },
		{ "ask = ?", "ask = ? {speed}", "ask: found {speed}" },
		{ "tell = S {speed.2} A {angle}", "", "tell: is missing; a text-drive needs the form" },
		{ "tell = S {speed.2} A {angle}", "tell = S {speed", "tell: \"S {speed\"" },
		{ "tell = S {speed.2} A {angle}", "tell = S {voltage}", "tell: found {voltage}, expected speed" },
		{ "tell = S {speed.2} A {angle}", "tell = S", "tell: found \"S\", expected at least one value" },
		{ "tell_example = S -12.50 A 31.5", "", "tell: has no example" },
		{ "tell_example = S", "tell_example = s", "does not fit its example" },
		{ "tell_2 = E {enabled=off|on}", "tell_2 = E {fault=off|on}", "tell: nothing tells {enabled}" },
		{ "period = 0.05 s", "period = 0.25 s", "period: found 0.25 s, expected at most 0.2 s for a drive" },
	};
	char *no_current = replaced(text_drive, "send_current", "# ");
	static const struct change none[] = { { "send_speed", "#", "send_speed: is missing; a text-drive needs it" } };
	struct instrument_profile p = read_right(text_drive);

	(void)state;
	assert_string_equal(p.send_off, "OFF");
	assert_string_equal(p.tell_example[1], "E on");
	refuse_each(text_drive, list, COUNT(list));
	refuse_each(no_current, none, COUNT(none));
	free(no_current);
}

static const char indicator[] =
	"\n[instrument gauge]\nkind = indicator\nlink = serial:/dev/ttyUSB0\nroles = cell\nperiod = 0.1 s\n"
	"unit = kg\ndivision = 0.005\nlever = 0.25 m\ntell = {stable=US|ST},GS,{sign=+|-}{reading.3} kg\n"
	"tell_example = ST,GS,+  12.345 kg\ntell_2 = OL\ntell_2_example = OL\n";

/* By the standard gravity, 9.80665 m/s² (CGPM 1901). */
static void an_indicator(void **state)
{
	static const struct change list[] = {
		{ "tell = {stable=US|ST},GS,{sign=+|-}{reading.3} kg", "", "tell: is missing; an indicator needs" },
		{ "{reading.3}", "{reading.3", "tell: \"{stable=US|ST},GS,{sign=+|-}{reading.3 kg\"" },
		{ "{reading.3}", "{weight}", "tell: found {weight}, expected reading, sign, stable or over" },
		{ "{reading.3}", "{reading=a|b}", "tell: {reading} has words, expected a number" },
		{ "{sign=+|-}", "{sign},", "tell: {sign} needs its two words, such as {sign=+|-}" },
		{ "{stable=US|ST}", "{stable}", "tell: {stable} needs its two words, such as {stable=US|ST}" },
		{ "{stable=US|ST}", "{over=OL}", "tell: {over} needs its two words, such as {over=|OL}" },
		{ "tell_example = ST", "tell_example = XX", "does not fit its form" },
		{ "tell_example = ST,GS,+  12.345 kg", "", "tell: has no example" },
		{ "12.345", "12.343", "division: found 0.005, but the example's reading 12.343 is no multiple of it" },
		{ "{reading.3}", "{}", "tell: no form has {reading}" },
		{ "division = 0.005", "", "division: is missing" },
		{ "unit = kg", "unit = s", "unit: found \"s\", expected a unit of torque, force or mass" },
		{ "lever = 0.25 m", "", "lever: is missing; an indicator that shows kg" },
		{ "unit = kg", "unit = N.m", "lever: does not go with the torque unit N.m" },
		{ "period = 0.1 s", "period = 0.3 s", "period: found 0.3 s, expected at most 0.2 s" },
		{ "lever = 0.25 m", "lever = 0.25 m\nask = {reading}", "ask: found {reading}" },
	};
	char *newtons = replaced(indicator, "unit = kg", "unit = N"), *torque, *no_lever;
	struct instrument_profile p = read_right(indicator);

	(void)state;
	assert_near(p.division_Nm, 0.005 * 0.25 * 9.80665);
	p = read_right(newtons);
	assert_near(p.division_Nm, 0.005 * 0.25);
	no_lever = replaced(indicator, "lever = 0.25 m", "");
	torque = replaced(no_lever, "unit = kg", "unit = mN.m");
	p = read_right(torque);
	assert_near(p.division_Nm, 0.005 * 1e-3);
	refuse_each(indicator, list, COUNT(list));
	free(newtons);
	free(no_lever);
	free(torque);
}

/* Where rig.ini says nothing of the cell's counts: full scale (60 N.m) in divisions, saturated at twice that. */
static void an_indicator_tells_its_range(void **state)
{
	struct rig_profile rig = { 0 };
	struct mistakes m = { 0 };
	char *no_lever = replaced(indicator, "lever = 0.25 m", ""),
	     *torque = replaced(no_lever, "unit = kg", "unit = N.m");

	(void)state;
	assert_int_equal(read_section(torque, &rig, &m), RC_OK);
	assert_near(rig.cell_full_scale_count, 12000);
	assert_near(rig.cell_saturation_count, 24000);
	char *given = replaced(rig_text, "mounting =", "full_scale_counts = 9000\nmounting =");
	head = given;
	assert_int_equal(read_section(torque, &rig, &m), RC_OK);
	assert_near(rig.cell_full_scale_count, 9000);
	head = rig_text;
	free(given);
	free(torque);
	free(no_lever);
}

static const char modbus[] =
	"\n[instrument panel]\nkind = modbus\nlink = serial:/dev/ttyUSB0\nroles = meter, temperatures\nperiod = 0.1 s\n"
	"address = 3\nread_voltage = input 0 u32 high-first 0.1 mV\nread_current = holding 0x10 f32 low-first 1\n"
	"read_case = holding 9 u16 0.1\n";

static void a_modbus_device(void **state)
{
	static const struct change list[] = {
		{ "address = 3", "address = 248", "address: found \"248\", expected 0 to 247" },
		{ "address = 3", "", "address: found 0" },
		{ "input 0", "coil 0", "read_voltage: found \"coil\", expected holding or input first" },
		{ "input 0", "input 65536", "read_voltage: found the register \"65536\"" },
		{ "input 0", "input x", "read_voltage: found the register \"x\"" },
		{ "input 0", "input +1", "read_voltage: found the register \"+1\"" },
		{ "input 0", "input 1z", "read_voltage: found the register \"1z\"" },
		{ "input 0 u32 high-first 0.1 mV", "input", "read_voltage: found the register \"\"" },
		{ "0 u32", "0 u8", "f32, such as: input 0 u16 0.01 V" },
		{ "0 u32 high-first 0.1 mV", "0", "read_voltage: found the type \"\"" },
		{ "high-first 0.1 mV", "0.1 mV", "read_voltage: found the word order \"0.1\"" },
		{ "high-first 0.1 mV", "", "read_voltage: found the word order \"\"" },
		{ "input 0 u32", "input 65535 u32", "read_voltage: found register 65535 for 32 bits" },
		{ "9 u16 0.1", "9 u16", "read_case: found the step \"\"" },
		{ "0.1 mV", "0.1 A", "read_voltage: found the step \"0.1 A\", expected what 1 of it is" },
		{ "0.1 mV", "0 mV", "read_voltage: found the step \"0 mV\"" },
		{ "0.1 mV", "0.1 mV ± 1 mV", "read_voltage: found the step \"0.1 mV" },
		{ "holding 9 u16", "holding 0x11 u16", "read_case: lies on registers of read_current" },
		{ "read_voltage =", "#", "read_voltage: is missing; the roles need that register" },
		{ "roles = meter, temperatures", "roles = meter", "read_case: is given, but the roles do not name" },
		{ "read_case =", "#", "read_case: is missing; the role temperatures needs one register" },
	};
	struct instrument_profile p = read_right(modbus);
	const struct modbus_register *volts = &p.modbus[MODBUS_VOLTAGE], *amps = &p.modbus[MODBUS_CURRENT];

	(void)state;
	assert_true(volts->given && volts->table == MODBUS_INPUT && volts->address == 0 && !volts->low_first);
	assert_near(volts->step, 1e-4);
	assert_true(amps->given && amps->table == MODBUS_HOLDING && amps->address == 16 && amps->low_first);
	assert_near(p.modbus[(int)MODBUS_TEMP + TEMP_CASE].step, 0.1);
	assert_int_equal(p.modbus[(int)MODBUS_TEMP + TEMP_CASE].address, 9);
	refuse_each(modbus, list, COUNT(list));
}

static const char modbus_supply[] =
	"\n[instrument psu]\nkind = modbus\nlink = serial:/dev/ttyUSB0\nroles = meter, power\nperiod = 0.1 s\naddress "
	"= 3\n"
	"read_voltage = input 0 u16 0.01\nread_current = input 1 u16 0.001\nwrite_voltage = holding 16 u16 0.01 V\n"
	"write_current = holding 17 u16 1 mA\nwrite_output = holding 18 u16 1\n[warden]\nsilence = 0.1 s\n";

static void a_modbus_supply_that_is_set(void **state)
{
	static const struct change list[] = {
		{ "holding 16", "input 16",
		  "write_voltage: found an input register, which is only read; expected holding" },
		{ "write_output =", "#", "write_output: is missing; a supply that is set needs that register" },
		{ "meter, power", "meter", "write_current: is given, but the roles have neither power nor cut" },
		{ "meter, power", "power", "roles: found power without meter" },
		{ "holding 17", "holding 16", "write_current: lies on registers of write_voltage" },
		{ "read_current =", "#", "read_current: is missing; the roles need that register" },
	};
	struct instrument_profile p = read_right(modbus_supply);

	(void)state;
	assert_true(p.modbus_set[MODBUS_SET_VOLTAGE].given && p.modbus_set[MODBUS_SET_VOLTAGE].address == 16);
	assert_true(p.modbus_set[MODBUS_SET_CURRENT].given && p.modbus_set[MODBUS_SET_CURRENT].address == 17);
	assert_true(p.modbus_set[MODBUS_SET_OUTPUT].given && p.modbus_set[MODBUS_SET_OUTPUT].address == 18);
	refuse_each(modbus_supply, list, COUNT(list));
}

static const char gpio[] =
	"\n[instrument pins]\nkind = gpio\nlink = gpio:/dev/gpiochip0\n"
	"roles = lines, pickup, power\nestop = 17 low pull-up\nguard = 27 low pull-up\n"
	"contactor = 22 low pull-up\npulse_a = 5\npulse_b = 6\nswitch = 23\n[warden]\nsilence = 0.1 s\n";

static void gpio_lines(void **state)
{
	static const struct change list[] = {
		{ "17 low pull-up", "17 high", "estop: found \"17 high\", expected the name of a line or its offset" },
		{ "guard = 27", "guard = 17",
		  "guard: found \"17 low pull-up\", which another key of this section has" },
		{ "switch = 23", "switch = 23 pull-up", "switch: found \"23 pull-up\", but an output has no pull-up" },
		{ "estop = 17 low pull-up", "", "estop: is missing; the role lines needs it" },
		{ "pulse_a = 5", "", "pulse_a: is missing; the role pickup needs it" },
		{ "switch = 23", "", "switch: is missing; the role power needs it" },
		{ "lines, pickup, power", "lines, power", "pulse_b: needs the role pickup; add it to roles" },
		{ "lines, pickup, power", "pickup, power", "guard: needs the role lines; add it to roles" },
		{ "lines, pickup, power", "lines, pickup", "switch: needs the role power; add it to roles" },
		{ "gpio:/dev/gpiochip0", "gpio:", "link: found \"gpio:\", expected the chip" },
		{ "gpio:/dev/gpiochip0", "serial:/dev/ttyS0", "link: found \"serial:/dev/ttyS0\", expected the chip" },
		{ "[warden]\nsilence = 0.1 s\n", "", "roles: an output of a gpio has no lease" },
		{ "silence = 0.1 s", "silence = 0.04 s", "silence: found 0.04 s, expected at least five ticks" },
	};
	static const struct change other[] = {
		{ "serial:/dev/ttyUSB0", "gpio:/dev/gpiochip0", "but a modbus is not on a GPIO chip" },
	};
	struct instrument_profile p = read_right(gpio);

	(void)state;
	assert_int_equal(p.roles, ROLE_LINES | ROLE_PICK | ROLE_POWER);
	assert_true(p.wire[GPIO_ESTOP].wired && p.wire[GPIO_ESTOP].low && p.wire[GPIO_ESTOP].bias == GPIO_PULL_UP);
	assert_int_equal(p.wire[GPIO_SWITCH].offset, 23);
	assert_true(p.close.n == 1 && p.close.byte[0] == '1' && p.open.n == 1 && p.open.byte[0] == '0');
	refuse_each(gpio, list, COUNT(list));
	refuse_each(modbus, other, COUNT(other));
}

static const char supply[] =
	"\n[instrument psu]\nkind = supply\nlink = tcp:localhost:5025\nroles = meter, power\nperiod = 0.1 s\n"
	"set_voltage = VOLT\nset_current = CURR\nset_output = OUTP\nask_error = SYST:ERR?\nask_limited = STAT:QUES?\n"
	"ask_limiting = STAT:QUES:COND?\n[warden]\nsilence = 0.1 s\n";

static void a_supply_that_is_set(void **state)
{
	static const struct change list[] = {
		{ "roles = meter, power", "roles = power", "roles: found power without meter" },
		{ "VOLT\n", "VOLT?\n", "set_voltage: found \"VOLT?\", expected one header word without ?" },
		{ "CURR\n", "CURR 1\n", "set_current: found \"CURR 1\"" },
		{ "SYST:ERR?", "SYST:ERR", "ask_error: found \"SYST:ERR\", expected one header word that ends in ?" },
		{ "STAT:QUES?", "STAT:QUES", "ask_limited: found \"STAT:QUES\"" },
		{ "STAT:QUES:COND?", "STAT:QUES:COND", "ask_limiting: found \"STAT:QUES:COND\"" },
		{ "ask_limited = STAT:QUES?", "ask_limited = ", "ask_limiting: needs ask_limited as well" },
		{ "roles = meter, power", "roles = meter, brake", "roles: found brake and another role" },
		{ "roles = meter, power", "roles = brake", "coil_voltage: is missing" },
	};
	char *coil = replaced(supply, "roles = meter, power", "roles = brake\ncoil_voltage = 24 V");
	static const struct change long_words[] = {
		{ "CURR\n", "SOURCE:CURRENT:LEVEL:IMMEDIAT\n", "" },
	};
	char *one_long = replaced(coil, long_words[0].from, long_words[0].to);
	static const struct change two_long[] = {
		{ "OUTP\n", "OUTPUT:STATE:IMMEDIATE\n", "set_output: has with set_current more than 50 letters" },
	};

	(void)state;
	assert_int_equal(read_right(supply).roles, ROLE_METER | ROLE_POWER);
	assert_near(read_right(coil).coil_V, 24);
	refuse_each(supply, list, COUNT(list));
	assert_int_equal(read_right(one_long).roles, ROLE_BRAKE);
	refuse_each(one_long, two_long, COUNT(two_long));
	free(coil);
	free(one_long);
}

static void a_relay(void **state)
{
	static const char relay[] = "\n[instrument r]\nkind = relay\nlink = serial:/dev/ttyUSB0\nroles = power\n"
				    "close = A0 01\nopen = \"o\\n\"\n[warden]\nsilence = 0.1 s\n";
	static const struct change list[] = {
		{ "open = \"o\\n\"", "open = A0 01", "open: is the same as close" },
		{ "open = \"o\\n\"", "open = \"o\\x\"", "open: found \"\"o\\x\"\", expected 1 to 48 bytes" },
		{ "open = \"o\\n\"", "open = \"123456789012345678901234567890123456789012345678x\"", "open: found" },
		{ "kind = relay", "", "kind: is missing" },
		{ "[warden]", "[instrument s]\nkind = supply\nlink = serial:/dev/ttyUSB0\nroles = meter\n[warden]",
		  "[instrument s] link: [instrument r] has the same link, and only supplies that are not set" },
	};
	struct instrument_profile p = read_right(relay);

	(void)state;
	assert_true(p.close.n == 2 && p.close.byte[0] == '\xA0' && p.close.byte[1] == 1);
	assert_true(p.open.n == 2 && p.open.byte[0] == 'o' && p.open.byte[1] == '\n');
	refuse_each(relay, list, COUNT(list));
}

/* A virtual bench has no chip, and pulses of a chip are counted by this computer. */
static void where_the_pulses_are_counted(void **state)
{
	static const struct change on_chip[] = { { "gpio", "gpio", "but a virtual bench has no chip" } };
	char *virtual = replaced(rig_text, "[cell]", "[virtual]\ncontrol = unix:run/control\n[cell]");
	struct rig_profile rig = { 0 };
	struct mistakes m = { 0 };

	(void)state;
	assert_int_equal(read_section(gpio, &rig, &m), RC_OK);
	assert_true(profile_has_host_edges(&rig));
	assert_int_equal(read_section(modbus, &rig, &m), RC_OK);
	assert_false(profile_has_host_edges(&rig));
	head = virtual;
	refuse_each(gpio, on_chip, COUNT(on_chip));
	head = rig_text;
	free(virtual);
}

static void several_on_a_line_or_too_many(void **state)
{
	static const char second[] =
		"[instrument logger]\nkind = modbus\nlink = serial:/dev/ttyUSB0\n"
		"roles = temperatures\naddress = 4\nframing = tcp\nread_case = holding 17 s16 0.1\n";
	char *meter = replaced(modbus, "roles = meter, temperatures", "roles = meter"),
	     *first = replaced(meter, "read_case =", "#"), both[2000];
	struct rig_profile rig = { 0 };
	struct mistakes m = { 0 };

	(void)state;
	snprintf(both, sizeof both, "%s%s", first, second);
	assert_int_equal(read_section(both, &rig, &m), RC_ARG);
	assert_true(stands(&m, "link: [instrument panel] has the same link with another framing or other characters"));
	both[0] = '\0';
	for (int i = 0; i <= PROFILE_INSTRUMENTS; i++)
		snprintf(both + strlen(both), sizeof both - strlen(both), "\n[instrument i%d]\nkind = modbus\n", i);
	m = (struct mistakes){ 0 };
	assert_int_equal(read_section(both, &rig, &m), RC_ARG);
	assert_true(stands(&m, "[instrument i7]: found more than 7 instruments"));
	free(meter);
	free(first);
}

static const char hand_drive[] =
	"\n[instrument panel]\nkind = hand-drive\nroles = drive\ntolerance = 3 %\nreverse = yes\n";

/* A drive that a person sets has no line, and nothing to end. */
static void a_hand_drive(void **state)
{
	static const struct change list[] = {
		{ "roles", "link = unix:x\nroles", "link: found \"unix:x\", but a hand-drive has no line" },
		{ "drive\ntol", "power\ntol", "roles: found \"power\", but a hand-drive cannot do that" },
	};
	struct rig_profile rig = { 0 };
	struct mistakes m = { 0 };

	(void)state;
	struct instrument_profile p = read_right(hand_drive);
	assert_true(instruments_set_by_person(&p) && !instruments_has_output(&p));
	assert_int_equal(p.line, PROFILE_NO_LINE);
	refuse_each(hand_drive, list, COUNT(list));
	assert_int_equal(read_section(hand_drive, &rig, &m), RC_OK);
	assert_ptr_equal(profile_hand_drive(&rig), &rig.instrument[0]);
	assert_int_equal(rig.n_lines, 0);
	assert_int_equal(read_section("", &rig, &m), RC_OK);
	assert_null(profile_hand_drive(&rig));
}

/* A name is 1 to so many letters, and none that the rig has already. */
static void names_of_instruments(void **state)
{
	static const char *const names[] = { "", "tether", "two words", "a-name-that-is-too-long-by-some" };

	(void)state;
	for (size_t i = 0; i < COUNT(names); i++) {
		struct rig_profile rig = { 0 };
		struct mistakes m = { 0 };
		char text[200];
		snprintf(text, sizeof text, "\n[instrument %s]\nkind = hand-drive\nroles = drive\n", names[i]);
		assert_int_equal(read_section(text, &rig, &m), RC_ARG);
		if (!stands(&m, "expected a name of 1 to") && !stands(&m, "no such section"))
			fail_msg("\"%s\": %s", names[i], m.n ? m.line[0] : "none");
	}
}

/* Which of several on one line can share it: supplies that are not set, and devices with registers, each with an
 * address of its own, all with one speed, framing and form of characters. */
static void who_shares_a_line(void **state)
{
#define PSU(name, more) "\n[instrument " name "]\nkind = supply\nlink = tcp:localhost:5025\n" more
	static const struct {
		const char *text, *words; /* NULL: they can */
	} rows[] = {
		{ PSU("a", "roles = voltage\naddress = 1\n") PSU("b", "roles = current\naddress = 2\n"), NULL },
		{ PSU("a", "roles = voltage\naddress = 1\n") PSU("b", "roles = current\naddress = 1\n"),
		  "address: [instrument a] has the same link. Give each of the two an address" },
		{ PSU("a", "roles = voltage\n") PSU("b", "roles = current\naddress = 1\n"), "Give each of the two" },
		{ PSU("a", "roles = voltage\naddress = 1\n") PSU("b", "roles = current\n"), "Give each of the two" },
		{ PSU("a", "roles = voltage\naddress = 1\nbaud = 9600\n")
			  PSU("b", "roles = current\naddress = 2\nbaud = 19200\n"),
		  "baud: found 19200, but [instrument a] on the same link has 9600" },
		{ PSU("a", "roles = voltage\naddress = 1\ncharacters = 8N1\n")
			  PSU("b", "roles = current\naddress = 2\ncharacters = 8E1\n"),
		  "another framing or other characters" },
		{ PSU("a", "roles = meter, power\naddress = 1\n"), "address: does not go with an output" },
		{ PSU("a", "roles = voltage, power\n"), "roles: found power without meter" },
		{ PSU("a", "roles = ,, ,voltage,\n"), NULL },
		{ "\n[instrument r]\nkind = relay\nlink = tcp:localhost:5025\nroles = power\nclose = 01\nopen = 01\n",
		  "open: is the same as close" },
		{ PSU("a", "roles = averyveryverylongwordthatisnoroleatallandneverwas\n"),
		  "roles: found \"averyveryverylongwordthatisnoroleatallan\", expected" },
		{ "\n[instrument i]\nkind = indicator\nlink = unix:x\nroles = power\n",
		  "but an indicator cannot do that" },
		{ "\n[instrument k]\nlink = unix:x\nroles = power\n", "kind: is missing" },
	};

	(void)state;
	for (size_t i = 0; i < COUNT(rows); i++) {
		struct rig_profile rig = { 0 };
		struct mistakes m = { 0 };
		enum rc rc = read_section(rows[i].text, &rig, &m);
		if ((rc == RC_OK) != (rows[i].words == NULL) || (rows[i].words && !stands(&m, rows[i].words)))
			fail_msg("row %zu: %s", i, m.n ? m.line[0] : "taken");
		if (rc == RC_OK)
			assert_int_equal(rig.n_lines, 1);
	}
#undef PSU
}

int main(void)
{
	static const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_can_drive),
		cmocka_unit_test(a_text_drive),
		cmocka_unit_test(an_indicator),
		cmocka_unit_test(an_indicator_tells_its_range),
		cmocka_unit_test(a_modbus_device),
		cmocka_unit_test(gpio_lines),
		cmocka_unit_test(a_supply_that_is_set),
		cmocka_unit_test(a_relay),
		cmocka_unit_test(where_the_pulses_are_counted),
		cmocka_unit_test(several_on_a_line_or_too_many),
		cmocka_unit_test(a_modbus_supply_that_is_set),
		cmocka_unit_test(a_hand_drive),
		cmocka_unit_test(names_of_instruments),
		cmocka_unit_test(who_shares_a_line),
	};

	return cmocka_run_group_tests(tests, NULL, drop_units);
}
