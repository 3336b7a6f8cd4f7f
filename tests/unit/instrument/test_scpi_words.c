// SPDX-License-Identifier: GPL-3.0-or-later
// Text to and from a settable supply. The forms of answers are those of IEEE 488.2 (NR1, NR2, NR3 numbers, response
// units separated by semicolons) and SCPI-1999 (error queue: number, comma, quoted text), from memory.
#include "instrument/scpi_output.h"

#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <string.h>
#include <cmocka.h>

static struct scpi_setup setup(void)
{
	return (struct scpi_setup){ .voltage = "VOLT",
				    .current = ":SOUR:CURR:LEV",
				    .output = "OUTP",
				    .error = "SYST:ERR?",
				    .limited_bits = 1,
				    .set_V = 48,
				    .set_A = 12.5 };
}

static void words_go_out_from_the_root(void **state)
{
	struct scpi_setup s = setup();
	char text[SCPI_TEXT];

	(void)state;
	size_t n = scpi_put_limits(&s, text);
	assert_int_equal(n, strlen(text));
	assert_string_equal(text, ":OUTP OFF;:VOLT 48.0000;:SOUR:CURR:LEV 12.5000;:SYST:ERR?\n");
	scpi_put_read_back(&s, text);
	assert_string_equal(text, ":VOLT?;:SOUR:CURR:LEV?;:OUTP?\n");
	scpi_put_output(&s, true, text);
	assert_string_equal(text, ":OUTP ON;:SYST:ERR?\n");
	scpi_put_off(&s, text); // half a message may stand before it
	assert_string_equal(text, "\n:OUTP OFF\n");
	scpi_put_coil(&s, 0.25, text);
	assert_string_equal(text, ":SOUR:CURR:LEV 0.2500;:OUTP ON;:SYST:ERR?\n");
	assert_int_equal(scpi_put_hold(&s, 64, text), 25);
	assert_string_equal(text, "\n:OUTP ON;:SOUR:CURR:LEV ");
	assert_int_equal(scpi_put_hold(&s, 24, text), 0);
	scpi_put_measure(&s, text);
	assert_string_equal(text, "MEAS:VOLT?;CURR?\n");
	scpi_put_measure(NULL, text);
	assert_string_equal(text, "MEAS:VOLT?;CURR?\n");
	strcpy(s.limited, "STAT:QUES:EVEN?");
	scpi_put_measure(&s, text);
	assert_string_equal(text, "MEAS:VOLT?;CURR?;:STAT:QUES:EVEN?\n");
	strcpy(s.limiting, ":STAT:QUES:COND?");
	scpi_put_measure(&s, text);
	assert_string_equal(text, "MEAS:VOLT?;CURR?;:STAT:QUES:EVEN?;:STAT:QUES:COND?\n");
}

static void errors_are_read(void **state)
{
	static const struct {
		const char *line;
		bool good;
		long number;
		const char *text;
	} rows[] = {
		{ "0,\"No error\"", true, 0, "No error" },
		{ "+0,\"No error\"", true, 0, "No error" },
		{ "-222,\"Data out of range;VOLT 99\"", true, -222, "Data out of range;VOLT 99" },
		{ "-113,Undefined header", true, -113, "Undefined header" },
		{ "7,", true, 7, "" },
		{ "0", false, 0, NULL },
		{ "48.0;1.2", false, 0, NULL },
		{ "", false, 0, NULL },
		{ ",\"x\"", false, 0, NULL },
	};

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		char text[SCPI_TEXT] = "kept";
		long number = 99;

		assert_int_equal(scpi_error(rows[i].line, &number, text), rows[i].good);
		assert_int_equal(number, rows[i].good ? rows[i].number : 99);
		assert_string_equal(text, rows[i].good ? rows[i].text : "kept");
	}
}

static void numbers_are_read(void **state)
{
	double v[3];

	(void)state;
	assert_true(scpi_numbers("48.000;+1.25E+01;0", 3, v));
	assert_true(fabs(v[0] - 48) < 1e-12 && fabs(v[1] - 12.5) < 1e-12 && v[2] < 0.5);
	assert_true(scpi_numbers("1;2;ON", 3, v) && v[2] > 0.5);
	assert_true(scpi_numbers("1;2;OFF", 3, v) && v[2] < 0.5);
	static const char *const bad[] = { "1;2", "1;2;3;4", "1;2;", "1;2;x", "1,2,3", "nan;1;2", "1;inf;2", "" };
	for (size_t i = 0; i < sizeof bad / sizeof bad[0]; i++)
		assert_false(scpi_numbers(bad[i], 3, v));
}

