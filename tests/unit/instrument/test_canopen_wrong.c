/* SPDX-License-Identifier: GPL-3.0-or-later */
/* What a drive does that it should not: each is told, and ends what must end. */
#include "tests/unit/instrument/canopen_scene.h"

static void what_goes_wrong_is_told_and_ends_it(void **state)
{
	(void)state;
	enable(); /* by its own stop input */
	tick(0.05, 0x250, 24576, &speed);
	says("went off by itself; it is switch on disabled");
	tick(0.05, 0x231, 0, &speed);
	assert_false(heard("t2053070003"));
	end();
	enable(); /* another mode, by somebody else */
	*object(KEY(0x6061, 0), 1) = 1;
	tick(0.1, 0x237, 24576, &speed);
	assert_true(heard("t2053000003"));
	tick(0.1, 0x250, 0, &speed);
	says("it shows mode 1 (6061h), commanded was 3; it was switched off");
	end();
	enable(); /* a fault: its kind is known when its code was read */
	*object(KEY(0x603f, 0), 2) = 0x7310;
	tick(0.1, 0x218, 0, &speed);
	says("error code 7310h");
	assert_false(heard("t2053800003")); /* nobody asked for its reset */
	end();
	enable(); /* still stopping because of one: it may have torque */
	*object(KEY(0x603f, 0), 2) = 0x7310;
	tick(0.1, 0x21f, 24576, &speed);
	says("error code 7310h");
	assert_true(d.snap.drive_flags & DRIVE_ENABLED);
	end();
	for (unsigned i = 0; i < 2; i++) {
		enable();
		*object(KEY(0x603f, 0), 2) = (const unsigned[]){ 0x3220, 0x3120 }[i];
		tick(0.1, 0x218, 0, &speed);
		assert_int_equal(d.snap.drive_flags, DRIVE_UNDERVOLTAGE);
		end();
	}
	enable(); /* it restarts, and is set up anew, but not switched on */
	say("t705100\r");
	d.operational = false;
	tick(0.1, 0x250, 0, &speed);
	says("went off by itself");
	tick(1, 0x250, 0, &speed);
	assert_true(d.operational);
	assert_false(heard("t2053060003"));
	end();
	bring_up(); /* it never shows the mode */
	tick(2.2, 0x233, 0, &speed);
	says("it shows mode 0 (6061h), commanded was 3");
	end();
	bring_up(); /* it shows it, and goes no further */
	*object(KEY(0x6061, 0), 1) = 3;
	tick(1.9, 0x233, 0, &speed);
	assert_string_equal(d.in.error, "");
	tick(0.3, 0x233, 0, &speed);
	says("it is switched on, 2 s after it was switched on");
	end();
}

/* Asked before the fault and answered after it: the code that was read is not the fault's. */
static void a_code_that_was_asked_before_the_fault_says_nothing(void **state)
{
	(void)state;
	enable();
	d.waits = KEY(0x603f, 0);
	for (int i = 0; i < 20 && d.late.n == 0; i++)
		tick(0.01, 0x237, 24576, &speed);
	assert_int_equal(d.late.n, 8);
	d.waits = 0;
	*object(KEY(0x603f, 0), 2) = 0x3220;
	say_frame(0x185, (const uint8_t[]){ 0x18, 0x02, 0, 0, 0, 0, 0, 0 }, 8);
	say_frame(0x585, d.late.byte, 8); /* code 0 */
	tick(0.01, 0x218, 0, &speed);
	assert_int_equal(d.snap.drive_flags & (DRIVE_FAULT | DRIVE_UNDERVOLTAGE), 0);
	tick(0.2, 0x218, 0, &speed);
	assert_int_equal(d.snap.drive_flags, DRIVE_UNDERVOLTAGE);
	end();
}

/* Frames that look like its own: with a long identifier, of another node, too short, an answer that nobody asked for,
 * and the answer to a write where a read was asked. */
