/* SPDX-License-Identifier: GPL-3.0-or-later */
/* Frames by hand, as lines of an adapter. */
#include "instrument/can_drive.h"

#include <math.h>

#include "tests/unit/instrument/line_scene.h"

#define ALL_TOLD \
	"t28136400" \
	"04\rt282101\r" /* 100 tenths of rpm, on; a fault */

static struct can_map map(const char *text)
{
	struct can_map ret;
	char why[CAN_SIGNAL_WHY];

	assert_true(can_map_read(text, &ret, why));
	return ret;
}

static bool by_current;

static enum rc open_drive(const char *says, bool asks, struct err *err)
{
	struct can_drive_setup setup = {
		.drive = { .unit_rpm = 1, .unit_A = 1, .gear_ratio = 36, .sign = -1, .lease_s = 0.3, .period_s = 0.1 },
		.bit_rate = 500000,
		.speed = map("0x201 data 01 00 00 byte 1 length 16 signed"),
		.off = map("0x201 data 00 00 00"),
		.tell = { [DRIVE_WORD_SPEED] = map("0x281 byte 0 length 16 signed scale 0.1"),
			  [DRIVE_WORD_ENABLED] = map("0x281 byte 2 length 8 is 4"),
			  [DRIVE_WORD_FAULT] = map("0x282 bit 0 length 1") },
	};
	const struct instrument_config config = {
		.name = "can-drive m", .roles = ROLE_DRIVE, .number = 2, .period_s = 0.1, .can_drive = &setup
	};

	if (asks)
		setup.ask = map("0x301 data AA");
	if (by_current) {
		setup.current = map("0x201 data 02 00 00 byte 1 length 16 signed");
		setup.speed = setup.off = (struct can_map){ 0 };
	}
	device_begin("can", says);
	d.snap.channel[CHANNEL_CONTACTOR].fresh = 1;
	d.snap.contactor_closed = true;
	return can_drive_open(&config, d.end.link, &a_clock, &d.in, err);
}

/* What came on the adapter's end, with a comma for each end of a line. */
static const char *heard(void)
{
	static char buf[1000];
	ssize_t n = recv(d.end.fd, buf, sizeof buf - 1, MSG_DONTWAIT);

	buf[n > 0 ? n : 0] = '\0';
	for (char *c = buf; *c; c++)
		*c = *c == '\r' ? ',' : *c;
	return buf;
}

/* -10 rpm of the rotor by the sign; -72 of it are FFB8h. */
static void it_tells_and_is_commanded(void **state)
{
	const struct wish wish = { .mode = DRIVE_SPEED, .speed_rpm = 2, .power = true };

	(void)state;
	assert_int_equal(open_drive(ALL_TOLD, false, NULL), RC_OK);
	assert_int_equal(d.in.modes, 1u << DRIVE_SPEED);
	assert_string_equal(heard(), ",C,S6,O,");
	say(ALL_TOLD);
	look(0.01);
	assert_true(fabs(d.snap.drive_rotor_rpm + 10) < 1e-9);
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED | DRIVE_FAULT);
	d.in.ops->set(d.in.ctx, &wish);
	assert_string_equal(heard(), "t201301B8FF,");
	d.in.ops->set(d.in.ctx, &(struct wish){ 0 });
	assert_string_equal(heard(), "t2013000000,");
	end();
}

static void one_that_is_asked(void **state)
{
	(void)state;
	assert_int_equal(open_drive(ALL_TOLD, true, NULL), RC_OK);
	assert_string_equal(heard(), ",C,S6,O,t3011AA,");
	for (int i = 0; i < 35; i++) {
		say(ALL_TOLD);
		look(0.01);
	}
	assert_string_equal(heard(), "t3011AA,t3011AA,t3011AA,");
	end();
}

/* The adapter is asked for the bus while nothing comes, and what it says is told. */
static void why_it_is_not_heard(void **state)
{
	static const struct {
		const char *says, *words;
	} rows[] = {
		{ NULL, "the CAN adapter does not answer" },
		{ "\r", "no frame came from the CAN bus" },
		{ "F24\r", "error-passive" },
		{ "sb000000\r", "the CAN bus is off" },
		{ "t2832FFFF\r", "frame 0x281 is missing or too short, newest 0x283 with 2 bytes" },
		{ "t2822FFFF\r", "frame 0x281 is missing" },
		{ "t2813"
		  "640004\r",
		  "frame 0x282 is missing" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct err err = { 0 };

		assert_int_equal(open_drive(rows[i].says, false, &err), RC_TIMEOUT);
		if (strstr(err.what, rows[i].words) == NULL)
			fail_msg("\"%s\" does not say \"%s\"", err.what, rows[i].words);
		if (rows[i].says == NULL)
			assert_non_null(strstr(heard(), "F,F,"));
		end();
	}
}

/* Of the frames that it tells the one that fell out longest ago, while the others go on. */
static void which_frame_has_stopped(void **state)
{
	static const char *const rest[] = { "t2813640004\r", "t282101\r" };
	static const char *const words[] = { "frame 0x282 is missing", "frame 0x281 is missing" };

	(void)state;
	for (int i = 0; i < 2; i++) {
		assert_int_equal(open_drive(ALL_TOLD, false, NULL), RC_OK);
		for (int k = 0; k < 70; k++) {
			say(rest[i]);
			look(0.01);
		}
		assert_int_equal(d.snap.drive_flags, DRIVE_UNHEARD);
		if (strstr(d.in.error, words[i]) == NULL)
			fail_msg("\"%s\" does not say \"%s\"", d.in.error, words[i]);
		end();
	}
}

static enum rc open_silent(struct err *err)
{
	return open_drive(NULL, false, err);
}

static void its_line_ends_while_it_is_waited_for(void **state)
{
	(void)state;
	a_wait_that_ends(open_silent);
}

/* One that is driven by its current, and one without a frame for off: nothing goes out for what it has no frame. */
static void a_frame_for_each_mode(void **state)
{
	const struct wish wish = { .mode = DRIVE_CURRENT, .drive_A = 2, .power = true };

	(void)state;
	by_current = true;
	assert_int_equal(open_drive(ALL_TOLD, false, NULL), RC_OK);
	by_current = false;
	assert_int_equal(d.in.modes, 1u << DRIVE_CURRENT);
	(void)heard();
	say(ALL_TOLD);
	look(0.01);
	d.in.ops->set(d.in.ctx, &wish);
	assert_string_equal(heard(), "t201302FEFF,"); /* -2: its positive direction is the other one */
	d.in.ops->set(d.in.ctx, &(struct wish){ 0 });
	assert_string_equal(heard(), "");
	end();
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(it_tells_and_is_commanded),
		cmocka_unit_test(one_that_is_asked),
		cmocka_unit_test(why_it_is_not_heard),
		cmocka_unit_test(which_frame_has_stopped),
		cmocka_unit_test(its_line_ends_while_it_is_waited_for),
		cmocka_unit_test(a_frame_for_each_mode),
	};

	return cmocka_run_group_tests_name("can_drive", tests, NULL, NULL);
}