static void an_output_goes_on_and_off_once_each(void **state)
{
	struct scpi_output o = { .sets = true, .setup = setup() };
	char text[SCPI_TEXT];

	(void)state;
	assert_false(scpi_output_want(&o, false));
	assert_int_equal(scpi_output_put(&o, text), 0);
	assert_false(scpi_output_want(&o, true));
	assert_true(scpi_output_put(&o, text) > 0);
	assert_string_equal(text, ":OUTP ON;:SYST:ERR?\n");
	assert_int_equal(scpi_output_put(&o, text), 0); // one is open
	assert_false(scpi_output_take(&o, "48;1"));     // an answer to something else
	assert_true(scpi_output_want(&o, false));       // off at once, whatever is open
	assert_false(scpi_output_want(&o, false));      // and once
	assert_true(scpi_output_take(&o, "0,\"No error\""));
	assert_true(scpi_output_put(&o, text) > 0); // that was on; now off, with the question
	assert_string_equal(text, ":OUTP OFF;:SYST:ERR?\n");
	scpi_output_lost(&o);
	assert_true(scpi_output_put(&o, text) > 0);
	assert_true(scpi_output_take(&o, "0,\"No error\""));
	assert_int_equal(scpi_output_put(&o, text), 0);
	assert_string_equal(o.error, "");
	assert_false(scpi_output_take(&o, "-222,\"late\"")); // nothing is open
}

// Off at once and on again, before anything was answered: the supply is off then, whatever it was told before.
static void off_and_on_again_is_told_anew(void **state)
{
	(void)state;
	for (int open = 0; open < 2; open++) {
		struct scpi_output o = { .sets = true, .setup = setup() };
		char text[SCPI_TEXT];

		scpi_output_want(&o, true);
		assert_true(scpi_output_put(&o, text) > 0);
		if (!open)
			assert_true(scpi_output_take(&o, "0,\"No error\""));
		assert_true(scpi_output_want(&o, false));
		assert_false(scpi_output_want(&o, true));
		if (open) {
			assert_int_equal(scpi_output_put(&o, text), 0);
			assert_true(scpi_output_take(&o, "0,\"No error\""));
		}
		assert_true(scpi_output_differs(&o));
		assert_true(scpi_output_put(&o, text) > 0);
		assert_string_equal(text, ":OUTP ON;:SYST:ERR?\n");
		scpi_output_lost(&o);
		assert_true(scpi_output_put(&o, text) > 0);
		assert_true(scpi_output_take(&o, "0,\"No error\""));
		assert_int_equal(scpi_output_put(&o, text), 0);
	}
}

static void an_error_stays_with_its_number_and_text(void **state)
{
	struct scpi_output o = { .sets = true, .setup = setup() };
	char text[SCPI_TEXT];

	(void)state;
	scpi_output_want(&o, true);
	scpi_output_put(&o, text);
	assert_true(scpi_output_take(&o, "-222,\"Data out of range\""));
	assert_string_equal(o.error, "it answered error -222 (Data out of range) to OUTP ON");
	scpi_output_want(&o, false);
	scpi_output_put(&o, text);
	assert_true(scpi_output_take(&o, "-410,\"Query INTERRUPTED\""));
	assert_string_equal(o.error, "it answered error -222 (Data out of range) to OUTP ON");
}

static void one_that_is_not_set_stays_so(void **state)
{
	struct scpi_output o = { .setup = setup() };
	char text[SCPI_TEXT];

	(void)state;
	assert_false(scpi_output_want(&o, true));
	assert_int_equal(scpi_output_put(&o, text), 0);
}