static void what_is_not_its_word_is_not_taken(void **state)
{
	(void)state;
	enable();
	d.waits = KEY(0x603f, 0);
	for (int i = 0; i < 20 && d.late.n == 0; i++)
		tick(0.01, 0x237, 24576, &speed);
	assert_int_equal(d.late.n, 8);
	say("T00000185"
	    "8"
	    "5000000000000000\r");
	say_frame(0x186, (const uint8_t[]){ 0x18, 0x02, 0, 0, 0, 0, 0, 0 }, 8);
	say_frame(0x185, (const uint8_t[]){ 0x18, 0x02, 0, 0, 0, 0, 0 }, 7);
	say_frame(0x585, (const uint8_t[]){ 0x60, 0x3f, 0x60, 0, 0, 0, 0, 0 }, 8);
	say_frame(0x585, (const uint8_t[]){ 0x4b, 0x31, 0x20, 1, 0xe7, 3, 0, 0 },
		  8); /* 99.9, of which none was asked */
	d.in.ops->poll(d.in.ctx, &d.snap);
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED);
	say_frame(0x585, d.late.byte, 8);
	say_frame(0x585, (const uint8_t[]){ 0x4b, 0x31, 0x20, 1, 0xe7, 3, 0, 0 }, 8); /* nor is it yet */
	d.in.ops->poll(d.in.ctx, &d.snap);
	assert_true(fabs(d.snap.temp_degC[TEMP_WINDING] - 31.5) < 1e-9);
	d.waits = 0;
	tick(0.2, 0x237, 24576, &speed);
	assert_int_equal(d.snap.drive_flags, DRIVE_ENABLED);
	assert_string_equal(d.in.error, "");
	end();
}

/* Before it was commanded for the first time, and while it is waited for. */
static void its_line_ends(void **state)
{
	(void)state;
	begin();
	assert_int_equal(open_drive(), RC_OK);
	shutdown(d.end.fd, SHUT_RDWR);
	d.in.ops->poll(d.in.ctx, &d.snap);
	d.in.ops->set(d.in.ctx, &speed);
	assert_int_equal(d.snap.drive_flags, DRIVE_UNHEARD);
	assert_non_null(strstr(d.in.error, "line is gone"));
	end();
	begin();
	d.hangs_up = true;
	assert_int_equal(open_drive(), RC_IO);
	assert_non_null(strstr(d.err.what, "its line ended; check its cable"));
	end();
}

/* Of a fault that it told before the contactor opened nothing is told while it has no power. */
static void a_fault_goes_with_the_power(void **state)
{
	(void)state;
	begin();
	d.setup.drive.boot_s = 2;
	assert_int_equal(open_drive(), RC_OK);
	tick(1.2, 0x250, 0, &off);
	*object(KEY(0x603f, 0), 2) = 0x7310;
	tick(0.2, 0x218, 0, &off);
	says("error code 7310h");
	d.snap.contactor_closed = false;
	d.is_mute = true;
	tick(1, 0x218, 0, &off);
	assert_int_equal(d.snap.drive_flags, 0);
	assert_string_equal(d.in.error, "");
	end();
}

/* Its power flickers: the set-up begins anew each time, so that it never comes to an end. */
static void one_that_restarts_again_and_again(void **state)
{
	static const uint8_t boot = 0;

	(void)state;
	enable();
	for (int i = 0; i < 50; i++) {
		say_frame(0x705, &boot, 1);
		tick(0.02, 0x250, 0, &speed);
	}
	assert_int_equal(d.snap.drive_flags, DRIVE_UNHEARD);
	assert_non_null(strstr(d.in.error, "its set-up is not done yet"));
	end();
}

static void one_that_answers_nothing_has_another_number(void **state)
{
	(void)state;
	begin();
	d.is_stranger = true;
	assert_int_equal(open_drive(), RC_TIMEOUT);
	assert_non_null(strstr(d.err.what, "node 5 does not answer about object 1000h:0: check node_id"));
	end();
}

/* A drive that answers a read as if it were a write, or the other way, has answered nothing. */
static void an_answer_of_the_wrong_kind_is_none(void **state)
{
	static const uint32_t keys[] = { KEY(0x6502, 0), KEY(0x1600, 1) };

	(void)state;
	for (size_t i = 0; i < 2; i++) {
		begin();
		d.mixes_up = keys[i];
		assert_int_equal(open_drive(), RC_TIMEOUT);
		assert_non_null(strstr(d.err.what, i == 0 ? "about object 6502h:0" : "about object 1600h:1"));
		end();
	}
}

/* A frame that nobody filled: no word of off, so the off goes on and the lease stays. */
static void a_word_of_zeros_is_not_off(void **state)
{
	(void)state;
	enable();
	*object(KEY(0x6040, 0), 2) = 0x0f;
	tick(0.1, 0, 24576, &speed);
	tick(1, 0, 24576, &off);
	assert_int_equal(d.snap.drive_flags, DRIVE_UNHEARD);
	assert_true(*object(KEY(0x6040, 0), 2) != 0x0f); /* off by SDO too */
	d.in.ops->close(d.in.ctx);
	d.in.ops = NULL;
	run_device();
	assert_true(*object(KEY(0x1016, 1), 4) != 0);
	end();
}

