/* SPDX-License-Identifier: GPL-3.0-or-later */
#include "instrument/text_drive.h"

#include <math.h>

#include "tests/unit/instrument/line_scene.h"

static const char *question = "?";

static enum rc open_drive(const char *says, bool asks, struct err *err)
{
	struct text_drive_setup setup = {
		.drive = { .unit_rpm = 1, .unit_A = 1, .gear_ratio = 36, .sign = 1, .lease_s = 0.3, .period_s = 0.1 },
		.speed = pattern("V {speed.1}"),
		.off = pattern("OFF\\r"),
		.tell = { pattern("S {speed} {enabled}"), pattern("F {fault}") },
		.n_tell = 2
	};
	const struct instrument_config config = {
		.name = "text-drive m", .roles = ROLE_DRIVE, .number = 2, .period_s = 0.1, .text_drive = &setup
	};

	if (asks)
		setup.ask = pattern(question);
	device_begin("drive", says);
	d.snap.channel[CHANNEL_CONTACTOR].fresh = 1;
	d.snap.contactor_closed = true;
	return text_drive_open(&config, d.end.link, &a_clock, &d.in, err);
}

static const char *heard(void) /* what came on the device's end */
{
	static char buf[500];
	ssize_t n = recv(d.end.fd, buf, sizeof buf - 1, MSG_DONTWAIT);

	buf[n > 0 ? n : 0] = '\0';
	return buf;
}

static void it_tells_and_is_commanded(void **state)
{
	struct wish wish = { .mode = DRIVE_SPEED, .speed_rpm = 2, .power = true };

	(void)state;
	assert_int_equal(open_drive("S 0 0\r\nF 0\r\n", false, NULL), RC_OK);
	assert_int_equal(d.in.modes, 1u << DRIVE_SPEED);
	assert_int_equal(d.in.ops->begin(d.in.ctx, NULL), RC_OK);
	say("hello\nS 36.5");
	look(0.01);
	assert_true(fabs(d.snap.drive_rotor_rpm) < 1e-9);
	say(" 1\n");
	look(0.01);
	assert_true(fabs(d.snap.drive_rotor_rpm - 36.5) < 1e-9);
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED);
	assert_string_equal(heard(), "");
	d.in.ops->set(d.in.ctx, &wish);
	assert_string_equal(heard(), "V 72.0\n");
	d.in.ops->set(d.in.ctx, &(struct wish){ 0 });
	assert_string_equal(heard(), "OFF\r");
	say("F 3\n");
	look(0.01);
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED | DRIVE_FAULT);
	end();
}

/* Values go by their names, wherever they stand in the line; a mode without a line is off's. */
static void a_line_for_each_mode(void **state)
{
	const struct text_drive_setup setup = { .speed = pattern("V {speed.1}"),
						.torque = pattern("L{limit.0} M{torque.2}\\n"),
						.position = pattern("P{angle.1},{limit.1}"),
						.off = pattern("OFF") };
	static const struct {
		struct drive_command command;
		const char *line;
	} rows[] = {
		{ { DRIVE_SPEED, 12, 0 }, "V 12.0\n" },
		{ { DRIVE_TORQUE, -1.25, 30 }, "L30 M-1.25\n" },
		{ { DRIVE_POSITION, 90, 5 }, "P90.0,5.0\n" },
		{ { DRIVE_OFF, 0, 0 }, "OFF\n" },
		{ { DRIVE_TORQUE, NAN, 30 }, "" },
		{ { DRIVE_CURRENT, 1, 0 }, "" },
	};
	char buf[TEXT_DRIVE_LINE + 2];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		size_t n = text_drive_put(&setup, &rows[i].command, buf);

		assert_int_equal(n, strlen(rows[i].line));
		assert_memory_equal(buf, rows[i].line, n);
	}
}

static void one_that_is_asked(void **state)
{
	(void)state;
	assert_int_equal(open_drive("S 0 0\nF 0\n", true, NULL), RC_OK);
	assert_string_equal(heard(), "?\n");
	look(0.35);
	assert_string_equal(heard(), "?\n?\n?\n");
	end();
}

static void one_that_does_not_tell_all_is_refused(void **state)
{
	static const struct {
		const char *says, *words;
	} rows[] = {
		{ NULL, "and no other line" },
		{ "S 0 0\n", "and no other line" },
		{ "F 0\nS0 0\n", "newest line that fits no pattern: \"S0 0\"" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct err err = { 0 };

		assert_int_equal(open_drive(rows[i].says, false, &err), RC_TIMEOUT);
		if (strstr(err.what, rows[i].words) == NULL)
			fail_msg("\"%s\" does not say \"%s\"", err.what, rows[i].words);
		end();
	}
}

/* Lines without end, and a line that ends: nothing is taken of the one, and the other is told. */
static void what_is_no_line(void **state)
{
	char flood[400];

	(void)state;
	memset(flood, ' ', sizeof flood);
	memcpy(flood, "S 5 1", 5); /* what fits the line would be whole */
	flood[sizeof flood - 1] = '\0';
	assert_int_equal(open_drive("S 0 0\nF 0\n", true, NULL), RC_OK);
	say(flood);
	say("\n");
	look(0.01);
	assert_true(fabs(d.snap.drive_rotor_rpm) < 1e-9 && d.snap.drive_flags == 0);
	shutdown(d.end.fd, SHUT_RDWR);
	look(0.02);
	assert_int_equal(d.snap.drive_flags, DRIVE_UNHEARD);
	assert_non_null(strstr(d.in.error, "line is gone"));
	d.in.ops->set(d.in.ctx, &(struct wish){ .mode = DRIVE_SPEED, .speed_rpm = 1, .power = true });
	end();
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

/* More than 4096 bytes at once: a tick takes a part, the next one the rest. */
static void a_tick_does_not_read_for_ever(void **state)
{
	char much[5001];

	(void)state;
	memset(much, '\n', sizeof much - 1);
	much[sizeof much - 1] = '\0';
	assert_int_equal(open_drive("S 0 0\nF 0\n", false, NULL), RC_OK);
	say(much);
	say("S 36 1\n");
	look(0.01);
	assert_true(fabs(d.snap.drive_rotor_rpm) < 1e-9);
	look(0.01);
	assert_true(fabs(d.snap.drive_rotor_rpm - 36) < 1e-9);
	end();
}

/* Patterns with a line end of their own get no second one. */
static void a_line_s_own_end_is_kept(void **state)
{
	static const char *const texts[] = { "?\\n", "?\\r", "?" };
	static const char *const heard_of[] = { "?\n", "?\r", "?\n" };

	(void)state;
	for (int i = 0; i < 3; i++) {
		question = texts[i];
		assert_int_equal(open_drive("S 0 0\nF 0\n", true, NULL), RC_OK);
		question = "?";
		assert_string_equal(heard(), heard_of[i]);
		end();
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(it_tells_and_is_commanded),
		cmocka_unit_test(a_line_for_each_mode),
		cmocka_unit_test(one_that_is_asked),
		cmocka_unit_test(one_that_does_not_tell_all_is_refused),
		cmocka_unit_test(what_is_no_line),
		cmocka_unit_test(its_line_ends_while_it_is_waited_for),
		cmocka_unit_test(a_tick_does_not_read_for_ever),
		cmocka_unit_test(a_line_s_own_end_is_kept),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