static void what_is_read_back_must_agree(void **state)
{
	static const struct {
		const char *line, *says;
	} rows[] = {
		{ "48.000;12.500;0", NULL },
		{ "48.015;12.49;OFF", NULL },
		{ "47.8;12.5;0", "set to 48 V, it reads back 47.8 V" },
		{ "48;10;0", "its limit set to 12.5 A, it reads back 10 A" },
		{ "48;12.5;1", "commanded off, its output is on" },
		{ "48;12.5", "it answers \"48;12.5\", expected voltage, current limit and output" },
	};
	struct scpi_output o = { .sets = true, .setup = setup() };
	char text[SCPI_TEXT];

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		const char *says = scpi_output_check(&o, rows[i].line, text);

		assert_int_equal(says != NULL, rows[i].says != NULL);
		if (says)
			assert_string_equal(says, rows[i].says);
	}
}

static void the_latched_status_is_a_sum_of_bits(void **state)
{
	static const struct {
		double status;
		unsigned bits;
		bool limited;
	} rows[] = { { 0, 1, false },      { 1, 1, true },   { 3, 1, true },      { 2, 1, false },    { 2, 2, true },
		     { 1024, 1025, true }, { -1, 1, false }, { 65536, 1, false }, { 1e300, 1, false } };

	(void)state;
	for (size_t i = 0; i < sizeof rows / sizeof rows[0]; i++) {
		struct scpi_output o = { .sets = true, .setup = setup() };

		o.setup.limited_bits = rows[i].bits;
		scpi_output_status(&o, rows[i].status, 0);
		assert_int_equal(o.limited, rows[i].limited);
		scpi_output_status(&o, 0, rows[i].status); // it lasts, and was latched before
		assert_int_equal(o.limited, rows[i].limited);
	}
}

/* Of a coil: on while anything is energised, each change of its current goes out, and a value that is none is 0. */
static void a_coil_follows_its_current(void **state)
{
	struct scpi_output o = { .sets = true, .setup = setup() };
	struct wish wish = { .power = true };
	char text[SCPI_TEXT];

	(void)state;
	o.setup.coil = true;
	o.setup.most_A = 1.2;
	assert_false(scpi_output_want_coil(&o, &(struct wish){ 0 }));
	assert_int_equal(scpi_output_put(&o, text), 0);
	assert_false(scpi_output_want_coil(&o, &wish));
	assert_true(scpi_output_put(&o, text) > 0);
	assert_string_equal(text, ":SOUR:CURR:LEV 0.0000;:OUTP ON;:SYST:ERR?\n");
	assert_true(scpi_output_take(&o, "0,\"No error\""));
	assert_int_equal(scpi_output_put(&o, text), 0);
	wish.brake_A = 0.5;
	scpi_output_want_coil(&o, &wish);
	assert_true(scpi_output_put(&o, text) > 0);
	wish.brake_A = 9;
	scpi_output_want_coil(&o, &wish);
	assert_int_equal(scpi_output_put(&o, text), 0); /* one is open */
	assert_true(scpi_output_take(&o, "0,\"No error\""));
	assert_true(scpi_output_put(&o, text) > 0);
	assert_string_equal(text, ":SOUR:CURR:LEV 1.2000;:OUTP ON;:SYST:ERR?\n");
	assert_true(scpi_output_take(&o, "-222,\"Data out of range\""));
	assert_string_equal(o.error, "it answered error -222 (Data out of range) to :SOUR:CURR:LEV 1.2000");
	wish = (struct wish){ .brake_A = NAN };
	assert_true(scpi_output_want_coil(&o, &wish)); /* off at once */
	wish.brake_A = 0.3;
	scpi_output_want_coil(&o, &wish); /* the brake is held without the contactor */
	assert_true(scpi_output_differs(&o) && o.want);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(words_go_out_from_the_root),
		cmocka_unit_test(errors_are_read),
		cmocka_unit_test(numbers_are_read),
		cmocka_unit_test(an_output_goes_on_and_off_once_each),
		cmocka_unit_test(off_and_on_again_is_told_anew),
		cmocka_unit_test(an_error_stays_with_its_number_and_text),
		cmocka_unit_test(one_that_is_not_set_stays_so),
		cmocka_unit_test(what_is_read_back_must_agree),
		cmocka_unit_test(the_latched_status_is_a_sum_of_bits),
		cmocka_unit_test(a_coil_follows_its_current),
	};

	return cmocka_run_group_tests_name("scpi_words", tests, NULL, NULL);
}