static void one_that_falls_silent_is_unheard(void **state)
{
	(void)state;
	enable();
	d.is_mute = true;
	tick(0.7, 0x237, 0, &speed);
	assert_int_equal(d.snap.drive_flags, DRIVE_UNHEARD);
	assert_non_null(strstr(d.in.error, "not told all its values"));
	end();
}

static void a_drive_that_is_not_as_stated_is_refused(void **state)
{
	static const struct {
		uint32_t key, value, forgets, refuses;
		const char *words;
	} rows[] = {
		{ KEY(0x1000, 0), 0x191, 0, 0, "1000h:0 reads 401, expected 402" },
		{ KEY(0x6502, 0), 0x04, 0, 0, "does not have the mode of torque_mode (object 6502h)" },
		{ KEY(0x6076, 0), 400, 0, 0, "6076h:0 reads 400, expected 320" },
		{ KEY(0x6075, 0), 6000, 0, 0, "6075h:0 reads 6000, expected 6500" },
		{ KEY(0x1016, 1), 0, KEY(0x1016, 1), 0, "add a [warden] section" },
		{ KEY(0x6007, 0), 1, KEY(0x6007, 0), 0, "6007h:0 reads 1, expected 2: the lease" },
		{ KEY(0x6007, 0), 1, 0, KEY(0x6007, 0),
		  "6007h:0 is refused with abort code 06090030h, the value is out of range" },
		{ KEY(0x1600, 0), 0, 0, KEY(0x1600, 0), "1600h:0 is refused" },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		begin();
		*object(rows[i].key, 4) = rows[i].value;
		d.forgets = rows[i].forgets;
		d.refuses = rows[i].refuses;
		assert_int_equal(open_drive(), RC_ARG);
		if (strstr(d.err.what, rows[i].words) == NULL)
			fail_msg("\"%s\" does not say \"%s\"", d.err.what, rows[i].words);
		assert_false(d.operational);
		end();
	}
	begin(); /* it is set up, and has no such temperature */
	d.refuses = KEY(0x2031, 1);
	assert_int_equal(open_drive(), RC_TIMEOUT);
	assert_non_null(strstr(d.err.what, "its object 2031h:1 is refused with abort code 06090030h"));
	end();
	begin();
	d.is_long = KEY(0x6502, 0);
	assert_int_equal(open_drive(), RC_ARG);
	assert_non_null(strstr(d.err.what, "6502h:0 is longer than 4 bytes, expected a number"));
	end();
	begin();
	d.is_mute = true;
	assert_int_equal(open_drive(), RC_TIMEOUT);
	end();
}

/* Only the fault with the stated code is reset, and by an edge. */
static void a_fault_is_reset_only_when_asked(void **state)
{
	static const uint32_t codes[] = { 0x8130, 0x7310, 0 };

	(void)state;
	for (int i = 0; i < 3; i++) {
		begin();
		*object(KEY(0x6041, 0), 2) = 0x218;
		*object(KEY(0x603f, 0), 2) = codes[i];
		d.setup.plan.reset_fault = i == 2 ? 0 : 0x8130; /* 0: none is to be reset, not the fault of code 0 */
		(void)open_drive();
		assert_int_equal(d.resets, i == 0);
		assert_int_equal(*object(KEY(0x6040, 0), 2), 0);
		end();
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(what_goes_wrong_is_told_and_ends_it),
		cmocka_unit_test(a_code_that_was_asked_before_the_fault_says_nothing),
		cmocka_unit_test(what_is_not_its_word_is_not_taken),
		cmocka_unit_test(its_line_ends),
		cmocka_unit_test(a_fault_goes_with_the_power),
		cmocka_unit_test(one_that_restarts_again_and_again),
		cmocka_unit_test(one_that_answers_nothing_has_another_number),
		cmocka_unit_test(an_answer_of_the_wrong_kind_is_none),
		cmocka_unit_test(a_word_of_zeros_is_not_off),
		cmocka_unit_test(one_that_falls_silent_is_unheard),
		cmocka_unit_test(a_drive_that_is_not_as_stated_is_refused),
		cmocka_unit_test(a_fault_is_reset_only_when_asked),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
